"""Every contact and terminal on an energised net against its rating."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from orchestrator.binding.nets import Burden
from orchestrator.binding.ratings import Stress, shortfalls
from orchestrator.model.abilities import Rating
from orchestrator.model.words import StepKind, Waveform
from tests.binding.helpers import (
    BOND,
    CONTACT,
    HIPOT,
    IDLE,
    INSULATE,
    MATRIX,
    TESTER,
    Bench,
    Data,
    PaperTester,
    bank_with,
    changed,
    kind_with,
    rating,
)

AC, DC = Waveform.AC, Waveform.DC

# (rating: AC rms, peak, DC, carry), (waveform, V, A), faults expected
# Peak of a sine: √2 times its rms value (reference A7: 5 kV AC needs 7071 V peak, computed).
TABLE: list[tuple[Rating, tuple[Waveform, str, str], tuple[str, ...]]] = [
    (rating("5000", "7072", None, "1"), (AC, "5000", "1"), ()),
    (rating("5000", "7071", None, "1"), (AC, "5000", "1"), ("peak rating 7.071 kV",)),
    (rating("4999", "9000", None, "1"), (AC, "5000", "1"), ("AC (rms) rating 4.999 kV",)),
    (rating("5000", None, None, "1"), (AC, "5000", "1"), ("peak rating not stated",)),
    (rating(None, "9000", "9000", "1"), (AC, "100", "1"), ("AC (rms) rating not stated",)),
    (rating(None, "5000", "5000", "1"), (DC, "5000", "1"), ()),
    (rating("9000", "5000", None, "1"), (DC, "5000", "1"), ("DC rating not stated",)),
    (rating(None, "4999", "5000", "1"), (DC, "5000", "1"), ("peak rating 4.999 kV",)),
    (rating(None, "5000", "4999", "1"), (DC, "5000", "1"), ("DC rating 4.999 kV",)),
    (rating("50", "80", "80", "25"), (AC, "12", "25"), ()),
    (rating("50", "80", "80", "25"), (AC, "12", "25.1"), ("current rating 25 A",)),
    (rating("50", "80", "80", None), (AC, "12", "25"), ("current rating not stated",)),
]


@pytest.mark.parametrize(("stands", "stress", "expected"), TABLE)
def test_ratings_are_compared_by_waveform_peak_and_current(
    stands: Rating, stress: tuple[Waveform, str, str], expected: tuple[str, ...]
) -> None:
    """AC: rms and √2 peak; DC: DC and peak; current; what isn't stated is too low."""
    burden = Burden("contacts", stands, stands=True, carries=True)
    asked = Stress(stress[0], Decimal(stress[1]), Decimal(stress[2]))
    assert tuple(found for found, _ in shortfalls(burden, asked)) == expected


def told(bench: Bench) -> str:
    return "\n".join(map(str, bench.faults()))


LOW = rating("300", "500", "400", "40")


def test_an_open_high_current_contact_on_the_tested_point_stands_the_level() -> None:
    """Issue part 7: open high-current contacts on the same net."""
    bench = Bench()
    bench.matrix = bank_with("hc", rating=LOW)
    bench.steps(BOND, changed(HIPOT, apply_to=["cover"], unproved_contact="not the subject"))
    assert (
        "contacts of relays/u1/hc, found AC (rms) rating 300 V, expected at least 1.5 kV"
        in told(bench)
    )


def test_an_open_sense_contact_on_the_tested_point_stands_the_level() -> None:
    """A sense lead is a lead."""
    bench = Bench()
    bench.matrix = bank_with("sense", rating=LOW)
    bench.steps(BOND, changed(HIPOT, apply_to=["cover"], unproved_contact="not the subject"))
    assert "contacts of relays/u1/sense, found AC (rms)" in told(bench)


def test_a_bank_that_is_not_on_the_net_is_left_alone() -> None:
    """Driven points without a high-current lead, all others on the return side: no stress."""
    reason = "not what this test is about"
    step = changed(HIPOT, others="against", prove_contact=[], unproved_contact=reason)
    bench = Bench().steps(BOND, CONTACT, step)
    bench.matrix = bank_with("hc", rating=LOW)
    assert bench.bind().steps


