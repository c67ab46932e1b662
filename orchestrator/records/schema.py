"""The tables as SQL: one journal, what guards it, and views that an auditor reads."""

from __future__ import annotations

import sqlite3

VERSION = 1

_JOURNAL = """
CREATE TABLE journal (
  seq INTEGER PRIMARY KEY,
  run_id TEXT NOT NULL,
  kind TEXT NOT NULL,
  utc TEXT NOT NULL,
  monotonic_s REAL NOT NULL,
  body TEXT NOT NULL,
  previous TEXT NOT NULL,
  hash TEXT NOT NULL
) STRICT
"""

_INDICES = (
    "CREATE INDEX journal_by_run ON journal (run_id, kind)",
    "CREATE UNIQUE INDEX one_start ON journal (run_id) WHERE kind = 'run_started'",
    "CREATE UNIQUE INDEX one_end ON journal (run_id) WHERE kind = 'run_ended'",
)

# INSERT OR REPLACE deletes without asking the delete trigger, hence the two on INSERT.
_TRIGGERS = (
    """
CREATE TRIGGER no_update BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no entry is changed'); END
""",
    """
CREATE TRIGGER no_delete BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: no entry is deleted'); END
""",
    """
CREATE TRIGGER only_next BEFORE INSERT ON journal
WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM journal)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only: an entry goes to its end'); END
""",
    """
CREATE TRIGGER only_once BEFORE INSERT ON journal
WHEN NEW.kind IN ('run_started', 'run_ended')
 AND EXISTS (SELECT 1 FROM journal WHERE run_id = NEW.run_id AND kind = NEW.kind)
BEGIN SELECT RAISE(ABORT, 'a run starts once and ends once'); END
""",
)

