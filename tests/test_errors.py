"""Errors: one tree, four branches, a remedy everywhere."""

from __future__ import annotations

import inspect

import pytest

from orchestrator import errors
from orchestrator.errors import (
    Fault,
    InstrumentFault,
    InstrumentRefused,
    LinkError,
    OhmwardError,
    Position,
    ProtocolFault,
    RecordDamaged,
    Refused,
    StationBusy,
    TimedOut,
    refuse,
)

FAULT = Fault("level", "'5 A'", "a voltage", "write a voltage", Position("p.yaml", 3, 12))
TREE = [
    kind
    for _, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, OhmwardError)
]


def made(kind: type[OhmwardError]) -> OhmwardError:
    return Refused([FAULT]) if kind is Refused else kind("something happened")


@pytest.mark.parametrize("kind", TREE)
def test_every_error_carries_a_remedy(kind: type[OhmwardError]) -> None:
    """No error leaves its reader without a next step."""
    assert made(kind).remedy.strip()


@pytest.mark.parametrize("kind", [kind for kind in TREE if kind is not Refused])
def test_an_empty_remedy_is_refused(kind: type[OhmwardError]) -> None:
    """A remedy can be replaced, but not by nothing."""
    with pytest.raises(ValueError, match="remedy"):
        kind("something happened", remedy=" ")


@pytest.mark.parametrize("kind", TREE)
def test_every_error_but_the_root_overrides_the_remedy(kind: type[OhmwardError]) -> None:
    """The general remedy of the root is nobody's own."""
    assert kind is OhmwardError or kind.default_remedy != OhmwardError.default_remedy


@pytest.mark.parametrize("kind", TREE)
def test_the_module_docstring_draws_the_whole_tree(kind: type[OhmwardError]) -> None:
    """Whoever reads the file's head has seen every error there is."""
    assert kind.__name__ in (errors.__doc__ or "")


@pytest.mark.parametrize("kind", TREE)
def test_branches_are_kept_apart(kind: type[OhmwardError]) -> None:
    """Caller, link, instrument and records: no error belongs to two of them."""
    branches = (Refused, StationBusy, LinkError, InstrumentFault, RecordDamaged)
    expected = 0 if kind is OhmwardError else 1
    assert sum(issubclass(kind, branch) for branch in branches) == expected


def test_a_fault_is_told_in_one_line() -> None:
    """Position, what, found, expected, remedy, in this order."""
    assert str(FAULT) == "p.yaml:3:12: level, found '5 A', expected a voltage, write a voltage"


def test_a_fault_with_control_characters_stays_in_one_line() -> None:
    """A hostile file can't fake further lines or steer the terminal."""
    text = str(Fault("name", "a\nb\x1b[31m Ω", "a name", "rename it"))
    assert text == r"name, found a\nb\x1b[31m Ω, expected a name, rename it"


def test_a_fault_without_remedy_is_refused() -> None:
    """A refusal must say what to do."""
    with pytest.raises(ValueError, match="remedy"):
        Fault("level", "nothing", "a voltage", "")


@pytest.mark.parametrize(
    ("position", "text"),
    [(Position("a.yaml", 2, 5), "a.yaml:2:5"), (Position("a.yaml"), "a.yaml")],
)
def test_a_position_is_written_as_editors_read_it(position: Position, text: str) -> None:
    """file:line:column, or the file alone."""
    assert str(position) == text


def test_refused_lists_all_faults_one_per_line() -> None:
    """All faults at once, from any iterable."""
    refused = Refused(fault for fault in (FAULT, FAULT))
    assert refused.faults == (FAULT, FAULT)
    assert str(refused).splitlines() == [str(FAULT), str(FAULT)]


def test_refused_without_faults_is_a_programming_error() -> None:
    """Nothing can be refused for no reason."""
    with pytest.raises(ValueError, match="at least one"):
        Refused([])


def test_evidence_travels_with_the_error() -> None:
    """What had arrived, what was sent and what was answered aren't lost."""
    assert TimedOut("no reply", received=b"1.2").received == b"1.2"
    assert ProtocolFault("bad sum", raw=b"\x02x").raw == b"\x02x"
    refused = InstrumentRefused("no", sent=b"X 1\n", answer="range")
    assert (refused.sent, refused.answer) == (b"X 1\n", "range")


def test_a_validators_refusal_needs_a_remedy_too() -> None:
    """The helper for validators keeps the same rule."""
    assert str(refuse(found="'3'", expected="2", remedy="write 2")).startswith("found '3'")
    with pytest.raises(ValueError, match="remedy"):
        refuse(found="'3'", expected="2", remedy="")
