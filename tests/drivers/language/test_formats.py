"""How numbers, words, lists and texts stand on the wire.

NR1, NR2, NR3: IEEE 488.2-1992, 8.7.2 to 8.7.4 (from memory). Tokens: SCPI-1999 volume 1, 7.2.1
(from memory). All other rows: our own notation.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from drivers.language.templates import Dialect, Template, TemplateError
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading
from orchestrator.units import Dimension

D = Decimal


PLAIN = Dialect()

# format, value in SI units, text on the wire
BOTH_WAYS = [
    ("level:V .0", D(1500), "1500"),
    ("level:10V d4", D(1500), "0150"),
    ("level:kV .2", D(1500), "1.50"),
    ("level:V .1 w8", D("1500.5"), "  1500.5"),
    ("level:V .1 z8", D("1500.5"), "001500.5"),
    ("level:V .1 +", D(1500), "+1500.0"),
    ("level:V ,1", D("1500.5"), "1500,5"),
    ("level:V e3", D(1500), "1.500E+03"),  # NR3
    ("level:V e5 + w12", D(1500), "+1.50000E+03"),
    ("level:V e2 +", D(1500), "+1.50E+03"),  # the NR3 example of 8.7.4
    ("level:A e3", D("0.000712"), "7.120E-04"),
    ("level:V s3", D(1520), "1520"),
    ("level:A s3", D("0.0124"), "0.0124"),
    ("level:V .0 suffix", D(1500), "1500V"),
    ("at_most:mA .2 suffix", D("0.005"), "5.00mA"),
    ("at_most:10uA d5", D("0.005"), "00500"),
    ("at_most:0.1mohm d5", D("0.1"), "01000"),
    ("at_most:Mohm .2", D(2_000_000), "2.00"),
    ("dwell:0.1s d3", D(2), "020"),
    ("dwell:min .1", D(90), "1.5"),
    ("slope:V/s .0", D(500), "500"),
    ("slope:A/s .1", D(25), "25.0"),
    ("unit:d", 17, "17"),
    ("unit:d3", 17, "017"),
    ("unit:x2", 17, "11"),
    ("unit:xl4", 0xBEEF, "beef"),
    ("count:d", -12, "-12"),  # NR1
    ("source_mask:x2", 0x38, "38"),
    ("source_mask:b8", 0x38, "00111000"),
    ("source_mask:b8 mirrored", 0x38, "00011100"),
    ("source_mask", 56, "56"),
    ("channels", (4, 5, 6), "4,5,6"),
    ("channels:list blank d2", (4, 5, 12), "04 05 12"),
    ("channels:list ; d", (4,), "4"),
    ("channels", (), ""),
    ("payload", "do=name", "do=name"),
    ("payload:text 8", "AB", "AB      "),
    ("payload:quoted", 'say "on"', '"say ""on"""'),
]


@pytest.mark.parametrize(("form", "value", "wire"), BOTH_WAYS)
def test_each_format_writes_a_value_and_reads_it_back(form: str, value: Any, wire: str) -> None:
    """One notation serves both directions, to the byte."""
    template = Template.compile("{" + form + "}", PLAIN, sending=True)
    field = form.partition(":")[0]
    assert template.render({field: value}) == wire.encode()
    assert template.parse(wire.encode()) == {field: value}


# IEEE 488.2 7.7.2: a listener is forgiving (NRf); reading accepts every spelling of 1500
@pytest.mark.parametrize(
    "wire",
    ["1500", "+1500", "1500.", "1500.0", " 1500", "001500", "1.5E3", "1.5e+03", "+1.50E+03"],
)
@pytest.mark.parametrize("form", ["V .1", "V e3", "V s4", "V"])
def test_every_spelling_of_a_number_is_read_alike(form: str, wire: str) -> None:
    """NR1, NR2 and NR3 (488.2 8.7) mean the same whatever the format writes."""
    template = Template.compile(f"{{voltage:{form}}}", PLAIN, sending=False)
    assert template.parse(wire.encode()) == {"voltage": Reading(D(1500))}


