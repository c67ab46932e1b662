"""``nA..mA``: a figure of so many digits in the unit that keeps it from 1 to below 1000."""

from __future__ import annotations

import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.templates import Dialect, Template, TemplateError
from orchestrator.contract import CannotCarry
from orchestrator.units import Dimension

CURRENT = {"at_most": Dimension.CURRENT, "at_least": Dimension.CURRENT}
D = Decimal
VALUES = st.decimals(min_value=D("1E-9"), max_value=D("0.99"), allow_nan=False, places=14)


def compiled(text: str, dialect: Dialect | None = None) -> Template:
    return Template.compile(text, dialect or Dialect(), sending=True, dimensions=CURRENT)


@pytest.mark.parametrize(
    ("value", "wire"),
    [
        ("0.0005", b"500uA"),
        ("0.005", b"5.00mA"),
        ("0.04", b"40.0mA"),
        ("0.0000125", b"12.5uA"),
        ("0.00000085", b"850nA"),
        ("0.0009999", b"999uA"),  # an upper limit goes down
    ],
)
def test_the_unit_changes_with_the_size(value: str, wire: bytes) -> None:
    """Three figures each."""
    template = compiled("{at_most:nA..mA s3 suffix}")
    carried = template.carried("at_most", D(value), up=False)
    assert template.render({"at_most": carried}) == wire


def test_rounding_may_carry_a_value_into_the_next_unit() -> None:
    """999.6 uA, rounded up to three figures, is 1.00 mA."""
    template = compiled("{at_least:nA..mA s3 suffix}")
    carried = template.carried("at_least", D("0.0009996"), up=True)
    assert template.render({"at_least": carried}) == b"1.00mA"


@given(value=VALUES, up=st.booleans())
def test_what_is_carried_lies_on_the_side_asked_and_is_written_in_three_figures(
    value: Decimal, up: bool
) -> None:
    """Never looser than asked, off by less than a step of three figures, readable back."""
    template = compiled("{at_most:nA..A s3 suffix}")
    carried = template.carried("at_most", value, up=up)
    assert carried >= value if up else carried <= value
    assert abs(carried - value) <= value / 100
    wire = template.render({"at_most": carried})
    number = re.fullmatch(rb"([0-9.]+)(nA|uA|mA|A)", wire)
    assert number is not None
    assert 1 <= D(number[1].decode()) < 1000
    assert len(number[1].replace(b".", b"")) == 3
    assert template.parse(wire) == {"at_most": carried}


def test_units_are_those_the_profile_spells() -> None:
    """Without a milliampere, microamperes go up to 999."""
    dialect = Dialect(units={"nA": "n", "uA": "u", "A": "a"})
    template = compiled("{at_most:nA..A s3 suffix}", dialect)
    assert template.render({"at_most": D("0.0005")}) == b"500u"
    with pytest.raises(CannotCarry, match="below 1000 u"):
        template.render({"at_most": D("0.005")})


def test_beyond_the_largest_unit_nothing_is_sent() -> None:
    """1 A where milliamperes are the largest."""
    with pytest.raises(CannotCarry, match="below 1000 mA"):
        compiled("{at_most:uA..mA s3 suffix}").render({"at_most": D(1)})


def test_a_value_off_the_grid_is_refused_with_its_neighbours() -> None:
    """Set-points are quantised first."""
    with pytest.raises(CannotCarry, match=r"0\.00123 or 0\.00124"):
        compiled("{at_most:uA..mA s3 suffix}").render({"at_most": D("0.001234")})


@pytest.mark.parametrize(
    ("form", "what"),
    [
        ("uA..mA s3", "without suffix"),
        ("uA..mA .2 suffix", "without sN"),
        ("mA..uA s3 suffix", "'mA..uA'"),
        ("uA..kV s3 suffix", "'uA..kV'"),
        ("mA uA..mA s3 suffix", "twice"),
    ],
)
def test_a_span_that_says_too_little_or_makes_no_sense_is_refused(form: str, what: str) -> None:
    """Digits, the unit's text, and two units of one kind, the smaller first."""
    with pytest.raises(TemplateError, match=what):
        compiled(f"{{at_most:{form}}}")
