"""Set-points on the wire: levels never below what is asked, limits never looser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.contract import CannotCarry
from orchestrator.errors import Refused
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    TESTER,
    Bench,
    Data,
    PaperTester,
    changed,
    kind_with,
    span,
)

D = Decimal


def with_grid(step: Data, level_step: str = "10", limit_step: str = "0.00001") -> Bench:
    bench = Bench().steps(BOND, CONTACT, step)
    bench.testers["t1"] = PaperTester(level_step=D(level_step), limit_step=D(limit_step))
    return bench


def test_a_level_off_the_grid_goes_up_and_says_so() -> None:
    """Definitions: to the smallest value the wire can carry at or above what was asked."""
    step = with_grid(changed(HIPOT, level="1525 V")).bind().steps[2]
    assert (step.asked.level, step.order.level) == (D(1525), D(1530))
    assert (
        "The wire carries level 1.53 kV for 1.525 kV asked: rounded up [profile]." in step.reasons
    )


# asked, grid, ceiling (None: 3 %), bound level or None: refused
CEILINGS = [
    ("1000 V", "10", None, 1000),
    ("1001 V", "30", None, 1020),
    ("1001 V", "31", None, 1023),
    ("1000 V", "103", None, 1030),  # exactly 3 % above
    ("1000 V", "1031", None, None),
    ("1001 V", "10", "1005 V", None),
    ("1001 V", "10", "1010 V", 1010),
    ("1001 V", "200", "1200 V", 1200),
]


@pytest.mark.parametrize(("level", "grid", "ceiling", "bound"), CEILINGS)
def test_a_level_above_the_ceiling_is_refused(
    level: str, grid: str, ceiling: str | None, bound: int | None
) -> None:
    """Definitions: refused above the step's level_ceiling (default 3 % above level)."""
    bench = with_grid(changed(HIPOT, level=level, level_ceiling=ceiling), grid)
    if bound is not None:
        assert bench.bind().steps[2].order.level == bound
    else:
        assert "(level_ceiling)" in bench.only_fault().expected


def test_a_ceiling_below_the_level_is_refused() -> None:
    """A slip, and named as such."""
    bench = Bench().steps(BOND, CONTACT, changed(HIPOT, level_ceiling="1400 V"))
    assert any("level_ceiling, found 1.4 kV" in str(fault) for fault in bench.faults())


def test_limits_off_the_grid_tighten_and_say_so() -> None:
    """10.049 mA at most becomes 10.04, 1.001 mA at least becomes 1.01 (`profiles.md`)."""
    accept = {"total_current": {"at_least": "1.001 mA", "at_most": "10.049 mA"}}
    step = with_grid(changed(HIPOT, accept=accept)).bind().steps[2]
    assert step.order.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST) == D("0.01004")
    assert step.order.limit(Measured.TOTAL_CURRENT, Edge.AT_LEAST) == D("0.00101")
    assert any(
        "total_current at_most 10.04 mA for 10.049 mA asked" in reason for reason in step.reasons
    )


def test_limits_that_cross_on_the_wire_are_refused() -> None:
    """Tightened past each other, nothing could pass."""
    accept = {"total_current": {"at_least": "1.01 mA", "at_most": "1.09 mA"}}
    fault = with_grid(changed(HIPOT, accept=accept), limit_step="0.0005").only_fault()
    assert "at_least 1.5 mA, at_most 1 mA" in fault.found


def test_an_upper_limit_that_rounds_to_nothing_is_refused() -> None:
    """0 on the wire means 'off' on many testers."""
    accept = {"total_current": {"at_most": "0.9 mA"}}
    fault = with_grid(changed(HIPOT, accept=accept), limit_step="0.001").only_fault()
    assert "found 0 A on the wire" in str(fault)


def lower_level(order: StepOrder) -> StepOrder:
    return replace(order, level=order.level - 1)


def loosen(order: StepOrder) -> StepOrder:
    return replace(order, limits=tuple(replace(x, value=x.value * 2) for x in order.limits))


def drop(order: StepOrder) -> StepOrder:
    return replace(order, limits=())


def swap(order: StepOrder) -> StepOrder:
    limits = tuple(LimitOrder(Measured.IN_PHASE_CURRENT, x.edge, x.value) for x in order.limits)
    return replace(order, limits=limits)


def shorten(order: StepOrder) -> StepOrder:
    return replace(order, dwell=order.dwell - D("0.1"))


def endless(order: StepOrder) -> StepOrder:
    return replace(order, dwell=D(999))


def other_frequency(order: StepOrder) -> StepOrder:
    return replace(order, frequency=D(60))


