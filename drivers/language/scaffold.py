"""Scaffolds of profiles: one for each family of dialects, and the marks that are left in a file.

A scaffold is a whole, readable profile with made-up values, every one of them marked. It can't be
taken for finished: each mark is a fault of the check, and no instrument answers to its identity.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from orchestrator.errors import Fault, Position, Refused
from orchestrator.resources import resource_folder

MARK = "FILL"
_MARK = re.compile(rf"\b{MARK}\b")
_HEAD = re.compile(r"# Family (\w+) \((tester|matrix)\): (.+)\.")


@dataclass(frozen=True, slots=True)
class Family:
    """One family of dialects. ``words`` describe it to who has a manual in hand."""

    name: str
    kind: str
    words: str
    text: str


def families() -> tuple[Family, ...]:
    """All of them, testers first.

    Raises:
        FileNotFoundError: the installation is incomplete.
        ValueError: a scaffold without its first line.
    """
    files = sorted((resource_folder("profiles") / "scaffolds").glob("*.yaml"))
    found = [_read(file) for file in files]
    return tuple(sorted(found, key=lambda family: (family.kind != "tester", family.name)))


def _read(file: Path) -> Family:
    text = file.read_text(encoding="utf-8")
    head = _HEAD.match(text)
    if head is None:
        raise ValueError(f"{file} doesn't say what family it is of")
    return Family(head[1], head[2], head[3], text)


def family_of(name: str) -> Family:
    """One family by its name. Raises Refused."""
    known = {family.name: family for family in families()}
    if name in known:
        return known[name]
    near = get_close_matches(name, known, n=1)
    remedy = f"did you mean {near[0]!r}?" if near else "'profile new --list' describes them"
    raise Refused([Fault("--family", repr(name), f"one of {', '.join(known)}", remedy)])


def unfilled(file: str | Path) -> tuple[Fault, ...]:
    """Every line of a profile that still carries a mark.

    Raises:
        OSError, UnicodeDecodeError: the file can't be read.
    """
    found = []
    for number, line in enumerate(Path(file).read_text(encoding="utf-8").splitlines(), 1):
        mark = _MARK.search(line)
        if mark is None or line.startswith("#"):
            continue
        value, _, comment = line.partition("# " + MARK)
        key = value.strip().partition(":")[0].lstrip("-{ ") or "this line"
        wanted = comment.strip() or "what the manual says"
        position = Position(str(file), number, mark.start() + 1)
        remedy = "write it from the manual and put the manual's section in place of the mark"
        found.append(Fault(key, f"the mark {MARK}", wanted, remedy, position))
    return tuple(found)
