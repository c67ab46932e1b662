"""Set-points as the wire carries them: the direction, the grid, what can't be carried."""

from __future__ import annotations

from decimal import Decimal
from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_tester
from orchestrator.contract import CannotCarry
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

from .texts import ROUTING, adapter_of, at_least, at_most, withstand

SHIPPED = ("orrin", "pell", "stave")


@cache
def shipped(name: str) -> ProfileTester:
    return ProfileTester(load_tester(name), "T")


def derived(setup: str, *, kind: str = "insulation", rest: str = "") -> ProfileTester:
    """A tester whose set-up takes derived figures."""
    text = f"""
profile: 1
kind: tester
name: Quoin
framing: {{send: {{end: '\\n'}}, receive: {{end: '\\n'}}}}
words: {{state: {{idle: idle}}}}
identify: {{send: id, reply: '{{model}}'}}
start: {{send: go, class: acts}}
stop: {{send: halt}}
status: {{send: st, reply: '{{state}}'}}
states: [{{state: 'off', when: {{state: idle}}}}]
off: {{proof: state}}
terminals: {{output: {{}}, return: {{}}}}
kinds:
  {kind}:
    terminals: {{source: output, return: return}}
    level: {{range: 50 V .. 6 kV}}
    waveforms: [ac, dc]
    rise: {{range: 0.1 s .. 999 s}}
    fall: {{range: 0 s .. 999 s}}
    dwell: {{range: 0.1 s .. 999 s}}
    limits:
      resistance:
        at_least: {{range: 1 ohm .. 1 Tohm}}
        at_most: {{range: 1 ohm .. 1 Tohm}}
    setup: [{setup}]
{rest}"""
    return adapter_of(text)


def insulation(level: str = "500", **changes: object) -> StepOrder:
    given_: dict[str, object] = {
        "kind": StepKind.INSULATION,
        "waveform": Waveform.DC,
        "frequency": None,
        "rise": None,
        "fall": None,
    }
    limits = changes.pop("limits", ())
    return withstand(level, **(given_ | changes | {"limits": limits}))


# ---- direction and grid -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "asked", "carried"),
    [
        ("pell", "1525", "1530"),  # counts of 10 V
        ("pell", "1530", "1530"),
        ("stave", "1525.1", "1526"),  # whole volts
        ("orrin", "1500.4", "1501"),  # the wire could, the setting rounds without a word
    ],
)
def test_a_level_goes_up_to_the_next_value_that_can_be_carried(
    name: str, asked: str, carried: str
) -> None:
    """1525 V on a wire of 10 V counts is 1530 V."""
    assert shipped(name).quantise(withstand(asked, limits_during_rise=True)).level == Decimal(
        carried
    )


@pytest.mark.parametrize(
    ("name", "asked", "carried"),
    [
        ("pell", "0.010049", "0.01004"),
        ("stave", "0.010049", "0.01004"),
        ("orrin", "0.0100496", "0.010049"),
    ],
)
def test_an_upper_limit_tightens_downwards(name: str, asked: str, carried: str) -> None:
    """10.049 mA on a grid of 10 µA is 10.04 mA, never 10.05."""
    order = shipped(name).quantise(withstand("1500", at_most(asked)))
    assert order.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST) == Decimal(carried)


@pytest.mark.parametrize("name", SHIPPED)
def test_a_lower_limit_tightens_upwards(name: str) -> None:
    """101.1 µA goes to the next count above."""
    order = shipped(name).quantise(withstand("1500", at_most("0.005"), at_least("0.0001011")))
    carried = order.limit(Measured.TOTAL_CURRENT, Edge.AT_LEAST)
    assert carried is not None
    assert carried > Decimal("0.0001011")


def test_a_limit_on_the_settings_own_grid_is_rounded_there_though_the_wire_carries_more() -> None:
    """Orrin takes insulation limits in steps of 100 kohm and plain ohms on the wire."""
    order = insulation(
        limits=(at_least("2000001", Measured.RESISTANCE),), rise=Decimal(1), fall=Decimal(0)
    )
    carried = shipped("orrin").quantise(order).limit(Measured.RESISTANCE, Edge.AT_LEAST)
    assert carried == Decimal(2100000)


@pytest.mark.parametrize("name", SHIPPED)
@given(
    level=st.decimals(min_value=100, max_value=2900, places=3),
    limit=st.decimals(min_value="0.0002", max_value="0.029", places=7),
    low=st.decimals(min_value="0.00001", max_value="0.0001", places=8),
    dwell=st.decimals(min_value="0.3", max_value="90", places=4),
    rise=st.decimals(min_value="0.1", max_value="90", places=4),
)
def test_quantising_moves_only_to_the_safe_side_and_twice_is_once(
    name: str, level: Decimal, limit: Decimal, low: Decimal, dwell: Decimal, rise: Decimal
) -> None:
    """For every order: level and times never less, limits never looser, idempotent."""
    asked = withstand(
        str(level), at_most(str(limit)), at_least(str(low)), dwell=dwell, rise=rise, fall=rise
    )
    order = shipped(name).quantise(asked)
    assert shipped(name).quantise(order) == order
    assert order.level >= level
    assert order.dwell >= dwell
    assert order.rise is not None
    assert order.rise >= rise
    upper = order.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)
    lower = order.limit(Measured.TOTAL_CURRENT, Edge.AT_LEAST)
    assert upper is not None
    assert lower is not None
    assert limit - Decimal("0.00001") < upper <= limit
    assert low <= lower < low + Decimal("0.00001")


# ---- derived figures --------------------------------------------------------------------------


