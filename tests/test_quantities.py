"""Quantities: one strict grammar, exact values, refusals that help.

Sizes of prefixes and units: BIPM, The International System of Units (SI Brochure), 9th edition
2019, tables 7 and 8 (from memory).
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from orchestrator.quantities import (
    UNITS,
    Dimension,
    Quantity,
    QuantityError,
    QuantityField,
    parse_quantity,
)

V, A, OHM = Dimension.VOLTAGE, Dimension.CURRENT, Dimension.RESISTANCE
S, M, F = Dimension.TIME, Dimension.LENGTH, Dimension.CAPACITANCE

READ = [
    ("1.5 kV", V, "1500"),
    ("1.5kV", V, "1500"),
    ("-3 mV", V, "-0.003"),
    ("+3 V", V, "3"),
    ("007 V", V, "7"),
    ("25 A", A, "25"),
    ("3.5 mA", A, "0.0035"),
    ("10 uA", A, "0.00001"),
    ("10 \N{MICRO SIGN}A", A, "0.00001"),
    ("10 \N{GREEK SMALL LETTER MU}A", A, "0.00001"),
    ("100 mohm", OHM, "0.1"),
    ("100 m\N{GREEK CAPITAL LETTER OMEGA}", OHM, "0.1"),
    ("100 m\N{OHM SIGN}", OHM, "0.1"),
    ("2 Mohm", OHM, "2000000"),
    ("2 M\N{OHM SIGN}", OHM, "2000000"),
    ("1 Gohm", OHM, "1000000000"),
    ("1 Tohm", OHM, "1000000000000"),
    ("5 \N{MICRO SIGN}\N{GREEK CAPITAL LETTER OMEGA}", OHM, "0.000005"),
    ("0.5 s", S, "0.5"),
    ("2 min", S, "120"),
    ("1 h", S, "3600"),
    ("60 Hz", Dimension.FREQUENCY, "60"),
    ("12 cm", M, "0.12"),
    ("0.1 uF", F, "0.0000001"),
    ("350 mJ", Dimension.ENERGY, "0.35"),
    ("500 W", Dimension.POWER, "500"),
    ("-5 degC", Dimension.TEMPERATURE, "-5"),
    ("1.5 mm2", Dimension.AREA, "1.5"),
    ("2 kV/s", Dimension.SLOPE, "2000"),
]


@pytest.mark.parametrize(("text", "dimension", "value"), READ)
def test_a_quantity_is_read_exactly(text: str, dimension: Dimension, value: str) -> None:
    """The value is the decimal that was written, not a binary neighbour."""
    assert parse_quantity(text, dimension) == Quantity(Decimal(value), dimension)


REFUSED = [
    ("1,5 kV", V, "'1.5 kV'"),
    ("1,5", V, "point"),
    ("1 500 V", V, "'1500 V'"),
    ("1_500 V", V, "'1500 V'"),
    ("1'500 V", V, "1500 V"),
    ("1\N{NO-BREAK SPACE}500 V", V, "'1500 V'"),
    ("2**3 V", V, "arithmetic"),
    ("1-2 V", V, "ranges"),
    ("nan V", V, "finite"),
    ("inf V", V, "finite"),
    ("-Infinity V", V, "finite"),
    ("KV", V, "did you mean kV?"),
    ("1.5 KV", V, "'1.5 kV'"),
    ("3 MV", V, "did you mean mV?"),
    ("5 MA", A, "did you mean mA?"),
    ("2 MOHM", OHM, "mohm or Mohm"),
    ("2 Ohms", OHM, "did you mean ohm?"),
    ("V", V, "number"),
    ("1500", V, "'1500 V'"),
    ("1500 ", V, "'1500 V'"),
    ("5 A", V, "voltage"),
    ("5 V/s", V, "voltage"),
    ("1e3 V", V, "digits out"),
    (".5 V", V, "'0.5 V'"),
    ("-.5 V", V, "'-0.5 V'"),
    ("5. V", V, "one number"),
    ("1.2.3 V", V, "one number"),
    ("1  V", V, "one blank"),
    ("1 V ", V, "one blank"),
    (" 1 V", V, "blanks"),
    ("1 V\n", V, "one blank"),
    ("\N{ARABIC-INDIC DIGIT FIVE} V", V, "number"),
    ("\N{MINUS SIGN}5 V", V, "number"),
    ("0x10 V", V, "use one of"),
    ("5 furlong", M, "use one of"),
    ("", V, "number"),
    (" ", V, "number"),
    ("1" * 500 + " V", V, "one number"),
]


@pytest.mark.parametrize(("text", "dimension", "hint"), REFUSED)
def test_anything_else_is_refused_with_a_remedy(text: str, dimension: Dimension, hint: str) -> None:
    """What was found, what was expected, and a remedy that names the way out."""
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, dimension)
    assert hint in caught.value.remedy
    assert caught.value.found
    assert str(dimension) in caught.value.expected


def test_a_number_without_unit_is_never_guessed() -> None:
    """Even 0 needs its unit."""
    with pytest.raises(QuantityError, match="without a unit"):
        parse_quantity("0", V)


WRITTEN = [
    ("1500", V, "1.5 kV"),
    ("0.1", OHM, "100 mohm"),
    ("25", A, "25 A"),
    ("2E+6", OHM, "2 Mohm"),
    ("1000", V, "1 kV"),
    ("999.9", V, "999.9 V"),
    ("1.50", V, "1.5 V"),
    ("0", V, "0 V"),
    ("-0", V, "0 V"),
    ("0E+3", OHM, "0 ohm"),
    ("-0.0035", A, "-3.5 mA"),
    ("5E+15", OHM, "5000 Tohm"),
    ("1E-9", V, "0.001 uV"),
    ("90", S, "90 s"),
    ("23.5", Dimension.TEMPERATURE, "23.5 degC"),
    ("0.5", Dimension.AREA, "0.5 mm2"),
]


@pytest.mark.parametrize(("value", "dimension", "text"), WRITTEN)
def test_a_quantity_is_written_short_and_exact(value: str, dimension: Dimension, text: str) -> None:
    """The prefix that leaves one to three digits before the point; no trailing zeros."""
    assert str(Quantity(Decimal(value), dimension)) == text


decimals = st.decimals(-(10**15), 10**15, allow_nan=False, allow_infinity=False, places=15)


@given(decimals, st.sampled_from(Dimension))
def test_what_is_written_reads_back_the_same(value: Decimal, dimension: Dimension) -> None:
    """Writing and reading are inverse, whatever the prefix."""
    quantity = Quantity(value, dimension)
    assert parse_quantity(str(quantity), dimension) == quantity


@given(st.text(max_size=30), st.sampled_from(Dimension))
def test_any_text_is_a_quantity_or_a_refusal(text: str, dimension: Dimension) -> None:
    """No text gets anything else out of the reader, and a refusal always has its remedy."""
    try:
        outcome: Quantity | QuantityError = parse_quantity(text, dimension)
    except QuantityError as error:
        outcome = error
    if isinstance(outcome, QuantityError):
        assert outcome.remedy
    else:
        assert outcome.value.is_finite()


@given(
    st.from_regex(r"[+-]?[0-9]{1,6}(\.[0-9]{1,4})?[ ,.eE*_-]{0,2}[0-9]{0,2}", fullmatch=True),
    st.sampled_from(sorted(UNITS)),
)
def test_near_misses_never_slip_through(number: str, unit: str) -> None:
    """Accepted only if a second, independent reading of the grammar accepts it as well."""
    whole, _, part = number.removesuffix(" ").lstrip("+-").partition(".")
    fits = (whole + part).isdigit() and whole != "" and ("." not in number or part != "")
    try:
        value = parse_quantity(number + unit, UNITS[unit][0]).value
    except QuantityError:
        assert not fits
    else:
        assert fits
        assert value == Decimal(number.strip()) * UNITS[unit][1]


@pytest.mark.parametrize("unit", UNITS)
def test_no_two_units_of_the_list_are_one_text(unit: str) -> None:
    """Each unit is found under its own name and in one dimension only."""
    dimension, size = UNITS[unit]
    assert parse_quantity(f"1 {unit}", dimension).value == size


def test_quantities_compare_within_a_dimension() -> None:
    """By value, whatever the prefix they were written with."""
    kilo, volts = Quantity.of("1 kV", V), Quantity.of("1000 V", V)
    assert kilo == volts
    assert hash(kilo) == hash(volts)
    assert Quantity.of("999 V", V) < kilo <= volts
    assert kilo >= volts > Quantity.of("-2 kV", V)
    assert float(kilo) == 1000.0


@pytest.mark.parametrize("other", [Quantity.of("1 A", A), 1, Decimal(1)])
def test_quantities_of_different_dimensions_do_not_compare(other: object) -> None:
    """Volts against amperes, or against a bare number, is a mistake and not an order."""
    volts = Quantity.of("1 V", V)
    for compare in (volts.__lt__, volts.__le__, volts.__gt__, volts.__ge__):
        with pytest.raises(TypeError, match="compare"):
            compare(other)  # type: ignore[arg-type]
    assert volts != other


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "sNaN"])
def test_a_quantity_is_finite(value: str) -> None:
    """Not even Python code can make one that isn't."""
    with pytest.raises(ValueError, match="finite"):
        Quantity(Decimal(value), V)


