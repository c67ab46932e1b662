"""Trials of other dialects than the shipped ones: instruments written from the reference page.

They answer by hand-written rules, not by the profile, so that both can't err alike.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.language.trying_items import Item
from drivers.language.trying_start import make_trial, run_trial
from orchestrator.assembly.bring_up import load_profile
from orchestrator.assembly.bring_up_line import TrialLine
from orchestrator.clock import VirtualClock

PAGE = (Path(__file__).parents[3] / "profiles" / "REFERENCE.md").read_text("utf-8")


class Answering:
    """A link whose far end answers each line by a rule."""

    name = "on trial"

    def __init__(self, clock: VirtualClock, rule: Callable[[bytes], bytes], end: bytes) -> None:
        self._clock, self._rule, self._end = clock, rule, end
        self._inbox, self._outbox = b"", b""
        self.lines: list[bytes] = []

    def send(self, data: bytes) -> None:
        self._inbox += data
        while self._end in self._inbox:
            line, _, self._inbox = self._inbox.partition(self._end)
            self.lines.append(line)
            self._outbox += self._rule(line)

    def receive(self, within_s: float) -> bytes:
        if not self._outbox:
            self._clock.sleep(max(within_s, 1e-3))
            return b""
        data, self._outbox = self._outbox, b""
        return data

    def reopen(self) -> None:
        self._inbox = self._outbox = b""

    def close(self) -> None:
        """Nothing is held."""


class Sill:
    """Family (b): echo, data, '.'; numbers of fixed width (Ardlow Sill of the page)."""

    def __init__(self) -> None:
        self.set = {"L": "000", "D": "000", "A": "00000", "U": "00000"}
        self.remote = False

    def __call__(self, line: bytes) -> bytes:
        text = line.decode()
        if text in {"", "H"}:
            return b"H\r.\r" if text else b""
        if text[0] in self.set and len(text) > 1:
            self.set[text[0]] = text[1:]
        self.remote = self.remote or text == "M1"
        data = {
            "I": "SILL SIM-44 2.0",
            "M?": "R" if self.remote else "L",
            "T": "0",
            "S": "".join(self.set.values()),
            "Y": "1",
        }.get(text)
        if text == "R":
            return f"{text}\rX05\r".encode()
        shown = f"{data}\r" if data is not None else ""
        return f"{text}\r{shown}.\r".encode()


class Lark:
    """Family (e): prompt, events, no state (Tansworth Lark of the page)."""

    def __init__(self) -> None:
        self.stored = ""

    def __call__(self, line: bytes) -> bytes:
        text = line.decode()
        if text == "CUT":
            return b": *SAFE\r\n"
        if text.startswith("SET "):
            self.stored = text
            return b": "
        told = {"WHO": "Tansworth Lark SIM-5", "SHOW": self.stored}.get(text)
        return f"{told}\r\n: ".encode() if told is not None else b"WHAT 1\r\n: "


def example(letter: str, folder: Path, *changes: tuple[str, str]) -> Path:
    block = re.search(rf"```yaml\n# example {letter}\n(.*?)```", PAGE, re.DOTALL)
    assert block is not None
    text = block[1]
    for right, wrong in changes:
        assert right in text
        text = text.replace(right, wrong)
    path = folder / f"{letter}.yaml"
    path.write_text(text, "utf-8")
    return path


def tried(
    profile: Path, rule: Callable[[bytes], bytes], end: bytes
) -> tuple[list[Item], Answering]:
    clock = VirtualClock()
    link = Answering(clock, rule, end)
    line = TrialLine(link, clock)
    trial = make_trial(load_profile(profile), line, lambda _: None)
    ended = run_trial(trial, lambda *_: True)
    assert ended == ""
    return trial.items, link


FAMILIES: dict[str, tuple[Callable[[], Callable[[bytes], bytes]], bytes]] = {
    "b": (Sill, b"\r"),
    "e": (Lark, b"\r"),
}


@pytest.mark.parametrize("letter", FAMILIES)
def test_a_right_profile_has_no_failure(letter: str, tmp_path: Path) -> None:
    """Echo and acknowledge, prompt and events: off is confirmed, everything is read back."""
    rule, end = FAMILIES[letter]
    items, link = tried(example(letter, tmp_path), rule(), end)
    assert [(i.what, i.told) for i in items if i.outcome == "failed"] == []
    assert items[0].what == "stop, then off"
    assert b"G" not in link.lines
    assert b"GO" not in link.lines


@pytest.mark.parametrize(
    ("letter", "change", "told"),
    [
        ("b", ("'L{level:10V d3}'", "'L{level:1V d3}'"), "read is 10 times what was sent"),
        ("b", ("acknowledge: '.'", "acknowledge: '!'"), "'.'"),
        ("b", ("echo: yes", "echo: no"), "fits nothing that may follow"),
        (
            "e",
            ("reply: 'SET {level:V d} {dwell:s d}", "reply: 'SET {dwell:s d} {level:V d}"),
            "dwell and level are changed over",
        ),
    ],
)
def test_a_planted_mistake_is_named(
    letter: str, change: tuple[str, str], told: str, tmp_path: Path
) -> None:
    """Or the trial ends where the output can't be confirmed off, with the reason told."""
    rule, end = FAMILIES[letter]
    clock = VirtualClock()
    line = TrialLine(Answering(clock, rule(), end), clock)
    trial = make_trial(load_profile(example(letter, tmp_path, change)), line, lambda _: None)
    run_trial(trial, lambda *_: True)
    sentences = [s for i in trial.items if i.outcome == "failed" for s in i.told]
    assert any(told in sentence for sentence in sentences), sentences
