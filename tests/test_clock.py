"""Clocks: time is handed in, and a virtual hour takes no time."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.clock import Clock, SystemClock, VirtualClock


@pytest.mark.parametrize("clock", [SystemClock(), VirtualClock()])
def test_every_clock_sleeps_at_least_as_long_as_asked(clock: Clock) -> None:
    """After a sleep both readings have moved on; UTC is aware."""
    before = clock.monotonic()
    clock.sleep(0.002)
    assert clock.monotonic() - before >= 0.002
    assert clock.utc().utcoffset() == timedelta(0)


@pytest.mark.parametrize("clock", [SystemClock(), VirtualClock()])
@pytest.mark.parametrize("seconds", [0.0, -1.0])
def test_sleeping_for_nothing_returns_at_once(clock: Clock, seconds: float) -> None:
    """A deadline already past is no error and no wait."""
    before = clock.monotonic()
    clock.sleep(seconds)
    assert clock.monotonic() - before < 0.5


def test_the_system_clock_agrees_with_the_computers() -> None:
    """UTC is the computer's own, to the second."""
    assert abs(SystemClock().utc().timestamp() - time.time()) < 1.0  # noqa: TID251 - the check


def test_a_virtual_hour_passes_at_once() -> None:
    """Dwell of an hour costs a test nothing."""
    clock = VirtualClock(datetime(2026, 3, 1, 12, tzinfo=UTC))
    clock.sleep(3600)
    assert clock.utc() == datetime(2026, 3, 1, 13, tzinfo=UTC)


def test_virtual_time_stands_still_by_itself() -> None:
    """Two readings without an advance are equal."""
    clock = VirtualClock()
    assert clock.monotonic() == clock.monotonic()
    assert clock.utc() == clock.utc()


def test_listeners_hear_each_advance_in_order_of_registration() -> None:
    """Simulated instruments move on with the time, the same way every run."""
    clock, heard = VirtualClock(), list[tuple[str, float]]()
    clock.on_advance(lambda now_s: heard.append(("first", now_s)))
    clock.on_advance(lambda now_s: heard.append(("second", now_s)))
    clock.advance(1.5)
    clock.sleep(0.5)
    assert heard == [("first", 1.5), ("second", 1.5), ("first", 2.0), ("second", 2.0)]


def test_a_listener_may_read_the_clock_but_not_advance_it() -> None:
    """Time moving within its own movement would have no order."""
    clock, heard = VirtualClock(), list[float]()

    def listener(_now_s: float) -> None:
        heard.append(clock.monotonic())
        clock.advance(1)

    clock.on_advance(listener)
    with pytest.raises(RuntimeError, match="listener"):
        clock.advance(1)
    assert heard == [1.0]


def test_another_thread_may_read_while_a_listener_runs() -> None:
    """No lock is held while listeners run, so none of them can block the readers."""
    clock, read = VirtualClock(), list[float]()

    def listener(_now_s: float) -> None:
        reader = threading.Thread(target=lambda: read.append(clock.monotonic()), daemon=True)
        reader.start()
        reader.join(timeout=5)

    clock.on_advance(listener)
    clock.advance(2)
    assert read == [2.0]


@pytest.mark.parametrize("seconds", [-0.001, float("nan"), float("inf")])
def test_time_does_not_run_backwards(seconds: float) -> None:
    """A negative or meaningless advance is refused and changes nothing."""
    clock = VirtualClock()
    with pytest.raises(ValueError, match="forwards"):
        clock.advance(seconds)
    assert clock.monotonic() == 0


def test_the_start_needs_a_time_zone() -> None:
    """A date without zone would be read differently on each computer."""
    with pytest.raises(ValueError, match="time zone"):
        VirtualClock(datetime(2026, 1, 1))  # noqa: DTZ001 - the mistake under test
    east = VirtualClock(datetime(2026, 1, 1, 1, tzinfo=timezone(timedelta(hours=1))))
    assert east.utc() == datetime(2026, 1, 1, tzinfo=UTC)


@given(st.lists(st.floats(0, 1e6)))
def test_the_same_advances_give_the_same_time(steps: list[float]) -> None:
    """Deterministic: time is the sum of what was advanced, never less than before."""
    one, two = VirtualClock(), VirtualClock()
    for step in steps:
        before = one.monotonic()
        one.advance(step)
        two.sleep(step)
        assert one.monotonic() >= before
    assert one.monotonic() == two.monotonic()
