"""Faults on the way between controller and instrument, for tests.

Electrical faults (a discharge that hangs, a level not reached, a welded contact) belong to the
physical models: see `output.OutputFaults` and `relays.RelayUnit`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

Answers = tuple[tuple[float, bytes], ...]
"""What the instrument would send: (seconds from now, bytes), in order."""

Change = Callable[[bytes, Answers], Answers]
"""Gets the message and the answers it would have; returns the answers to send instead."""


def silent(_message: bytes, _answers: Answers) -> Answers:
    """Stay silent, though the message was carried out."""
    return ()


def late(by_s: float) -> Change:
    """Answer, but so much later."""
    return lambda _, answers: tuple((after_s + by_s, data) for after_s, data in answers)


def half(rest_after_s: float) -> Change:
    """Send the first half of the answer, and the rest so much later."""

    def change(_message: bytes, answers: Answers) -> Answers:
        whole = b"".join(data for _, data in answers)
        if not answers:
            return answers
        start_s, middle = answers[0][0], len(whole) // 2
        return ((start_s, whole[:middle]), (start_s + rest_after_s, whole[middle:]))

    return change


def answer_with(data: bytes, after_s: float = 0.005) -> Change:
    """Send this instead: garbage, a refusal, another unit's answer."""
    return lambda _message, _answers: ((after_s, data),)


@dataclass
class _Rule:
    change: Change
    matches: Callable[[bytes], bool]
    skip: int
    times: int | None


@dataclass
class FaultPlan:
    """What goes wrong, and with which incoming message.

    Attributes:
        mute: carries out everything, answers nothing.
        deaf: doesn't even hear.
        unplugged: a link that is closed or lost can't be opened again.
        seen: the last messages that arrived, in order.
    """

    mute: bool = False
    deaf: bool = False
    unplugged: bool = False
    seen: deque[bytes] = field(default_factory=lambda: deque(maxlen=10_000))
    _rules: list[_Rule] = field(default_factory=list)
    _previous: Answers = ()
    _link_drops: list[_Rule] = field(default_factory=list)
    _instead: list[tuple[_Rule, Callable[[], None]]] = field(default_factory=list)

    def on(
        self,
        change: Change,
        *,
        message: bytes | None = None,
        skip: int = 0,
        times: int | None = 1,
    ) -> None:
        """Let a fault befall messages that begin with `message` (any, where None).

        Args:
            change: the fault.
            message: first bytes of the messages meant.
            skip: how many of them go well before.
            times: how many it befalls; None for all from then on.
        """
        self._rules.append(_rule(change, message, skip, times))

    def repeat_previous(self, *, message: bytes | None = None, skip: int = 0) -> None:
        """Give the previous message's answer once more."""
        self.on(lambda _message, _answers: self._previous, message=message, skip=skip)

    def drop_link(self, *, message: bytes | None = None, skip: int = 0) -> None:
        """Lose the link when such a message arrives (it is still carried out)."""
        self._link_drops.append(_rule(silent, message, skip, 1))

    def do(
        self, action: Callable[[], None], *, message: bytes | None = None, skip: int = 0
    ) -> None:
        """Have something happen just before such a message is worked off: a power cycle, say."""
        self._instead.append((_rule(silent, message, skip, 1), action))

    def before(self, message: bytes) -> bool:
        """Told by the instrument; False when the message isn't heard."""
        self.seen.append(message)
        for rule, action in self._instead:
            if _befalls(rule, message):
                action()
        return not self.deaf

    def after(self, message: bytes, answers: Answers) -> Answers:
        """What is sent in place of `answers`."""
        before = answers
        for rule in self._rules:
            if _befalls(rule, message):
                answers = rule.change(message, answers)
        if before:
            self._previous = before
        return () if self.mute else answers

    def drops_link(self, message: bytes) -> bool:
        """Whether the link goes with this message."""
        hits = [_befalls(rule, message) for rule in self._link_drops]  # every rule counts on
        return any(hits)

    def clear(self) -> None:
        """All well again."""
        self.mute = self.deaf = self.unplugged = False
        self._rules.clear()
        self._link_drops.clear()
        self._instead.clear()


def _rule(change: Change, message: bytes | None, skip: int, times: int | None) -> _Rule:
    wanted = b"" if message is None else message
    return _Rule(change, lambda found: found.startswith(wanted), skip, times)


def _befalls(rule: _Rule, message: bytes) -> bool:
    if not rule.matches(message) or rule.times == 0:
        return False
    if rule.skip > 0:
        rule.skip -= 1
        return False
    if rule.times is not None:
        rule.times -= 1
    return True
