"""The commissioning sign-off: what it holds for, and what has changed since.

A sign-off is an entry of the station's records. It holds for one station file, one fixture, the
profiles and the very instruments (serial numbers, firmware) that were there. Any change voids it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from orchestrator.assembly.versions import software_version
from orchestrator.errors import Fault, Refused
from orchestrator.model.entries import InstrumentLine
from orchestrator.records.reader import all_sign_offs

WHAT = "going on without a question at a station with real instruments"
REMEDY = "answer the question (leave out --yes), or have the station commissioned again"
TO_GET_ONE = (
    "leave out --yes and answer the question, or record a sign-off: "
    "ohmward commission STATION PROGRAM --by NAME"
)


def stamped_hashes(hashes: Mapping[str, str]) -> dict[str, str]:
    """What a sign-off is bound to; the program may change."""
    return {name: digest for name, digest in sorted(hashes.items()) if name != "program"}


def stamped_instruments(lines: Iterable[InstrumentLine]) -> dict[str, dict[str, str]]:
    """Who was there: by name, model, serial number and firmware."""
    return {
        line.name: {
            "maker": line.identity.maker,
            "model": line.identity.model,
            "serial": line.identity.serial,
            "firmware": line.identity.firmware,
        }
        for line in lines
    }


def recorded_stamps(records: Path) -> tuple[Mapping[str, Any], ...]:
    """The sign-offs in records that may not be there yet, the newest first.

    Raises RecordDamaged, RecordsUnwritable: they can't be read.
    """
    if not records.exists():
        return ()
    views = all_sign_offs(records)
    return tuple({**view.body, "utc": view.utc} for view in views if not view.damage)


def require_sign_off(
    stamps: Iterable[Mapping[str, Any]], hashes: Mapping[str, str]
) -> Mapping[str, Any]:
    """The newest sign-off for these files. Raises Refused, saying what has changed.

    Args:
        stamps: all sign-offs of the station, the newest first.
        hashes: those of the schedule.
    """
    wanted = stamped_hashes(hashes)
    found = list(stamps)
    for stamp in found:
        if stamp["hashes"] == wanted and stamp["software_version"] == software_version():
            if not stamp["valid"]:
                failed = ", ".join(i["name"] for i in stamp["items"] if i["outcome"] != "done")
                raise _refused(f"the commissioning of {stamp['utc']} is incomplete: {failed}")
            return stamp
    if not found:
        raise _refused("no recorded commissioning sign-off of this station", TO_GET_ONE)
    changes = _changes(found[0]["hashes"], wanted)
    if found[0]["software_version"] != software_version():
        changes.append(f"ohmward itself ({found[0]['software_version']}, now {software_version()})")
    told = ", ".join(changes)
    raise _refused(f"changed since the sign-off of {found[0]['utc']}: {told}")


def require_same_instruments(stamp: Mapping[str, Any], lines: Iterable[InstrumentLine]) -> None:
    """Whoever answers must be who was there at the sign-off. Raises Refused."""
    now = stamped_instruments(lines)
    told = []
    for name in sorted({*now, *stamp["instruments"]}):
        before, after = stamp["instruments"].get(name), now.get(name)
        if before is None or after is None:
            told.append(f"{name} {'is new' if before is None else 'is missing'}")
            continue
        told += [
            f"{name} has {key} {after[key]!r}, was {before[key]!r}"
            for key in before
            if before[key] != after[key]
        ]
    if told:
        raise _refused(f"changed since the sign-off of {stamp['utc']}: {'; '.join(told)}")


def _changes(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    changed = [name for name in after if name in before and before[name] != after[name]]
    added = [f"{name} (new)" for name in after if name not in before]
    gone = [f"{name} (no longer used)" for name in before if name not in after]
    return [name.replace("profile:", "profile ") for name in (*changed, *added, *gone)]


def _refused(found: str, remedy: str = REMEDY) -> Refused:
    expected = "a sign-off that holds, or a person who answers the question"
    return Refused([Fault(WHAT, found, expected, remedy)])
