"""What a tester must be able to do: ranges, frequency, waveform, times, limits."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from orchestrator.model.words import StepKind
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    INSULATE,
    Bench,
    Data,
    changed,
    kind_with,
    span,
)

D = Decimal
W = StepKind.WITHSTAND_AC

# the step, what its kind is changed to, and a part of the only fault
TABLE: list[tuple[str, Data, dict[str, Any], str]] = [
    (
        "level above",
        changed(HIPOT, level="4501 V"),
        {"level": span("100", "4500")},
        "4.501 kV, expected",
    ),
    ("level below", changed(HIPOT, level="99 V"), {}, "99 V, expected 100 V to 5 kV"),
    ("frequency", changed(HIPOT, frequency="55 Hz"), {}, "55 Hz, expected 50 Hz or 60 Hz"),
    ("frequency unknown", HIPOT, {"frequencies": ()}, "none stated in its profile"),
    ("waveform", HIPOT, {"waveforms": frozenset()}, "waveform on t1, found ac"),
    ("rise not settable", HIPOT, {"rise": None}, "take rise out"),
    ("rise too long", changed(HIPOT, rise="100 s"), {}, "100 s, expected 100 ms to 99.9 s"),
    ("fall too long", changed(HIPOT, fall="100 s"), {}, "fall on t1, found 100 s"),
    ("fall not settable", changed(HIPOT, fall="1 s"), {"fall": None}, "take fall out"),
    ("dwell zero", changed(HIPOT, dwell="0 s"), {"dwell": span("0", "9")}, "above 0 s"),
    ("dwell endless", changed(HIPOT, dwell="9 s"), {"indefinite_dwell_s": D(9)}, "until stopped"),
    ("dwell too long", changed(HIPOT, dwell="1000 s"), {}, "1000 s, expected 100 ms to 999.9 s"),
    ("settle", changed(HIPOT, settle="3 s"), {}, "settle on t1, found 3 s, expected at most"),
    ("limit not judged", HIPOT, {"limits": {}}, "total_current at_most on t1, found 5 mA"),
    (
        "limit out of range",
        changed(HIPOT, accept={"total_current": {"at_most": "50 mA"}}),
        {},
        "50 mA, expected 10 uA to 40 mA",
    ),
    (
        "limits in the rise never",
        changed(HIPOT, limits_during_rise="yes"),
        {"limits_during_rise": "never"},
        "limits never act during the rise",
    ),
    (
        "limits in the rise always",
        HIPOT,
        {"limits_during_rise": "always"},
        "limits always act during the rise",
    ),
    ("flash-over", changed(HIPOT, flash_over="20 mA"), {"flash_over": None}, "no such limit"),
    ("flash-over range", changed(HIPOT, flash_over="200 mA"), {}, "200 mA, expected 1 mA"),
]


@pytest.mark.parametrize(
    ("step", "ability", "part"), [x[1:] for x in TABLE], ids=[x[0] for x in TABLE]
)
def test_what_the_tester_cannot_do_is_refused_at_its_line(
    step: Data, ability: dict[str, Any], part: str
) -> None:
    """Issue part 7: tester range, frequency, waveform, resolution; indefinite dwell never used."""
    bench = Bench().tester(kind_with(W, **ability)).steps(BOND, CONTACT, step)
    fault = bench.only_fault()
    assert part in str(fault)
    assert str(fault.position).startswith("program.yaml:")


def test_at_the_ends_of_the_range_a_step_is_bound() -> None:
    """Ranges include their ends."""
    for level in ("100 V", "5 kV"):
        assert Bench().steps(BOND, CONTACT, changed(HIPOT, level=level)).bind().steps


def test_an_ac_frequency_on_dc_bonding_is_refused() -> None:
    """A frequency and DC contradict each other."""
    step = changed(BOND, waveform="dc", frequency="50 Hz")
    assert "none on DC" in str(Bench().steps(step).only_fault())


def test_a_kind_that_no_tester_has_is_refused() -> None:
    """The station has no tester for it."""
    bench = Bench().steps(BOND, CONTACT, INSULATE)
    abilities = bench.testers["t1"].abilities
    kinds = {k: v for k, v in abilities.kinds.items() if k is not StepKind.INSULATION}
    bench.tester(replace(abilities, kinds=kinds))
    assert "t1 has no such kind of step" in str(bench.only_fault())


def test_times_not_asked_are_filled_in_and_said() -> None:
    """No rise asked: the tester's shortest, at least 0.1 s, never a jump to full level."""
    ability = {"rise": span("0", "99"), "fall": span("0.5", "99")}
    bench = Bench().tester(kind_with(W, **ability))
    step = bench.steps(BOND, CONTACT, changed(HIPOT, rise=None)).bind().steps[2]
    assert (step.order.rise, step.order.fall) == (D("0.1"), D("0.5"))
    assert any("No rise is asked: 100 ms" in reason for reason in step.reasons)


def test_a_time_that_cannot_be_set_is_left_out_and_still_counted() -> None:
    """The instrument's own rise goes into the predicted time, nothing goes onto the wire."""
    bench = Bench().tester(kind_with(W, rise=None, fixed_rise_s=D("0.5")))
    for asked in (None, "0.5 s"):
        step = bench.steps(BOND, CONTACT, changed(HIPOT, rise=asked)).bind().steps[2]
        assert step.order.rise is None
        assert step.predicted_s == pytest.approx(0.5 + 2 + 0.1)
