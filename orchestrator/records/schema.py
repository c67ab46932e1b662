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
  s.body ->> '$.serial' AS serial, s.body ->> '$.operator' AS operator,
  s.body ->> '$.attempt' AS attempt, s.body ->> '$.simulated' AS simulated,
  s.body ->> '$.program.name' AS program, s.body ->> '$.program.revision' AS revision,
  s.body ->> '$.fixture' AS fixture, s.body ->> '$.station' AS station,
  s.body ->> '$.software_version' AS software_version,
  s.utc AS started_utc, e.utc AS ended_utc,
  coalesce(e.body ->> '$.outcome', 'unfinished') AS outcome,
  e.body ->> '$.reason' AS reason, e.body ->> '$.remedy' AS remedy,
  e.body ->> '$.relays_kept' AS relays_kept
FROM journal s LEFT JOIN journal e ON e.run_id = s.run_id AND e.kind = 'run_ended'
WHERE s.kind = 'run_started'
""",
    """
CREATE VIEW steps AS
WITH keys AS (
  SELECT DISTINCT run_id, body ->> '$.index' AS step FROM journal
  WHERE kind IN ('step_started', 'step_ended'))
SELECT keys.run_id, keys.step,
  coalesce(s.body ->> '$.name', e.body ->> '$.name') AS name,
  s.body ->> '$.kind' AS kind, s.body ->> '$.tester' AS tester,
  s.body ->> '$.apply_to' AS apply_to, s.body ->> '$.against' AS against,
  s.body ->> '$.others' AS others,
  s.body ->> '$.order.level' AS level, s.body ->> '$.order.level_unit' AS level_unit,
  s.body ->> '$.order.waveform' AS waveform, s.body ->> '$.order.dwell' AS dwell_s,
  s.body ->> '$.unproved_contact' AS unproved_contact,
  s.utc AS started_utc, e.utc AS ended_utc,
  coalesce(e.body ->> '$.outcome', 'unfinished') AS outcome,
  e.body ->> '$.reason' AS reason, e.body ->> '$.tester_verdict' AS tester_verdict,
  e.body ->> '$.evidence' AS evidence, e.body ->> '$.discharge' AS discharge,
  e.body ->> '$.residual_v' AS residual_v, e.body ->> '$.duration_s' AS duration_s
FROM keys
LEFT JOIN journal s ON s.run_id = keys.run_id AND s.kind = 'step_started'
  AND s.body ->> '$.index' = keys.step
LEFT JOIN journal e ON e.run_id = keys.run_id AND e.kind = 'step_ended'
  AND e.body ->> '$.index' = keys.step
""",
    """
CREATE VIEW readings AS
SELECT e.run_id, e.body ->> '$.index' AS step, e.body ->> '$.name' AS name,
  r.value ->> '$.quantity' AS quantity, r.value ->> '$.value' AS value,
  r.value ->> '$.bound' AS bound, r.value ->> '$.unit' AS unit,
  (SELECT l.value ->> '$.value' FROM journal s, json_each(s.body, '$.order.limits') l
   WHERE s.run_id = e.run_id AND s.kind = 'step_started'
     AND s.body ->> '$.index' = e.body ->> '$.index'
     AND l.value ->> '$.quantity' = r.value ->> '$.quantity'
     AND l.value ->> '$.edge' = 'at_least') AS at_least,
  (SELECT l.value ->> '$.value' FROM journal s, json_each(s.body, '$.order.limits') l
   WHERE s.run_id = e.run_id AND s.kind = 'step_started'
     AND s.body ->> '$.index' = e.body ->> '$.index'
     AND l.value ->> '$.quantity' = r.value ->> '$.quantity'
     AND l.value ->> '$.edge' = 'at_most') AS at_most,
  e.body ->> '$.outcome' AS outcome
FROM journal e, json_each(e.body, '$.values') r WHERE e.kind = 'step_ended'
""",
    """
CREATE VIEW events AS
SELECT seq, run_id, utc, monotonic_s, body ->> '$.what' AS what, body ->> '$.detail' AS detail
FROM journal WHERE kind = 'event'
""",
    """
CREATE VIEW traffic AS
SELECT j.seq, j.run_id, j.body ->> '$.link' AS link, t.value ->> '$[0]' AS monotonic_s,
  t.value ->> '$[1]' AS direction, t.value ->> '$[2]' AS hex, t.value ->> '$[3]' AS text
FROM journal j, json_each(j.body, '$.lines') t WHERE j.kind = 'traffic'
""",
    """
CREATE VIEW relay_counts AS
SELECT j.seq, j.run_id, c.key AS contact, c.value AS operations
FROM journal j, json_each(j.body, '$.contacts') c WHERE j.kind = 'relay_counts'
""",
)

STATEMENTS = tuple(text.strip() for text in (_JOURNAL, *_INDICES, *_TRIGGERS, *_VIEWS))


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


def defects(connection: sqlite3.Connection) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What is missing or altered among the definitions, and what was added harmlessly."""
    found, expected = objects(connection), expected_objects()
    damages = [
        f"the {kind} '{name}' is {'altered' if (kind, name) in found else 'missing'}"
        for (kind, name), sql in expected.items()
        if found.get((kind, name)) != sql
    ]
    notes = []
    for kind, name in sorted(found.keys() - expected.keys()):
        if kind == "trigger":
            damages.append(f"a trigger '{name}' was added")
        else:
            notes.append(f"the {kind} '{name}' was added by somebody; the journal doesn't use it")
    return tuple(damages), tuple(notes)
