"""Tokens told by mantissa and power of ten together, which stand in two fields."""

from __future__ import annotations

from decimal import Decimal

import pytest

from drivers.language.templates import Dialect, Template, TemplateError, Token
from orchestrator.model.record import Reading
from orchestrator.units import Dimension

TOKENS = (
    Token("above", number=Decimal("9.9999"), exponent=99),
    Token("below", number=Decimal(0), exponent=-99),
    Token("none", text="-.----"),
)
TEXT = "{reading:ohm .4 w6 exp=exponent};{exponent:+ d2};{elapsed:s .1}"
TEMPLATE = Template.compile(
    TEXT, Dialect(tokens=TOKENS), sending=False, dimensions={"reading": Dimension.RESISTANCE}
)


@pytest.mark.parametrize(
    ("told", "reading"),
    [
        (b"9.9999;+99;1.0", Reading(None, "above")),
        (b"0.0000;-99;1.0", Reading(None, "below")),
        (b"0.0000;+00;1.0", Reading(Decimal(0))),
        (b"9.9999;-03;1.0", Reading(Decimal("0.0099999"))),
        (b"-.----;+00;1.0", Reading(None, "none")),
    ],
)
def test_number_and_exponent_must_both_be_so(told: bytes, reading: Reading) -> None:
    """9.9999 of ten to the minus third is a reading like any other; so is a true zero."""
    read = TEMPLATE.parse(told)
    assert read is not None
    assert read["reading"] == reading


def test_another_number_with_a_token_s_power_is_no_answer() -> None:
    """1.2 times ten to the 99th is nonsense, never a reading."""
    assert TEMPLATE.parse(b"1.2000;+99;1.0") is None


def test_fields_without_a_power_do_not_know_such_tokens() -> None:
    """A time of 9.9999 s, or of nothing, stays one."""
    template = Template.compile("{elapsed:s .4}", Dialect(tokens=TOKENS), sending=False)
    assert template.parse(b"9.9999") == {"elapsed": Reading(Decimal("9.9999"))}


@pytest.mark.parametrize("means", ["above", "below", "none"])
def test_a_token_is_written_with_its_power(means: str) -> None:
    """So that the checker can read it back."""
    bound = Reading(None, means)  # type: ignore[arg-type]
    values = {"reading": bound, "elapsed": Reading(Decimal(1))}
    read = TEMPLATE.parse(TEMPLATE.render(values))
    assert read is not None
    assert read["reading"] == bound


def test_an_exponent_without_a_number_is_refused() -> None:
    """A text has no power of ten."""
    with pytest.raises(TemplateError, match="exponent"):
        Token("above", text="OVER", exponent=3)
