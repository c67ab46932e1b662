"""Groups of pairs in parallel against values computed apart (reference E1) and by complex sums."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.formulas.group_limits import revealing_sum, revealing_total_a
from orchestrator.formulas.parallel import (
    NOTHING,
    AcShare,
    Expected,
    ac_share,
    group_ac_a,
    group_resistance_ohm,
    largest_group,
    parallel_of_ohm,
    revealing_resistance_ohm,
    sufficient_resistance_ohm,
    sum_of,
    with_tolerance,
)

OHMS = st.floats(1e3, 1e12)
AMPS = st.floats(0, 1)


@st.composite
def expected(draw: st.DrawFn, values: st.SearchStrategy[float] = AMPS) -> Expected:
    low, high = sorted((draw(values), draw(values)))
    return Expected(low, high)


@pytest.mark.parametrize(
    ("ohms", "together"),
    # Reference E1 (computed): 1/Σ(1/R)
    [
        ((100e6, 1e9, 10e9), 90.09009e6),
        ((10e9,) * 10, 1e9),
        ((1e9,) * 8, 125e6),
        ((1e9,) * 16, 62.5e6),
    ],
)
def test_insulations_in_parallel(ohms: tuple[float, ...], together: float) -> None:
    """Conductances add, to the digits of the reference."""
    assert parallel_of_ohm(ohms) == pytest.approx(together, rel=1e-7)


def test_nothing_in_parallel_is_open() -> None:
    """No pair, no conductance."""
    assert parallel_of_ohm(()) == math.inf


def test_16_good_pairs_read_below_the_limit_of_one() -> None:
    """Reference E1 (derived): a low group reading isn't a bad member; a high one clears all."""
    group = group_resistance_ohm([Expected(1e9, 1e9)] * 16)
    assert group.most < sufficient_resistance_ohm(100e6) < 1e9


def test_ac_share_of_the_reference() -> None:
    """Reference E1 (computed): 100 Mohm ∥ 4.4 nF, 1500 V, 50 Hz: 15 µA, 2.073451 mA, 2.0735054 mA;
    angle 89.5855°."""
    share = ac_share(Expected(4.4e-9, 4.4e-9), Expected(100e6, 100e6), 1500, 50)
    assert share.resistive_a.most == pytest.approx(15e-6)
    assert share.capacitive_a.most == pytest.approx(2.073451e-3, rel=1e-6)
    assert group_ac_a([share]).most == pytest.approx(2.0735054e-3, rel=1e-7)
    angle = math.degrees(math.atan2(share.capacitive_a.most, share.resistive_a.most))
    assert angle == pytest.approx(89.5855, abs=5e-5)


def test_four_y_capacitors_fit_a_trip_of_10_ma() -> None:
    """Reference E1 (computed): 2.073451 mA each, at most 4."""
    assert largest_group(10e-3, 2.073451e-3) == 4
    each = ac_share(Expected(4.4e-9, 4.4e-9), None, 1500, 50)
    assert group_ac_a([each] * 4).most < 10e-3 < group_ac_a([each] * 5).most


@given(st.lists(st.tuples(expected(), expected()), max_size=6))
def test_group_current_is_the_length_of_the_complex_sum(
    parts: list[tuple[Expected, Expected]],
) -> None:
    """Against complex arithmetic: the phasors' sum, at both ends of the tolerances."""
    group = group_ac_a(AcShare(r, c) for r, c in parts)
    assert group.least == pytest.approx(abs(sum(complex(r.least, c.least) for r, c in parts)))
    assert group.most == pytest.approx(abs(sum(complex(r.most, c.most) for r, c in parts)))


@given(st.lists(expected(OHMS), min_size=1, max_size=6), st.data())
def test_every_unit_within_tolerance_reads_within_the_expected(
    parts: list[Expected], data: st.DataObject
) -> None:
    """The least and the most hold for any mixture of members."""
    chosen = [data.draw(st.floats(p.least, p.most)) for p in parts]
    group, reading = group_resistance_ohm(parts), parallel_of_ohm(chosen)
    assert group.least * (1 - 1e-9) <= reading <= group.most * (1 + 1e-9)
    assert reading <= min(chosen) * (1 + 1e-9)


@given(st.floats(1e3, 1e9), st.lists(OHMS, max_size=6), st.floats(0.5, 0.999))
def test_a_bad_pair_shows_at_the_revealing_limit_and_no_lower(
    own: float, others: list[float], share: float
) -> None:
    """Worse than its own limit it reads below the group's, others at their best; a limit lower
    by more than that lets it pass."""
    limit = revealing_resistance_ohm(own, others)
    assert parallel_of_ohm([own * share, *others]) < limit
    lower = parallel_of_ohm([own * share, *others])
    assert parallel_of_ohm([own * (1 + share) / 2, *others]) >= lower


@given(AMPS, st.lists(expected(), max_size=6))
def test_a_bad_current_shows_at_the_revealing_limit(own: float, others: list[Expected]) -> None:
    """The planner's bound, against the phasor sum with the others at their least."""
    least = group_ac_a(AcShare(NOTHING, c) for c in others).least
    bad = group_ac_a([AcShare(Expected(own, own)), *(AcShare(NOTHING, c) for c in others)])
    assert bad.least == pytest.approx(revealing_total_a(own, least))
    assert revealing_sum(own, sum_of(others).least) >= bad.least * (1 - 1e-12)


def test_tolerances_spread_the_value() -> None:
    """Percent of the nominal, down and up."""
    spread = with_tolerance(4.7e-9, 20, 10)
    assert (spread.least, spread.most) == pytest.approx((3.76e-9, 5.17e-9))


def test_impossible_values_are_refused() -> None:
    """Guards raise."""
    for wrong in (
        lambda: Expected(2, 1),
        lambda: Expected(-1, 1),
        lambda: Expected(math.nan, 1),
        lambda: with_tolerance(1, 101, 0),
        lambda: parallel_of_ohm([1e6, 0]),
        lambda: ac_share(NOTHING, NOTHING, 500, 50),
        lambda: ac_share(NOTHING, None, -1, 50),
        lambda: largest_group(1, 0),
    ):
        with pytest.raises(ValueError, match=r".+"):
            wrong()
