"""The phases of a run as one table; a pair that is absent is an error."""

from __future__ import annotations

from enum import StrEnum


class Phase(StrEnum):
    """Where a run stands."""

    TAKE_OVER = "take_over"  # stop, confirm off and discharged, read relays, open them
    READY = "ready"  # off, discharged, relays open; nothing pending
    ROUTING = "routing"  # relays move, output confirmed off
    SETTING_UP = "setting_up"  # the tester takes the set-up
    JOURNALING = "journaling"  # the step is being made durable; nothing is energised
    ENERGISED = "energised"  # from just before the start command until confirmed off
    CONFIRMING = "confirming"  # ended or stopped; off and discharged being confirmed
    JUDGING = "judging"  # off and discharged; results read and judged
    SAFE_OFF = "safe_off"  # stopping everything, then opening the relays
    SAFE = "safe"  # off, discharged, relays open
    KEPT = "kept"  # not confirmed: relays left as they are, a person is needed


_ABORT = frozenset({Phase.SAFE_OFF})
TRANSITIONS: dict[Phase, frozenset[Phase]] = {
    Phase.TAKE_OVER: frozenset({Phase.READY}) | _ABORT,
    Phase.READY: frozenset({Phase.ROUTING, Phase.SETTING_UP}) | _ABORT,
    Phase.ROUTING: frozenset({Phase.SETTING_UP}) | _ABORT,
    Phase.SETTING_UP: frozenset({Phase.JOURNALING}) | _ABORT,
    Phase.JOURNALING: frozenset({Phase.ENERGISED}) | _ABORT,
    Phase.ENERGISED: frozenset({Phase.CONFIRMING}) | _ABORT,
    Phase.CONFIRMING: frozenset({Phase.JUDGING}) | _ABORT,
    Phase.JUDGING: frozenset({Phase.ROUTING, Phase.SETTING_UP, Phase.READY}) | _ABORT,
    Phase.SAFE_OFF: frozenset({Phase.SAFE, Phase.KEPT}),
    Phase.SAFE: frozenset({Phase.READY, Phase.TAKE_OVER}),
    Phase.KEPT: frozenset({Phase.TAKE_OVER}),
}

WATCHED = frozenset({Phase.ENERGISED, Phase.CONFIRMING})
"""Phases in which an open or stale interlock input is a trip."""


class PhaseError(RuntimeError):
    """A move that the table doesn't hold: a fault of this program."""


def move(now: Phase, then: Phase) -> Phase:
    """``then``, if the table allows it. Raises PhaseError."""
    if then not in TRANSITIONS[now]:
        raise PhaseError(f"no way from {now} to {then}")
    return then