class Lead(BaseModel):
    resistance: Annotated[Quantity, QuantityField(OHM, "1 uohm", "10 ohm")]
    level: Annotated[Quantity, QuantityField(V, "1 V", "100 kV")] = Quantity.of("1 kV", V)


@pytest.mark.parametrize("text", ["1 uohm", "10 ohm", "0.5 ohm"])
def test_a_field_takes_its_range_ends_included(text: str) -> None:
    """Texts and quantities alike."""
    quantity = Quantity.of(text, OHM)
    assert Lead.model_validate({"resistance": text}).resistance == quantity
    assert Lead(resistance=quantity).resistance == quantity


@pytest.mark.parametrize(
    ("value", "hint"),
    [
        ("2 Mohm", "did you mean '2 mohm'?"),
        ("0.5 uohm", "prefix"),
        ("11 ohm", "prefix"),
        ("1,5 ohm", "'1.5 ohm'"),
        (Quantity.of("1 V", V), "resistance"),
        (5, "number and a unit"),
        (None, "number and a unit"),
        (True, "number and a unit"),
    ],
)
def test_a_field_refuses_with_found_expected_and_remedy(value: object, hint: str) -> None:
    """The pydantic error carries the three, for the file reader to place."""
    with pytest.raises(ValidationError) as caught:
        Lead.model_validate({"resistance": value})
    (details,) = caught.value.errors()
    assert hint in details["ctx"]["remedy"]
    assert details["ctx"]["found"]
    assert details["ctx"]["expected"]