_VIEWS = (
    """
CREATE VIEW runs AS
SELECT s.run_id,
  json_extract(s.body, '$.serial') AS serial, json_extract(s.body, '$.operator') AS operator,
  json_extract(s.body, '$.attempt') AS attempt, json_extract(s.body, '$.simulated') AS simulated,
  json_extract(s.body, '$.program.name') AS program,
  json_extract(s.body, '$.program.revision') AS revision,
  json_extract(s.body, '$.fixture') AS fixture, json_extract(s.body, '$.station') AS station,
  json_extract(s.body, '$.software_version') AS software_version,
  s.utc AS started_utc, e.utc AS ended_utc,
  coalesce(json_extract(e.body, '$.outcome'), 'unfinished') AS outcome,
  json_extract(e.body, '$.reason') AS reason, json_extract(e.body, '$.remedy') AS remedy,
  json_extract(e.body, '$.relays_kept') AS relays_kept
FROM journal s LEFT JOIN journal e ON e.run_id = s.run_id AND e.kind = 'run_ended'
WHERE s.kind = 'run_started'
""",
    """
CREATE VIEW steps AS
WITH keys AS (
  SELECT DISTINCT run_id, json_extract(body, '$.index') AS step FROM journal
  WHERE kind IN ('step_started', 'step_ended'))
SELECT keys.run_id, keys.step,
  coalesce(json_extract(s.body, '$.name'), json_extract(e.body, '$.name')) AS name,
  json_extract(s.body, '$.kind') AS kind, json_extract(s.body, '$.tester') AS tester,
  json_extract(s.body, '$.apply_to') AS apply_to, json_extract(s.body, '$.against') AS against,
  json_extract(s.body, '$.others') AS others,
  json_extract(s.body, '$.order.level') AS level,
  json_extract(s.body, '$.order.level_unit') AS level_unit,
  json_extract(s.body, '$.order.waveform') AS waveform,
  json_extract(s.body, '$.order.dwell') AS dwell_s,
  json_extract(s.body, '$.unproved_contact') AS unproved_contact,
  s.utc AS started_utc, e.utc AS ended_utc,
  coalesce(json_extract(e.body, '$.outcome'), 'unfinished') AS outcome,
  json_extract(e.body, '$.reason') AS reason,
  json_extract(e.body, '$.tester_verdict') AS tester_verdict,
  json_extract(e.body, '$.evidence') AS evidence, json_extract(e.body, '$.discharge') AS discharge,
  json_extract(e.body, '$.residual_v') AS residual_v,
  json_extract(e.body, '$.duration_s') AS duration_s
FROM keys
LEFT JOIN journal s ON s.run_id = keys.run_id AND s.kind = 'step_started'
  AND json_extract(s.body, '$.index') = keys.step
LEFT JOIN journal e ON e.run_id = keys.run_id AND e.kind = 'step_ended'
  AND json_extract(e.body, '$.index') = keys.step
""",
    """
CREATE VIEW readings AS
SELECT e.run_id, json_extract(e.body, '$.index') AS step, json_extract(e.body, '$.name') AS name,
  json_extract(r.value, '$.quantity') AS quantity, json_extract(r.value, '$.value') AS value,
  json_extract(r.value, '$.bound') AS bound, json_extract(r.value, '$.unit') AS unit,
  (SELECT json_extract(l.value, '$.value') FROM journal s, json_each(s.body, '$.order.limits') l
   WHERE s.run_id = e.run_id AND s.kind = 'step_started'
     AND json_extract(s.body, '$.index') = json_extract(e.body, '$.index')
     AND json_extract(l.value, '$.quantity') = json_extract(r.value, '$.quantity')
     AND json_extract(l.value, '$.edge') = 'at_least') AS at_least,
  (SELECT json_extract(l.value, '$.value') FROM journal s, json_each(s.body, '$.order.limits') l
   WHERE s.run_id = e.run_id AND s.kind = 'step_started'
     AND json_extract(s.body, '$.index') = json_extract(e.body, '$.index')
     AND json_extract(l.value, '$.quantity') = json_extract(r.value, '$.quantity')
     AND json_extract(l.value, '$.edge') = 'at_most') AS at_most,
  json_extract(e.body, '$.outcome') AS outcome
FROM journal e, json_each(e.body, '$.values') r WHERE e.kind = 'step_ended'
""",
    """
CREATE VIEW events AS
SELECT seq, run_id, utc, monotonic_s, json_extract(body, '$.what') AS what,
  json_extract(body, '$.detail') AS detail
FROM journal WHERE kind = 'event'
""",
    """
CREATE VIEW traffic AS
SELECT j.seq, j.run_id, json_extract(j.body, '$.link') AS link,
  json_extract(t.value, '$[0]') AS monotonic_s,
  json_extract(t.value, '$[1]') AS direction, json_extract(t.value, '$[2]') AS hex,
  json_extract(t.value, '$[3]') AS text
FROM journal j, json_each(j.body, '$.lines') t WHERE j.kind = 'traffic'
""",
    """
CREATE VIEW relay_counts AS
SELECT j.seq, j.run_id, c.key AS contact, c.value AS operations
FROM journal j, json_each(j.body, '$.contacts') c WHERE j.kind = 'relay_counts'
""",
)

