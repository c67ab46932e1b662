"""The interlock as seen here: silence and age read as open."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from orchestrator.contract import Sample
from orchestrator.running.interlock import Interlock


def test_an_input_never_read_is_open() -> None:
    """Silence is an open interlock."""
    assert "has not been read" in (Interlock({"guard": 0.5}).problem(0.0) or "")


def test_a_fresh_closed_input_is_closed_until_it_is_stale() -> None:
    """At the stale time it still counts, a moment later no more."""
    interlock = Interlock({"guard": 0.5})
    interlock.note("guard", Sample(True, 10.0))
    assert interlock.problem(10.5) is None
    assert "stale" in (interlock.problem(10.501) or "")


def test_one_open_input_of_several_opens_the_interlock() -> None:
    """Every input counts."""
    interlock = Interlock({"guard": 0.5, "mat": 0.5})
    interlock.note("guard", Sample(True, 1.0))
    interlock.note("mat", Sample(False, 1.0, "somebody on it"))
    assert "'mat' is open (somebody on it)" in (interlock.problem(1.0) or "")


@given(
    samples=st.lists(
        st.tuples(st.sampled_from("abc"), st.booleans(), st.floats(0, 10)), max_size=20
    ),
    now_s=st.floats(10, 12),
)
def test_it_is_closed_only_if_every_input_was_last_seen_closed_in_time(
    samples: list[tuple[str, bool, float]], now_s: float
) -> None:
    """Written out a second way."""
    interlock = Interlock(dict.fromkeys("abc", 1.0))
    last: dict[str, tuple[bool, float]] = {}
    for name, closed, at_s in samples:
        interlock.note(name, Sample(closed, at_s))
        last[name] = (closed, at_s)
    wanted = len(last) == 3 and all(closed and now_s - at <= 1.0 for closed, at in last.values())
    assert (interlock.problem(now_s) is None) is wanted


def test_a_new_state_counts_once_it_has_lasted_the_debounce_time() -> None:
    """A contact that bounces is neither open nor closed at once."""
    interlock = Interlock({"guard": 0.5}, {"guard": 0.02})
    for at_s in (1.0, 1.01):
        interlock.note("guard", Sample(True, at_s))
        assert interlock.problem(at_s) is not None
    interlock.note("guard", Sample(True, 1.02))
    assert interlock.problem(1.02) is None
    interlock.note("guard", Sample(False, 1.03))
    assert interlock.problem(1.03) is None
    interlock.note("guard", Sample(True, 1.04))
    interlock.note("guard", Sample(False, 1.05))
    interlock.note("guard", Sample(False, 1.06))
    assert interlock.problem(1.06) is None
    interlock.note("guard", Sample(False, 1.07))
    assert "open" in (interlock.problem(1.07) or "")


def test_the_debounce_keeps_no_old_sample_fresh() -> None:
    """Reads that repeat an old time neither last nor stay fresh."""
    interlock = Interlock({"guard": 0.1}, {"guard": 0.02})
    interlock.note("guard", Sample(True, 1.0))
    interlock.note("guard", Sample(True, 1.02))
    for _ in range(5):
        interlock.note("guard", Sample(True, 1.02))
    assert "stale" in (interlock.problem(1.13) or "")


@given(
    levels=st.lists(st.booleans(), min_size=1, max_size=40),
    debounce=st.sampled_from([0.0, 0.01, 0.03]),
)
def test_an_opening_is_noticed_within_the_debounce_time(
    levels: list[bool], debounce: float
) -> None:
    """Whatever went before: open for longer than the debounce time is open."""
    interlock = Interlock({"guard": 1.0}, {"guard": debounce})
    at_s = 0.0
    for closed in levels:
        at_s += 0.01
        interlock.note("guard", Sample(closed, at_s))
    for _ in range(5):
        at_s += 0.01
        interlock.note("guard", Sample(False, at_s))
    assert interlock.problem(at_s) is not None
