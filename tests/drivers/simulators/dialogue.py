"""Plays the worked dialogues of the prose descriptions with simulated instruments."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.simulators.base import Instrument
from drivers.simulators.bench import Bench
from drivers.simulators.unit import parse_unit
from orchestrator.clock import VirtualClock

PROFILES = Path(__file__).parents[3] / "profiles"
_NUMBER = re.compile(r"[+-][0-9]\.[0-9]{5}E[+-][0-9]{2}")


def blocks(name: str) -> list[str]:
    """The dialogues of a prose description, in order."""
    text = (PROFILES / f"{name}.md").read_text(encoding="utf-8")
    found = re.findall(r"^```\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    return [block for block in found if block.lstrip().startswith((">", "("))]


def steps(block: str) -> list[tuple[str, list[str]]]:
    """(sent line, answered lines) of a dialogue; remarks in brackets are sent lines too."""
    found: list[tuple[str, list[str]]] = []
    for line in block.splitlines():
        if line.startswith("< "):
            found[-1][1].append(line[2:])
        else:
            found.append((line.removeprefix("> "), []))
    return found


@dataclass
class Player:
    """Sends lines and collects answers, on a virtual clock.

    Args:
        polls: lines that may be repeated until they answer as told.
        measured: lines whose numbers are compared to within `near`.
        bytewise: send byte by byte.
    """

    instrument: Instrument
    clock: VirtualClock
    polls: tuple[str, ...] = ()
    measured: tuple[str, ...] = ()
    bytewise: bool = False
    near: Callable[[str, str], bool] = lambda found, told: found == told

    def ask(self, line: str) -> list[str]:
        """The answered lines, everything that comes within 200 ms."""
        end = self.instrument.end
        data = line.encode("ascii") + end
        for chunk in [bytes([b]) for b in data] if self.bytewise else [data]:
            self.instrument.feed(chunk)
        answer = b""
        while (due_s := self.instrument.next_due()) is not None:
            self.clock.advance(max(0.0, due_s - self.clock.monotonic()))
            answer += self.instrument.take()
        assert not answer or answer.endswith(end)
        return [part.decode("ascii") for part in answer.split(end)[:-1]]

    def play(self, block: str) -> None:
        """Check a whole dialogue."""
        for sent, told in steps(block):
            self.check(sent, told)

    def check(self, sent: str, told: list[str]) -> None:
        """Check one exchange; a poll is repeated for up to 20 s of the bench's time."""
        answer = self.ask(sent)
        for _ in range(2000):
            if answer == told or sent not in self.polls:
                break
            self.clock.advance(0.01)
            answer = self.ask(sent)
        if sent in self.measured:
            assert len(answer) == len(told), sent
            assert all(map(self.near, answer, told)), f"{sent}: {answer} for {told}"
        else:
            assert answer == told, sent


def nearly(found: str, told: str) -> bool:
    """Same fields; numbers in exponent form within 2 % or 2.0, the rest byte for byte."""
    ours, theirs = found.split(","), told.split(",")
    return len(ours) == len(theirs) and all(map(_field_near, ours, theirs))


def _field_near(found: str, told: str) -> bool:
    if found == told:
        return True
    if not (_NUMBER.fullmatch(found) and _NUMBER.fullmatch(told)):
        return False
    return float(found) == pytest.approx(float(told), rel=0.02, abs=1e-5)


def unit_between(a: str, b: str, **values: str) -> str:
    """A unit of one part."""
    inside = "".join(f", {key}: {value}" for key, value in values.items())
    return f"parts: [{{between: [{a}, {b}]{inside}}}]"


def load(bench: Bench, text: str) -> None:
    bench.load_unit(parse_unit(text))