@pytest.mark.parametrize(
    "wire",
    [
        "", " ", "+", ".", "E3", "0x1F", "nan", "NaN", "inf", "-inf", "1_000", "1.2.3", "1,5",
        "1 500", "1e", "1e+", "1E1E1", "--1", "+-1", "1500V", "1E9999", "9" * 65, "1 ", "\t1",
        "٣", "１", "1\x00", "1\n", "0b1", "1j", "Infinity", "sNaN",
    ],
)  # fmt: skip
@pytest.mark.parametrize("form", ["V .1", "V", "V e3", "V d", "V ,1"])
def test_what_is_no_number_is_never_read_as_one(form: str, wire: str) -> None:
    """Python's own int() and float() would take several of these."""
    dialect = Dialect(encoding="latin-1")
    template = Template.compile(f"{{voltage:{form}}}", dialect, sending=False)
    if wire == "1,5" and form == "V ,1":
        return
    raw = wire.encode("utf-8")
    assert template.parse(raw) is None


def test_a_fraction_may_begin_with_the_point() -> None:
    """'.5' and '5.' are numbers of 488.2's forgiving listener."""
    template = Template.compile("{voltage:V .1},{current:A .1}", PLAIN, sending=False)
    assert template.parse(b".5,5.") == {"voltage": Reading(D("0.5")), "current": Reading(D(5))}


def test_a_decimal_comma_excludes_the_point() -> None:
    """'1.500' is a thousand and a half to one and one and a half to the other: refuse it."""
    template = Template.compile("{voltage:V ,3}", PLAIN, sending=False)
    assert template.parse(b"1,500") == {"voltage": Reading(D("1.5"))}
    assert template.parse(b"1.500") is None
    default = Template.compile("{level:V .1}", Dialect(decimal_comma=True), sending=True)
    assert default.render({"level": D("1.5")}) == b"1,5"


@pytest.mark.parametrize("wire", ["149", "01490", "14.9", "1E+2", "0x95", "-149x"])
def test_a_fixed_field_of_counts_takes_exactly_its_digits(wire: str) -> None:
    """Too few, too many, or a point where counts belong: no match."""
    template = Template.compile("{level:10V d4}", PLAIN, sending=True)
    assert template.parse(wire.encode()) is None


# wire text, value: the reply's own unit counts, whatever the format would send
@pytest.mark.parametrize(
    ("wire", "value"),
    [
        ("5.00mA", D("0.005")),
        ("5000uA", D("0.005")),
        ("0.005 A", D("0.005")),
        ("5E-3A", D("0.005")),
    ],
)
def test_the_unit_of_a_reply_may_change(wire: str, value: D) -> None:
    """Scaling goes by the unit that stands there."""
    template = Template.compile("{total_current:mA .2 suffix}", PLAIN, sending=False)
    assert template.parse(wire.encode()) == {"total_current": Reading(value)}


@pytest.mark.parametrize("wire", ["5.00", "5.00mV", "5.00MA", "5.00ma", "5.00 m A", "5.00mAA"])
def test_a_reply_without_a_known_unit_of_the_dimension_is_refused(wire: str) -> None:
    """A missing unit isn't guessed; 'MA' and 'ma' aren't 'mA'."""
    template = Template.compile("{total_current:mA .2 suffix}", PLAIN, sending=False)
    assert template.parse(wire.encode()) is None


def test_the_dialect_spells_the_units() -> None:
    """Only spellings of the dialect are read, the first one is sent."""
    dialect = Dialect(units={"Mohm": ("MEG", "MOHM"), "Gohm": "GIG", "mA": " mA"})
    template = Template.compile("{resistance_at_least:Mohm .2 suffix}", dialect, sending=True)
    assert template.render({"resistance_at_least": D(2_000_000)}) == b"2.00MEG"
    assert template.parse(b"2GIG") == {"resistance_at_least": D(2_000_000_000)}
    assert template.parse(b"2MOHM") == {"resistance_at_least": D(2_000_000)}
    assert template.parse(b"2Mohm") is None
    spaced = Template.compile("{flash_over:mA .0 suffix}", dialect, sending=True)
    assert spaced.render({"flash_over": D("0.02")}) == b"20 mA"
    with pytest.raises(TemplateError, match="doesn't spell"):
        Template.compile("{resistance_at_least:kohm .2 suffix}", dialect, sending=True)


