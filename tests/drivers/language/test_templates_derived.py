"""Derived fields: a closed list, computed from the order."""

from __future__ import annotations

from decimal import Decimal

import pytest

from drivers.language.derived import order_values
from drivers.language.fields import FIELDS
from drivers.language.values import Ambiguous
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

D = Decimal


def _order(kind: StepKind, level: D, *limits: LimitOrder) -> StepOrder:
    wave = Waveform.AC if kind in (StepKind.WITHSTAND_AC, StepKind.BONDING) else Waveform.DC
    return StepOrder(kind, level, wave, D(2), D("0.5"), None, D(50), limits, slot=2)


INSULATION = _order(
    StepKind.INSULATION, D(500), LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, D(2_000_000))
)
BONDING = _order(StepKind.BONDING, D(25), LimitOrder(Measured.RESISTANCE, Edge.AT_MOST, D("0.1")))


# worked by hand from Ohm's law and the definition of the fields
@pytest.mark.parametrize(
    ("order", "field", "value"),
    [
        (INSULATION, "limit_current_at_most", D("0.00025")),  # 500 V / 2 Mohm
        (INSULATION, "limit_current_at_least", None),
        (INSULATION, "at_least", D(2_000_000)),
        (INSULATION, "frequency", None),  # DC has none
        (INSULATION, "slope", D(1000)),  # 500 V in 0.5 s
        (INSULATION, "fall_slope", None),
        (INSULATION, "total_time", D("2.5")),
        (INSULATION, "peak_level", D(500)),
        (BONDING, "limit_drop_at_most", D("2.5")),  # 25 A · 100 mohm
        (BONDING, "kind_waveform", "bonding_ac"),
        (BONDING, "slot", 3),
        (BONDING, "next_slot", 5),
        (BONDING, "steps", 4),
    ],
)
def test_a_derived_field_has_its_worked_value(
    order: StepOrder, field: str, value: D | str | int | None
) -> None:
    """Nothing else can be computed in a profile."""
    assert order_values(order, first_slot=1, steps=4)[field] == value


def test_the_peak_of_an_ac_level_is_that_of_a_sine() -> None:
    """1500 V rms peak at 2121.32 V."""
    peak = order_values(_order(StepKind.WITHSTAND_AC, D(1500)))["peak_level"]
    assert abs(peak - D("2121.320343559642573")) < D("1E-12")


def test_two_limits_for_one_register_cannot_be_told() -> None:
    """A tester with one limit register can't take a total and an in-phase limit."""
    one = LimitOrder(Measured.IN_PHASE_CURRENT, Edge.AT_MOST, D("0.005"))
    other = LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, D("0.01"))
    alone = order_values(_order(StepKind.WITHSTAND_AC, D(1500), one))
    assert (alone["judged_current_at_most"], alone["at_most_acts_on"]) == (
        D("0.005"),
        "in_phase_current",
    )
    assert alone["at_most"] is None
    both = order_values(_order(StepKind.WITHSTAND_AC, D(1500), one, other))
    assert isinstance(both["judged_current_at_most"], Ambiguous)
    assert isinstance(both["at_most_acts_on"], Ambiguous)
    assert both["at_most"] == D("0.01")


def test_every_value_of_an_order_is_a_field_that_can_be_set() -> None:
    """The vocabulary and the orders speak of the same things."""
    values = order_values(INSULATION)
    assert all(FIELDS[name].settable for name in values)
    derived = {name for name, spec in FIELDS.items() if spec.derived}
    assert derived <= set(values)