def no_rise_limits(order: StepOrder) -> StepOrder:
    return replace(order, limits_during_rise=not order.limits_during_rise)


LIES: list[tuple[Callable[[StepOrder], StepOrder], str]] = [
    (lower_level, "never below what was asked"),
    (loosen, "or tighter"),
    (drop, "the limits asked"),
    (swap, "the limits asked"),
    (shorten, "never shorter than asked"),
    (endless, "a time with an end"),
    (other_frequency, "as asked"),
    (no_rise_limits, "as asked"),
]


@pytest.mark.parametrize(("lie", "part"), LIES)
def test_a_driver_that_rounds_the_wrong_way_is_not_trusted(
    lie: Callable[[StepOrder], StepOrder], part: str
) -> None:
    """Each safety rule stands at binding of its own, whatever the driver answers."""

    def spoil(order: StepOrder) -> StepOrder:
        return lie(order) if order.kind is StepKind.WITHSTAND_AC else order

    bench = Bench()
    abilities = kind_with(StepKind.WITHSTAND_AC, indefinite_dwell_s=D(999))
    bench.testers["t1"] = PaperTester(abilities, spoil=spoil)
    assert part in str(bench.only_fault())


def test_what_the_wire_cannot_carry_is_refused_at_its_place() -> None:
    """CannotCarry becomes a fault with the driver's words and the field's line."""

    def spoil(order: StepOrder) -> StepOrder:
        if order.kind is not StepKind.WITHSTAND_AC:
            return order
        raise CannotCarry("level", "12345 V", "four digits", "lower the level")

    bench = Bench()
    bench.testers["t1"] = PaperTester(TESTER, spoil=spoil)
    fault = bench.only_fault()
    assert (fault.found, fault.remedy) == ("12345 V", "lower the level")
    assert fault.position is not None
    assert fault.position.line > 0


def test_a_level_rounded_up_beyond_the_testers_range_is_refused() -> None:
    """At the end of the range there is no room to round up."""
    bench = with_grid(changed(HIPOT, level="1999 V"), "10")
    abilities = kind_with(StepKind.WITHSTAND_AC, level=span("100", "1999"))
    bench.testers["t1"] = PaperTester(abilities, level_step=D(10))
    assert "at most 1.999 kV" in str(bench.only_fault())


@given(
    level=st.integers(1000, 50_000),
    grid=st.integers(1, 20_000),
    ceiling=st.one_of(st.none(), st.integers(1000, 50_000)),
    at_most=st.integers(1, 39_000),
    at_least=st.integers(1, 39_000),
    limit_grid=st.integers(1, 5000),
)
def test_bound_levels_and_limits_never_loosen(
    level: int, grid: int, ceiling: int | None, at_most: int, at_least: int, limit_grid: int
) -> None:
    """For any level and grid: asked ≤ bound ≤ ceiling, limits as tight or tighter, or refused."""
    low, high = sorted((at_most, at_least))
    accept = {"total_current": {"at_least": f"{low} uA", "at_most": f"{high} uA"}}
    step = changed(HIPOT, level=f"{D(level) / 10} V", accept=accept)
    if ceiling is not None:
        step["level_ceiling"] = f"{D(ceiling) / 10} V"
    bench = with_grid(step, str(D(grid) / 10), str(D(limit_grid) / 1_000_000))
    try:
        bound = bench.bind().steps[2].order
    except Refused:
        return
    most = D(level) / 10 * D("1.03") if ceiling is None else D(ceiling) / 10
    assert D(level) / 10 <= bound.level <= most
    upper = bound.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)
    lower = bound.limit(Measured.TOTAL_CURRENT, Edge.AT_LEAST)
    assert upper is not None
    assert lower is not None
    assert D(low) / 1_000_000 <= lower <= upper <= D(high) / 1_000_000


@pytest.mark.parametrize("judged", ["throughout", "at_end"])
def test_a_settle_time_that_the_wire_loses_is_refused_where_limits_act_from_the_start(
    judged: str,
) -> None:
    """Judged at the end, the dwell itself is the settle time; judged throughout, it is lost."""
    bench = with_grid(changed(HIPOT, settle="1 s"))
    abilities = kind_with(StepKind.WITHSTAND_AC, judged=judged)
    bench.testers["t1"] = PaperTester(
        abilities=abilities, spoil=lambda order: replace(order, settle=None)
    )
    if judged == "at_end":
        assert bench.bind().steps[2].order.settle == D(1)
        return
    with pytest.raises(Refused, match="settle on t1"):
        bench.bind()