def test_a_lower_case_slip_is_named_the_other_way_too() -> None:
    """'1 mohm' where megohms are plausible: the insulation limit that accepts everything."""
    field = QuantityField(OHM, "1 kohm", "10 Tohm")
    with pytest.raises(QuantityError, match=r"did you mean '1 Mohm'\?.*1 000 000 000"):
        field.check("1 mohm")


def test_a_model_with_quantities_survives_json() -> None:
    """Written as people write them, read back equal."""
    lead = Lead.model_validate({"resistance": "0.1 ohm"})
    assert '"resistance":"100 mohm"' in lead.model_dump_json()
    assert Lead.model_validate_json(lead.model_dump_json()) == lead
    assert Lead.model_validate(lead.model_dump()) == lead


def test_the_json_schema_describes_a_text_with_its_range() -> None:
    """Editors can offer help."""
    schema = Lead.model_json_schema()["properties"]["resistance"]
    assert schema["type"] == "string"
    assert "from 1 uohm to 10 ohm" in schema["description"]


def test_a_field_with_an_empty_range_is_refused() -> None:
    """A slip in a model shows when it is imported."""
    with pytest.raises(ValueError, match="empty range"):
        QuantityField(V, "2 V", "1 V")
    with pytest.raises(QuantityError):
        QuantityField(V, "1 A", "2 A")