@given(
    level=st.decimals(min_value=50, max_value=1000, places=1),
    limit=st.decimals(min_value="1E5", max_value="1E9", places=2),
)
def test_a_resistance_sent_as_a_limit_of_current_comes_back_tighter(
    level: Decimal, limit: Decimal
) -> None:
    """At least R is at most U/R, rounded down on the wire: the effective R is never below R."""
    tester = derived("{send: 'U {level:V .1} I {limit_current_at_most:uA .2}'}")
    asked = insulation(str(level), limits=(at_least(str(limit), Measured.RESISTANCE),))
    order = tester.quantise(asked)
    effective = order.limit(Measured.RESISTANCE, Edge.AT_LEAST)
    assert effective is not None
    assert effective >= limit
    assert tester.quantise(order) == order


def test_a_limit_that_would_vanish_on_the_wire_is_refused() -> None:
    """50 V at 100 Gohm is half a nanoampere: the wire would say 0."""
    tester = derived("{send: 'U {level:V .1} I {limit_current_at_most:uA .2}'}")
    with pytest.raises(CannotCarry, match="vanish"):
        tester.quantise(insulation("50", limits=(at_least("1E11", Measured.RESISTANCE),)))


@given(limit=st.decimals(min_value="1E3", max_value="1E6", places=2))
def test_an_upper_resistance_sent_as_a_drop_of_voltage_comes_back_tighter(limit: Decimal) -> None:
    """At most R is at most level · R, rounded down."""
    tester = derived("{send: 'U {level:V .1} V {limit_drop_at_most:kV .1}'}")
    order = tester.quantise(insulation("333", limits=(at_most(str(limit), Measured.RESISTANCE),)))
    effective = order.limit(Measured.RESISTANCE, Edge.AT_MOST)
    assert effective is not None
    assert effective <= limit
    assert tester.quantise(order) == order


@given(rise=st.decimals(min_value="0.1", max_value="100", places=3))
def test_a_rise_sent_as_a_slope_gets_longer_never_shorter(rise: Decimal) -> None:
    """The slope is rounded down, so that the level is reached no sooner than asked."""
    tester = derived("{send: 'U {level:V .0} S {slope:V/s .0}'}")
    order = tester.quantise(insulation("1500", rise=rise))
    assert order.rise is not None
    assert order.rise >= rise
    assert tester.quantise(order) == order


def test_a_total_time_on_a_coarse_wire_lengthens_the_dwell() -> None:
    """0.4 + 2.3 s in whole seconds is 3 s: the dwell becomes 2.6 s."""
    tester = derived("{send: 'U {level:V .0} T {total_time:s .0}'}")
    order = tester.quantise(insulation("500", rise=Decimal("0.4"), dwell=Decimal("2.3")))
    assert order.dwell == Decimal("2.6")


@given(level=st.decimals(min_value=50, max_value=4000, places=2))
def test_an_ac_level_sent_as_its_peak_is_never_below_what_was_asked(level: Decimal) -> None:
    """The peak is rounded up, the level reckoned back."""
    tester = derived("{send: 'P {peak_level:V .0}'}")
    order = tester.quantise(insulation(str(level), waveform=Waveform.AC, frequency=Decimal(50)))
    assert order.level >= level
    assert tester.quantise(order) == order


def test_a_value_that_two_messages_carry_comes_out_the_same_in_both() -> None:
    """10 V counts in one, kilovolts with one decimal in the other: the coarser one decides."""
    tester = derived("{send: 'A {level:10V d3}'}, {send: 'B {level:kV .1}'}")
    assert tester.quantise(insulation("510")).level == Decimal(600)


# ---- what can't be carried --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "order", "field"),
    [
        ("pell", withstand("4001"), "level"),
        ("pell", withstand("1500", dwell=Decimal(100)), "dwell"),
        ("pell", withstand("1500", dwell=Decimal("0.1")), "dwell"),
        ("pell", withstand("1500", at_most("0.041")), "accept.total_current.at_most"),
        ("pell", withstand("1500", at_most("0.000009")), "accept.total_current.at_most"),
        ("pell", withstand("1500", frequency=Decimal(400)), "frequency"),
        ("pell", withstand("1500", flash_over=Decimal("0.02")), "flash_over"),
        (
            "pell",
            withstand("1500", at_most("0.005"), at_least("0.0001", Measured.IN_PHASE_CURRENT)),
            "accept.in_phase_current.at_least",
        ),
        ("pell", withstand("1500", at_least("0.001")), "accept.total_current.at_most"),
        ("pell", withstand("1500", waveform=Waveform.DC), "waveform"),
        ("stave", withstand("1500", rise=None), "rise"),
    ],
)
def test_what_the_wire_or_the_instrument_cannot_take_is_refused_by_name(
    name: str, order: StepOrder, field: str
) -> None:
    """Never cut short, never left out in silence."""
    with pytest.raises(CannotCarry) as caught:
        shipped(name).quantise(order)
    assert caught.value.field == field


def test_two_upper_limits_that_share_one_setting_are_refused() -> None:
    """Orrin has one upper limit: on the total or on the in-phase current."""
    order = withstand("1500", at_most("0.005"), at_most("0.001", Measured.IN_PHASE_CURRENT))
    with pytest.raises(CannotCarry):
        shipped("orrin").quantise(order)


def test_a_kind_that_the_tester_does_not_do_is_refused() -> None:
    """No continuity here."""
    with pytest.raises(CannotCarry, match="kind"):
        adapter_of(ROUTING).quantise(withstand(kind=StepKind.CONTINUITY))