def test_ranges_are_read_in_lists() -> None:
    """'1,4-6' is 1, 4, 5, 6; falling ranges, doubles and huge ranges match nothing."""
    template = Template.compile("({channels:list , ranges-})", PLAIN, sending=False)
    assert template.parse(b"(1,4-6)") == {"channels": (1, 4, 5, 6)}
    for wrong in (b"(6-4)", b"(1,1)", b"(1,)", b"(,)", b"(1-2-3)", b"(1-999999999)", b"(a)"):
        assert template.parse(wrong) is None


# field and format, value, why it can't be sent
@pytest.mark.parametrize(
    ("form", "value"),
    [
        ("level:10V d4", D(100_000)),  # five digits
        ("level:10V d4", D(1505)),  # between two counts
        ("level:V .1 w6", D(15000)),  # seven characters
        ("level:V .0", D(-5)),  # set-points are never negative
        ("level:V .0", D("NaN")),
        ("level:V .0", D("Infinity")),
        ("level:V .0", D("9.9E37")),  # would read as a token
        ("level:V .0", 1500.0),  # a float isn't exact
        ("level:V .0", True),
        ("level:V .0", "1500"),
        ("unit:x1", 17),
        ("unit:x2", -1),
        ("unit:d2", D("1.5")),
        ("source_mask:b4", 16),
        ("channels", (1, 1)),
        ("payload:text 2", "ABC"),
        ("payload", "A\nB"),
        ("payload", 5),
        ("bank", "a b"),
        ("bank", 3),
    ],
)
def test_what_the_wire_cannot_carry_is_refused(form: str, value: Any) -> None:
    """Nothing is cut short, rounded unasked or written as something else."""
    template = Template.compile("{" + form + "}", PLAIN, sending=True)
    with pytest.raises(CannotCarry) as caught:
        template.render({form.partition(":")[0]: value})
    assert caught.value.field == form.partition(":")[0]
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("form", "message"),
    [
        ("levle:V .0", "did you mean 'level'"),
        ("Level:V .0", "did you mean 'level'"),
        ("", "a known field"),
        ("level", "without a unit"),
        ("level:.0", "without a unit"),
        ("level:V", "how many decimals"),
        ("level:mA .0", "a unit of voltage"),
        ("level:kv .0", "did you mean 'kV'"),
        ("level:V .0 .1", "twice"),
        ("level:V .0 d4", "words that go together"),
        ("level:V .0 x4", "in the format of 'level'"),
        ("level:10V .0 suffix", "suffix with a counted unit"),
        ("level:0V .0", "a unit"),
        ("level:V d0", "from 1"),
        ("level:V .99", "from 0 to 30"),
        ("level:V .0 w6 z6", "w and z"),
        ("level:V .0 exp=exponent", "exp without"),
        ("level:V d2 exp=exponent", "exp=exponent"),
        ("level:V d2 exp=unit", "exp=unit"),
        ("unit:V d", "'unit' in the format"),
        ("kind", "without words"),
        ("bank:d2", "in the format of 'bank'"),
        ("reading:A .3", "a field that can be set"),
        ("verdict", "a field that can be set"),
        ("channels:list 5x", "parts numbers"),
        ("status:x4", "a field that can be set"),
        ("source_mask:x2 mirrored", "mirrored without bN"),
    ],
)
def test_a_wrong_field_or_format_is_named_with_its_remedy(form: str, message: str) -> None:
    """Faults say where, what was found, what is expected and what to do."""
    with pytest.raises(TemplateError) as caught:
        Template.compile("SET {" + form + "}", PLAIN, sending=True, dimensions=VOLTS)
    assert message in str(caught.value) + caught.value.expected
    assert caught.value.remedy
    assert 5 <= caught.value.column <= 5 + len(form)


VOLTS = {"level": Dimension.VOLTAGE}
