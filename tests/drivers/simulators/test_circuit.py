"""The circuit behind the simulated instruments, against networks solved elsewhere.

Source of the figures: networks N1 to N5, solved by ngspice, by scipy's sparse solver and with
mpmath at 50 digits (the project's collected reference values, section E2), tolerance 1e-6; the
single formulas are of the same collection, section E1.
"""

from __future__ import annotations

import math

import pytest

from drivers.simulators.circuit import GROUND, Circuit


def build(*parts: tuple[str, str, str, float]) -> Circuit:
    circuit = Circuit()
    for kind, a, b, value in parts:
        if kind == "r":
            circuit.resistor(a, b, value)
        elif kind == "c":
            circuit.capacitor(a, b, value)
        else:
            circuit.source(kind, a, b, value)
    return circuit


def test_n1_the_meter_in_the_return_lead_sees_the_product_and_not_the_cable() -> None:
    """AC withstand at 1500 V, 50 Hz: 2.0735 mA through the meter, 3.0160 mA out of the source."""
    circuit = build(
        ("vhv", "s", GROUND, 1500.0),
        ("r", "s", "hv", 10e-3),
        ("r", "hv", "pe", 100e6),
        ("c", "hv", "pe", 2.2e-9),
        ("c", "hv", "pe", 2.2e-9),
        ("c", "hv", GROUND, 2e-9),
        ("r", "pe", "r", 10e-3),
        ("vret", "r", GROUND, 0.0),
    )
    solution = circuit.solve(50.0)
    meter = solution.currents["vret"]
    assert meter.real == pytest.approx(1.500007034754e-05, rel=1e-6)
    assert meter.imag == pytest.approx(2.073451150446e-03, rel=1e-6)
    assert abs(meter) == pytest.approx(2.073505407612e-03, rel=1e-6)
    assert abs(solution.currents["vhv"]) == pytest.approx(3.015966248582e-03, rel=1e-6)
    assert solution.voltage("hv").real == pytest.approx(1499.999999850, rel=1e-9)


def test_n2_insulation_of_five_points_one_floating() -> None:
    """500 V DC: each return lead reads its own insulation; a floating point sits at half."""
    circuit = build(
        ("vhv", "s", GROUND, 500.0),
        ("r", "s", "n1", 10e-3),
        ("r", "n1", "n2", 100e6),
        ("r", "n1", "n3", 1e9),
        ("r", "n1", "n4", 10e9),
        ("r", "n1", "n5", 10e9),
        ("r", "n2", "n3", 100e6),
        ("r", "n3", "n4", 1e9),
        ("r", "n4", "n5", 10e9),
        ("r", "n2", "m2", 10e-3),
        ("r", "n3", "m3", 10e-3),
        ("r", "n4", "m4", 10e-3),
        ("vm2", "m2", GROUND, 0.0),
        ("vm3", "m3", GROUND, 0.0),
        ("vm4", "m4", GROUND, 0.0),
    )
    solution = circuit.solve()
    assert solution.currents["vm2"].real == pytest.approx(4.999999998493e-06, rel=1e-6)
    assert solution.currents["vm3"].real == pytest.approx(5.000000003850e-07, rel=1e-6)
    assert solution.currents["vm4"].real == pytest.approx(7.499999999577e-08, rel=1e-6)
    assert solution.voltage("n5").real == pytest.approx(249.9999999725, rel=1e-6)
    # Good to 5e-6 only: the lead's 100 S against gigaohms (same source, 'numerical trap').
    assert -solution.currents["vhv"].real == pytest.approx(5.574999998873e-06, rel=5e-6)


def test_n3_four_wire_bonding_leaves_the_leads_out() -> None:
    """A bond bridge at 36.4 A: 37.37 mohm between the sense leads, 20 mohm more without."""
    circuit = build(
        ("vc", "s", GROUND, 5.0),
        ("r", "s", "h", 80e-3),
        ("r", "h", "a", 10e-3),
        ("r", "a", "c1", 20e-3),
        ("r", "a", "c2", 100e-3),
        ("r", "c1", "c2", 50e-3),
        ("r", "c1", "b", 30e-3),
        ("r", "c2", "b", 60e-3),
        ("r", "b", "r", 10e-3),
        ("vret", "r", GROUND, 0.0),
    )
    solution = circuit.solve()
    current = solution.currents["vret"].real
    assert current == pytest.approx(36.39781271360, rel=1e-6)
    four_wire = (solution.voltage("a") - solution.voltage("b")).real / current
    assert four_wire == pytest.approx(37.37089201878e-3, rel=1e-6)
    assert solution.voltage("h").real / current == pytest.approx(57.37089201878e-3, rel=1e-6)