# Added after the first version, and made in its records when they are next opened for writing: none
# of these guards anything.
_ADDED = {
    ("index", "standing"): """
CREATE INDEX standing ON journal (kind, seq) WHERE kind IN ('alarm', 'alarm_reset', 'sign_off')
""",
    ("view", "alarms"): """
CREATE VIEW alarms AS
SELECT a.seq, a.run_id, a.utc, json_extract(a.body, '$.number') AS number,
  json_extract(a.body, '$.title') AS title, json_extract(a.body, '$.reason') AS reason,
  json_extract(a.body, '$.remedy') AS remedy, r.seq AS reset_seq, r.utc AS reset_utc,
  json_extract(r.body, '$.by') AS reset_by
FROM journal a LEFT JOIN journal r ON r.seq = (
  SELECT min(j.seq) FROM journal j, json_each(j.body, '$.alarms') n
  WHERE j.kind = 'alarm_reset' AND j.seq > a.seq AND n.value = a.seq)
WHERE a.kind = 'alarm'
""",
    ("view", "alarm_resets"): """
CREATE VIEW alarm_resets AS
SELECT seq, utc, json_extract(body, '$.by') AS by, json_extract(body, '$.alarms') AS alarms,
  json_extract(body, '$.inputs') AS inputs
FROM journal WHERE kind = 'alarm_reset'
""",
    ("view", "sign_offs"): """
CREATE VIEW sign_offs AS
SELECT seq, utc, json_extract(body, '$.by') AS by, json_extract(body, '$.valid') AS valid,
  json_extract(body, '$.simulated') AS simulated, json_extract(body, '$.hashes') AS hashes,
  json_extract(body, '$.instruments') AS instruments,
  json_extract(body, '$.budget_s') AS budget_s, json_extract(body, '$.measured_s') AS measured_s,
  json_extract(body, '$.software_version') AS software_version
FROM journal WHERE kind = 'sign_off'
""",
    ("view", "sign_off_items"): """
CREATE VIEW sign_off_items AS
SELECT j.seq, i.key AS item, json_extract(i.value, '$.name') AS name,
  json_extract(i.value, '$.outcome') AS outcome, json_extract(i.value, '$.seen') AS seen
FROM journal j, json_each(j.body, '$.items') i WHERE j.kind = 'sign_off'
""",
    ("view", "located"): """
CREATE VIEW located AS
SELECT seq, run_id, utc, json_extract(body, '$.step') AS step, json_extract(body, '$.name') AS name,
  json_extract(body, '$.ending') AS ending, json_extract(body, '$.reason') AS reason,
  json_extract(body, '$.pairs') AS pairs, json_extract(body, '$.candidates') AS candidates,
  json_extract(body, '$.steps') AS steps
FROM journal WHERE kind = 'located'
""",
}
_ADDED = {key: text.strip() for key, text in _ADDED.items()}

STATEMENTS = tuple(
    text.strip() for text in (_JOURNAL, *_INDICES, *_TRIGGERS, *_VIEWS, *_ADDED.values())
)


def create(connection: sqlite3.Connection) -> None:
    """Make the tables in an empty database, all or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        for statement in STATEMENTS:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {VERSION:d}")
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def complete(connection: sqlite3.Connection) -> None:
    """Make what records of an earlier version lack, all or none."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        found = objects(connection)
        if ("table", "journal") in found:
            for key in _ADDED.keys() - found.keys():
                connection.execute(_ADDED[key])
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


Objects = dict[tuple[str, str], str]


def objects(connection: sqlite3.Connection) -> Objects:
    """(type, name) → its SQL, of all that the database defines."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    return {(str(kind), str(name)): str(sql) for kind, name, sql in rows}


def expected_objects() -> Objects:
    """What `objects` yields for sound records, written by this very SQLite."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        create(connection)
        return objects(connection)
    finally:
        connection.close()


Told = tuple[str, ...]


def defects(connection: sqlite3.Connection) -> tuple[Told, Told, Told]:
    """What is missing or altered among the definitions, what was added harmlessly, and what an
    earlier version didn't have yet."""
    found, expected = objects(connection), expected_objects()
    damages = [
        f"the {kind} '{name}' is {'altered' if (kind, name) in found else 'missing'}"
        for (kind, name), sql in expected.items()
        if found.get((kind, name)) != sql and ((kind, name) in found or (kind, name) not in _ADDED)
    ]
    older = [
        f"the {kind} '{name}' isn't there yet: it is made when the station is next opened"
        for kind, name in _ADDED
        if (kind, name) not in found
    ]
    notes = []
    for kind, name in sorted(found.keys() - expected.keys()):
        if kind == "trigger":
            damages.append(f"a trigger '{name}' was added")
        else:
            notes.append(f"the {kind} '{name}' was added by somebody; the journal doesn't use it")
    return tuple(damages), tuple(notes), tuple(older)
