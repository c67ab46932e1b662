"""Orders to outputs: they lapse, a drop is owed until confirmed, a new connection forgets."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from drivers.io.orders import LAPSE_S, Orders

Events = st.lists(
    st.tuples(st.sampled_from(["on", "off", "drop", "write", "forget"]), st.floats(0.001, 0.08)),
    max_size=40,
)


@given(events=Events)
def test_an_output_is_on_only_while_every_reason_stands(events: list[tuple[str, float]]) -> None:
    """Ordered on last, not longer ago than the lapse, not before a drop or a new connection."""
    orders = Orders(1)
    now_s, on_s, blocked = 0.0, None, False
    for what, pause_s in events:
        now_s += pause_s
        match what:
            case "on":
                orders.refresh(0, True, now_s)
                on_s = now_s
            case "off":
                orders.refresh(0, False, now_s)
                on_s = None
            case "drop":
                orders.drop(0)
                on_s, blocked = None, True
            case "write":
                _, drops = orders.wanted(now_s)
                orders.confirmed(drops)
                blocked = False
            case "forget":
                orders.forget(now_s)
                on_s = None
        expected = on_s is not None and not blocked and now_s - on_s <= LAPSE_S
        assert orders.wanted(now_s)[0] == (expected,)


def test_an_on_right_after_a_drop_can_not_overtake_the_off() -> None:
    """The off goes out first, whatever was ordered before the thread woke."""
    orders = Orders(2)
    orders.refresh(0, True, 1.0)
    orders.drop(0)
    orders.refresh(0, True, 1.001)
    levels, drops = orders.wanted(1.002)
    assert levels == (False, False)
    orders.confirmed(drops)
    assert orders.wanted(1.003)[0] == (True, False)


def test_a_write_that_began_before_a_drop_does_not_confirm_it() -> None:
    """An on in flight while the drop came is not the off that is owed."""
    orders = Orders(1)
    orders.refresh(0, True, 1.0)
    levels, drops = orders.wanted(1.001)
    orders.drop(0)
    orders.refresh(0, True, 1.002)
    orders.confirmed(drops)
    assert levels == (True,)
    assert orders.wanted(1.003)[0] == (False,)