def test_points_left_open_may_carry_the_level_to_their_other_leads() -> None:
    """The unit may join an open point to a driven one; unknown is dangerous."""
    bench = Bench()
    bench.matrix = bank_with("hc", rating=LOW)
    assert "contacts of relays/u1/hc, found AC (rms) rating" in told(bench)


def test_open_contacts_on_the_driven_bus_stand_the_level_in_every_unit() -> None:
    """A unit of which no contact is closed hangs on the same bus all the same."""
    bench = Bench()
    feeds: Data = {"hv": {"source": "t1.output", "return": "t1.return"}}
    bench.station["chains"]["low"] = {
        "profile": "low",
        "link": {"kind": "tcp", "host": "127.0.0.1", "port": "4009"},
        "units": [{"name": "u9", "address": "1", "feeds": feeds}],
    }
    weak = bank_with("hv", rating=rating("500", "700", "500", "2"))
    bench.matrices["low"] = weak
    assert "contacts of low/u9/hv, found AC (rms) rating 500 V" in told(bench)


def idle_tester(bench: Bench, stands: Rating) -> None:
    """A second tester with its output wired straight to the point under test."""
    terminals = {**TESTER.terminals, "output": stands}
    bench.testers["t2"] = PaperTester(replace(TESTER, terminals=terminals))
    link = {"kind": "tcp", "host": "127.0.0.1", "port": "4003"}
    bench.station["testers"]["t2"] = {"profile": "two", "link": link}
    bench.station["positions"]["t2-hot"] = "t2.output"
    bench.fixture["points"]["live"] = ["hv3", "t2-hot"]


def test_an_idle_testers_terminal_on_the_point_stands_the_level() -> None:
    """Issue part 7: idle testers on the same net too."""
    bench = Bench()
    idle_tester(bench, rating("300", "500", "400", None))
    assert "terminal t2.output (idle): AC (rms) rating 300 V" in told(bench)
    bench = Bench()
    idle_tester(bench, IDLE)
    assert bench.bind().steps


def test_an_idle_terminal_without_a_stated_rating_is_refused() -> None:
    """Unknown is the dangerous case."""
    bench = Bench()
    idle_tester(bench, rating(None, None, None, None))
    assert "AC (rms) rating not stated" in told(bench)


def test_a_bonding_current_above_what_the_contacts_carry_is_refused() -> None:
    """The level counts for every closed contact on both sides."""
    bench = Bench()
    bench.matrix = bank_with("hc", rating=replace(MATRIX.banks["hc"].rating, carry_a=Decimal(20)))
    assert "current rating 20 A, expected at least 25 A" in told(bench)


def test_a_bonding_sources_unknown_voltage_is_too_much_for_any_contact() -> None:
    """Without a stated compliance nobody knows what the open contacts must stand."""
    bench = Bench().tester(kind_with(StepKind.BONDING, compliance_v=None))
    assert "largest voltage (compliance) of t1, found not stated" in told(bench)


def test_without_an_upper_limit_the_sources_own_current_counts() -> None:
    """Insulation has no current limit: then what the source can feed must be carried."""
    bench = Bench().steps(BOND, CONTACT, INSULATE)
    bench.matrix = bank_with("hv", rating=replace(IDLE, carry_a=Decimal("0.2")))
    assert bench.bind().steps
    bench.matrix = bank_with("hv", rating=replace(IDLE, carry_a=Decimal("0.001")))
    assert "current rating 1 mA" in told(bench.steps(BOND, INSULATE | {"prove_contact": []}))
    unknown = Bench().steps(BOND, CONTACT, INSULATE)
    unknown.tester(kind_with(StepKind.INSULATION, source_current_a=None))
    assert "largest current (source_current) of t1" in told(unknown)


def test_the_level_that_counts_is_that_on_the_wire() -> None:
    """1495 V asked, 1500 V on the wire: contacts for 1499 V are refused."""
    bench = Bench().steps(BOND, CONTACT, changed(HIPOT, level="1495 V"))
    bench.testers["t1"] = PaperTester(level_step=Decimal(10))
    bench.matrix = bank_with("hv", rating=rating("1499", "9000", "9000", "2"))
    assert "AC (rms) rating 1.499 kV, expected at least 1.5 kV" in told(bench)