def test_n4_touch_current_network_of_iec_60990() -> None:
    """Weighted touch current of an open earth at 230 V, 50 Hz: 158.53 uA (figure 4 network)."""
    circuit = build(
        ("vl", "l", GROUND, 230.0),
        ("r", "n", GROUND, 100e-3),
        ("c", "l", "n", 100e-9),
        ("r", "l", "n", 1e6),
        ("c", "l", "ch", 2.2e-9),
        ("c", "n", "ch", 2.2e-9),
        ("r", "l", "ch", 100e6),
        ("r", "n", "ch", 1e9),
        ("r", "ch", "t", 1500.0),
        ("c", "ch", "t", 0.22e-6),
        ("r", "t", GROUND, 500.0),
        ("r", "t", "u2", 10e3),
        ("c", "u2", GROUND, 0.022e-6),
    )
    solution = circuit.solve(50.0)
    assert abs(solution.voltage("u2")) / 500 == pytest.approx(158.5260973449e-6, rel=1e-6)
    assert abs(solution.voltage("t")) / 500 == pytest.approx(158.9042770005e-6, rel=1e-6)
    assert solution.currents["vl"].imag == pytest.approx(-7.384602261212e-03, rel=1e-6)


def test_n5_an_unselected_point_behind_open_contacts_is_hazardous() -> None:
    """5 kV DC through a matrix: 5.667 uA in the meter, 417 V on a point nobody selected."""
    circuit = build(
        ("vhv", "s", GROUND, 5000.0),
        ("r", "s", "g1", 10e-3),
        ("r", "g1", "ret", 1e9),
        ("r", "g1", "fl", 10e9),
        ("r", "fl", "ret", 10e9),
        ("r", "g1", "g3", 10e9),
        ("r", "g3", GROUND, 10e9),
        ("r", "g3", "ret", 1e9),
        ("r", "ret", "m", 10e-3),
        ("vret", "m", GROUND, 0.0),
        ("r", "g1", GROUND, 100e6),
    )
    solution = circuit.solve()
    assert solution.currents["vret"].real == pytest.approx(5.666666665966e-06, rel=1e-6)
    assert solution.voltage("fl").real == pytest.approx(2499.999999750, rel=1e-6)
    assert solution.voltage("g3").real == pytest.approx(416.6666666675, rel=1e-6)


@pytest.mark.parametrize(
    ("farad", "volts", "hertz", "ampere"),
    [
        (1e-9, 1000.0, 50.0, 0.314159e-3),
        (2.2e-9, 1500.0, 50.0, 1.036726e-3),
        (4.4e-9, 1500.0, 50.0, 2.073451e-3),
        (4.4e-9, 1500.0, 60.0, 2.488141e-3),
        (10e-9, 5000.0, 50.0, 15.70796e-3),
    ],
)
def test_a_capacitor_draws_two_pi_f_c_u(
    farad: float, volts: float, hertz: float, ampere: float
) -> None:
    """I = 2 pi f C U, to the digits of the table (reference values E1)."""
    circuit = build(("out", "s", GROUND, volts), ("c", "s", GROUND, farad))
    assert abs(circuit.solve(hertz).currents["out"]) == pytest.approx(ampere, rel=1e-6)


def test_a_part_that_hangs_in_the_air_disturbs_nothing() -> None:
    """A net that no source reaches has no defined voltage; the rest is solved all the same."""
    circuit = build(("out", "s", GROUND, 10.0), ("r", "s", GROUND, 5.0), ("r", "x", "y", 1.0))
    solution = circuit.solve()
    assert -solution.currents["out"].real == pytest.approx(2.0)
    assert solution.voltage("x") == 0


def test_a_part_conducts_above_its_breakdown_voltage_and_not_below() -> None:
    """The breakdown voltage is a peak: 849 V rms pass 1200 V, 848 V rms don't."""
    for level, breaks in ((848.0, False), (849.0, True)):
        circuit = Circuit()
        circuit.source("out", "s", GROUND, level)
        circuit.resistor("s", GROUND, 1e9, breakdown_v=1200.0)
        solution = circuit.solve_with_breakdown(50.0)
        assert bool(solution.broken) is breaks
        assert (abs(solution.currents["out"]) > 0.1) is breaks


def test_breakdown_spreads_through_parts_in_series() -> None:
    """When one of two gaps in series breaks down, the other one takes the whole voltage."""
    circuit = Circuit()
    circuit.source("out", "s", GROUND, 1500.0)
    circuit.resistor("s", "m", 1e6, breakdown_v=1000.0)
    circuit.resistor("m", GROUND, 3e6, breakdown_v=1100.0)
    assert len(circuit.solve_with_breakdown().broken) == 2


@pytest.mark.parametrize("ohm", [0.0, -1.0, math.nan])
def test_a_resistance_that_is_not_above_zero_is_refused(ohm: float) -> None:
    """A passive part has a resistance above zero."""
    with pytest.raises(ValueError, match="not a passive part"):
        Circuit().resistor("a", "b", ohm)
