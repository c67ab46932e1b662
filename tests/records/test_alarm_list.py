"""The list of alarms: numbers that stay for good, and words that say what to do."""

from __future__ import annotations

import pytest

from orchestrator.model.alarms import AlarmKind

# Labels at stations, drawings and other programs hold these numbers: add to them, change none.
NUMBERS = {
    1: "INTERLOCK_OPENED",
    2: "UNCONFIRMED",
    3: "TRIP_LATCHED",
    4: "UNORDERED_OUTPUT",
    5: "PROTECTIONS_LOST",
    6: "LINK_LOST",
    7: "RELAYS_DIFFER",
    8: "EMERGENCY_STOP",
    9: "ENABLE_UNSURE",
    10: "INTERNAL_FAULT",
    11: "OVERTIME",
    12: "INSTRUMENT_FAULT",
}


def test_numbers_are_kept_for_good() -> None:
    """A number never gets another meaning, and none is left out."""
    assert {kind.value: kind.name for kind in AlarmKind} == NUMBERS


@pytest.mark.parametrize("kind", AlarmKind)
def test_each_alarm_has_a_title_and_says_what_to_do(kind: AlarmKind) -> None:
    """A short title without a full stop; a remedy that ends in the person's reset."""
    assert 0 < len(kind.title) <= 70
    assert kind.title[-1] not in ".!"
    assert kind.remedy.endswith(", then reset")


def test_no_two_alarms_share_a_title() -> None:
    """Somebody on the telephone can tell them apart."""
    assert len({kind.title for kind in AlarmKind}) == len(AlarmKind)
