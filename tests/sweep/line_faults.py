"""The ways in which one exchange fails, each befalling message number N of one instrument.

Indices count from 0 over all that the instrument is sent. Late answers come just behind the
deadline (all are 100 to 500 ms) and long after it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from drivers.simulators.base import Instrument
from drivers.simulators.faults import Answers, answer_with, half, late, silent
from tests.sweep.refusals import refuse_next

GARBAGE = b"\x11~%=0\n\r"
NEVER_S = 1e9
AGAIN_AFTER_S = 0.02


class LineFault(NamedTuple):
    """A fault.

    ``mute``: nothing is heard of the instrument from then on; ``gone``: nor can it be told
    anything. ``without_power``: its contacts open, whatever is on them.
    """

    strike: Callable[[Instrument, int], None]
    mute: bool = False
    gone: bool = False
    without_power: bool = False


def _not_heard(instrument: Instrument, number: int) -> None:
    """The bytes never arrive: not even what acts on arrival acts."""
    left, feed = [number], instrument.feed

    def feed_but_one(data: bytes) -> None:
        left[0] -= 1
        if left[0] != -1:
            feed(data)

    vars(instrument)["feed"] = feed_but_one


def _first_half(_message: bytes, answers: Answers) -> Answers:
    return half(NEVER_S)(_message, answers)[:1]


class _Old:
    """Remembers each message's answer and gives it again when the same one is sent at N."""

    def __init__(self, number: int) -> None:
        self._left = number
        self._known: dict[bytes, Answers] = {}

    def __call__(self, message: bytes, answers: Answers) -> Answers:
        old = self._known.get(message, answers)
        self._known[message] = answers
        self._left -= 1
        return old if self._left == -1 else answers


def _twice(_message: bytes, answers: Answers) -> Answers:
    """Once more behind itself: whoever then takes the next line takes an old one."""
    last_s = answers[-1][0] if answers else 0.0
    return answers + tuple((last_s + AGAIN_AFTER_S, data) for _, data in answers)


def _pull_out(instrument: Instrument) -> None:
    instrument.faults.unplugged = True
    instrument.faults.drop_link()


def _befalls(change: Any) -> LineFault:
    return LineFault(lambda i, n: i.faults.on(change, skip=n))


FAULTS: Mapping[str, LineFault] = {
    "command not arrived": LineFault(_not_heard),
    "done, reply lost": _befalls(silent),
    "half reply": _befalls(_first_half),
    "half, rest late": _befalls(half(0.3)),
    "late": _befalls(late(0.27)),
    "very late": _befalls(late(0.9)),
    "garbage": _befalls(answer_with(GARBAGE)),
    "refusal": LineFault(lambda i, n: i.faults.do(lambda: refuse_next(i), skip=n)),
    "old reply: same query": LineFault(lambda i, n: i.faults.on(_Old(n), times=None)),
    "old reply: the last one": LineFault(lambda i, n: i.faults.repeat_previous(skip=n)),
    "reply twice": _befalls(_twice),
    "link drop": LineFault(lambda i, n: i.faults.drop_link(skip=n)),
    "link lost for good": LineFault(
        lambda i, n: i.faults.do(lambda: _pull_out(i), skip=n), mute=True, gone=True
    ),
    "silent from then on": LineFault(
        lambda i, n: i.faults.on(silent, skip=n, times=None), mute=True
    ),
    "no power for a moment": LineFault(
        lambda i, n: i.faults.do(i.power_cycle, skip=n), without_power=True
    ),
}
