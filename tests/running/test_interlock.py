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
