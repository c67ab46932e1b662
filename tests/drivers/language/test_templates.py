"""Whole messages: both ways, left-out values, tokens, words, and what must not match."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from drivers.language.templates import (
    SCPI_TOKENS,
    UNKNOWN,
    Ambiguous,
    Dialect,
    Template,
    TemplateError,
    Token,
)
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading
from orchestrator.quantities import Quantity
from orchestrator.units import Dimension

D = Decimal


PLAIN = Dialect()

# invented dialects in the manner of profiles/stave.md and profiles/pell.md
MEMORY = Dialect(
    words={
        "kind": {"withstand_ac": "WAC", "insulation": "INSU"},
        "during_rise": {"on": "RISE", "off": "DWELL"},
        "verdict": {"pass": "PASS", "fail": ("ABOVE", "BELOW")},
    },
    tokens=(Token("above", text="OVER"), Token("none", text="NONE")),
)
COUNTS = Dialect(
    words={
        "kind": {"withstand_ac": "4", "insulation": "3"},
        "verdict": {"pass": "P", "fail": ("H", "L")},
    },
    tokens=(Token("above", text="^^^^^"), Token("none", text="-----")),
)
SCPI = Dialect(tokens=SCPI_TOKENS)

SLOT = (
    "SLOT {slot:d},{kind},{level:V .0 suffix},{frequency:Hz .0 suffix|DC},{rise:s .1 suffix},"
    "{at_most:mA .2 suffix|OFF},{during_rise}"
)
SLOT_VALUES: dict[str, Any] = {
    "slot": 4,
    "kind": "withstand_ac",
    "level": D(1500),
    "frequency": D(50),
    "rise": D(1),
    "at_most": D("0.005"),
    "during_rise": "on",
}


def test_a_set_up_line_is_written_and_read_back() -> None:
    """What one template writes, the same template reads."""
    template = Template.compile(SLOT, MEMORY, sending=True)
    raw = template.render(SLOT_VALUES)
    assert raw == b"SLOT 4,WAC,1500V,50Hz,1.0s,5.00mA,RISE"
    assert template.parse(raw) == SLOT_VALUES
    assert template.fields == tuple(SLOT_VALUES)


def test_what_a_step_leaves_out_is_written_as_its_alternative() -> None:
    """Left unsaid, the last step's limit would stick."""
    template = Template.compile(SLOT, MEMORY, sending=True)
    raw = template.render({**SLOT_VALUES, "frequency": None, "at_most": None})
    assert raw == b"SLOT 4,WAC,1500V,DC,1.0s,OFF,RISE"
    read = template.parse(raw)
    assert read is not None
    assert (read["frequency"], read["at_most"]) == (None, None)
    assert template.optional("at_most")
    assert not template.optional("level")
    with pytest.raises(KeyError):
        template.optional("fall")


def test_a_missing_value_without_an_alternative_is_refused() -> None:
    """A template never sends a default of its own."""
    template = Template.compile(SLOT, MEMORY, sending=True)
    with pytest.raises(CannotCarry, match="no alternative"):
        template.render({**SLOT_VALUES, "level": None})


def test_a_value_that_reads_as_left_out_is_refused() -> None:
    """A lower limit of zero counts would be '00000', which this wire takes for OFF."""
    template = Template.compile("SM{at_least:10uA d5|00000}", PLAIN, sending=True)
    assert template.render({}) == b"SM00000"
    assert template.fixed_length == 7
    with pytest.raises(CannotCarry, match="left out"):
        template.render({"at_least": D("0.000004")}, rounding={"at_least": "down"})


def test_an_alternative_that_is_a_number_is_left_out_in_every_spelling() -> None:
    """An upper limit rounded down to 0.0 would mean OFF where 0 does."""
    template = Template.compile("{at_most:mA .1|0}", PLAIN, sending=True)
    assert template.parse(b"0") == {"at_most": None}
    assert template.parse(b"0.00") == {"at_most": None}
    with pytest.raises(CannotCarry, match="left out"):
        template.render({"at_most": D("0.00004")}, rounding={"at_most": "down"})


def test_a_token_that_looks_like_a_number_is_the_token_in_every_spelling() -> None:
    """'99999' stands for above the range; '+99999' and '099999.0' are no readings either."""
    dialect = Dialect(tokens=(Token("above", text="99999"),))
    template = Template.compile("{resistance:kohm}", dialect, sending=False)
    for wire in (b"99999", b"+99999", b"099999.0", b" 99999", b"9.9999E4"):
        assert template.parse(wire) == {"resistance": Reading(None, "above")}
    assert template.parse(b"99998") == {"resistance": Reading(D(99_998_000))}


def test_a_value_that_cannot_be_told_is_refused() -> None:
    """Two limits cannot share one field."""
    template = Template.compile("{judged_current_at_most:mA .1|OFF}", PLAIN, sending=True)
    with pytest.raises(CannotCarry, match="two limits"):
        template.render({"judged_current_at_most": Ambiguous("two limits")})


def test_fixed_widths_need_no_separator() -> None:
    """Fourteen characters, field after field; short words of one length count as fixed."""
    template = Template.compile(
        "{kind}{verdict}{level_reached:10V d4}{total_current:10uA d5}{elapsed:0.1s d3}",
        COUNTS,
        sending=False,
    )
    assert template.fixed_length == 14
    assert template.parse(b"4P014900071020") == {
        "kind": "withstand_ac",
        "verdict": "pass",
        "level_reached": Reading(D(1490)),
        "total_current": Reading(D("0.00071")),
        "elapsed": Reading(D(2)),
    }
    assert template.parse(b"4P01490007102") is None
    assert template.parse(b"4P0149000710200") is None


@pytest.mark.parametrize("cut", range(14))
def test_half_a_reply_never_matches(cut: int) -> None:
    """A reply cut anywhere is refused, not read as a smaller number."""
    template = Template.compile(
        "{kind}{verdict}{level_reached:10V d4}{total_current:10uA d5}{elapsed:0.1s d3}",
        COUNTS,
        sending=False,
    )
    assert template.parse(b"4P014900071020"[:cut]) is None


def test_an_unlisted_word_is_unknown_and_never_a_default() -> None:
    """A verdict nobody described must not pass, and must not be lost either."""
    template = Template.compile("{kind},{verdict}", MEMORY, sending=False)
    assert template.parse(b"WAC,PASS") == {"kind": "withstand_ac", "verdict": "pass"}
    assert template.parse(b"WAC,BELOW") == {"kind": "withstand_ac", "verdict": "fail"}
    assert template.parse(b"WAC,pass") == {"kind": "withstand_ac", "verdict": UNKNOWN}
    assert template.parse(b"WAC,") is None


def test_words_are_recognised_in_either_case_only_if_the_dialect_says_so() -> None:
    """Case matters unless declared."""
    dialect = Dialect(words={"switch": {"on": "ON", "off": "OFF"}}, ignore_case=True)
    template = Template.compile("{switch}", dialect, sending=True)
    assert template.parse(b"on") == {"switch": "on"}
    assert template.render({"switch": False}) == b"OFF"


# text on the wire, what it means
@pytest.mark.parametrize(
    ("wire", "reading"),
    [
        ("OVER", Reading(None, "above")),
        ("NONE", Reading(None, "none")),
        ("12.00Mohm", Reading(D(12_000_000))),
    ],
)
def test_tokens_stand_in_place_of_a_reading(wire: str, reading: Reading) -> None:
    """Matched on the raw text, before scaling, and without a unit."""
    template = Template.compile("R {resistance:Mohm .2 suffix}", MEMORY, sending=False)
    assert template.parse(b"R " + wire.encode()) == {"resistance": reading}
    assert template.render({"resistance": reading}) == b"R " + wire.encode()


# SCPI-1999 volume 1, 7.2.1: +INF 9.9E37, -INF -9.9E37, NaN 9.91E37 (from memory)
@pytest.mark.parametrize(
    ("wire", "bound"),
    [
        ("9.9E37", "above"), ("+9.90000E+37", "above"), ("9.900000E+37", "above"),
        ("99E36", "above"), ("-9.9E37", "below"), ("9.91E37", "none"), ("+9.91000E+37", "none"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("form", ["Mohm .3", "ohm e5 +", "mohm .0", "ohm"])
def test_scpi_tokens_are_recognised_in_every_spelling(form: str, wire: str, bound: str) -> None:
    """Numerically equal forms mean the same, whatever the scale of the field."""
    template = Template.compile(f"{{resistance:{form}}}", SCPI, sending=False)
    read = template.parse(wire.encode())
    assert read is not None
    assert read["resistance"].bound == bound
    assert read["resistance"].value is None


@pytest.mark.parametrize("wire", ["9.9E37", "-9.9E37", "9.91E37", "1E38", "9E99"])
def test_such_numbers_are_never_values(wire: str) -> None:
    """Not in a dialect without tokens, not in a set-point, not in a count."""
    for dialect, text in (
        (PLAIN, "{resistance:ohm}"),
        (SCPI, "{at_most:ohm}"),
        (SCPI, "{counter:e3}"),
    ):
        assert Template.compile(text, dialect, sending=False).parse(wire.encode()) is None


def test_a_bound_may_carry_its_number() -> None:
    """'>9.99' is a bound of 9.99; a token of one dimension leaves the others alone."""
    end = Quantity.of("9.999 Gohm", Dimension.RESISTANCE)
    dialect = Dialect(
        tokens=(Token("above", prefix=">"), Token("above", text="9999", of=end)),
    )
    ohms = Template.compile("{resistance:Mohm .0}", dialect, sending=False)
    assert ohms.parse(b">500") == {"resistance": Reading(D(500_000_000), "above")}
    assert ohms.parse(b"9999") == {"resistance": Reading(D(9_999_000_000), "above")}
    assert ohms.parse(b">") is None
    assert ohms.parse(b">x") is None
    volts = Template.compile("{voltage:V .0}", dialect, sending=False)
    assert volts.parse(b"9999") == {"voltage": Reading(D(9999))}


def test_an_exponent_may_stand_in_another_field() -> None:
    """Mantissa and power of ten apart, as on a two-part dial."""
    template = Template.compile("V{level:V d2 exp=exponent}E{exponent:d1}", PLAIN, sending=True)
    assert template.render({"level": D(1500)}) == b"V15E2"
    assert template.parse(b"V15E2") == {"level": D(1500), "exponent": 2}
    assert template.carried("level", D(1525), up=True) == D(1600)
    assert template.carried("level", D(9950), up=True) == D(10_000)
    assert template.carried("level", D(1525), up=False) == D(1500)
    with pytest.raises(CannotCarry):
        template.render({"level": D(1525)})


# the two slips of the trial (profiles.md): 1525 V as 1.52 kV, 10.049 mA as 10.05
def test_a_set_point_never_moves_to_the_wrong_side() -> None:
    """A level goes up to the wire's grid, an upper limit down; unasked nothing moves."""
    template = Template.compile("{level:kV .2} {at_most:mA .2}", PLAIN, sending=True)
    values = {"level": D(1525), "at_most": D("0.010049")}
    with pytest.raises(CannotCarry):
        template.render(values)
    raw = template.render(values, rounding={"level": "up", "at_most": "down"})
    assert raw == b"1.53 10.04"
    assert template.carried("level", D(1525), up=True) == D(1530)
    assert template.carried("at_most", D("0.010049"), up=False) == D("0.01004")


def test_derived_figures_move_to_the_safe_side_by_themselves() -> None:
    """The square root of two ends nowhere; a current that bounds a resistance tightens."""
    template = Template.compile(
        "{peak_level:V .0} {limit_current_at_most:uA .1}", PLAIN, sending=True
    )
    values = {"peak_level": D("2121.32034"), "limit_current_at_most": D("0.00000516")}
    assert template.render(values) == b"2122 5.1"


def test_the_same_field_twice_must_say_the_same() -> None:
    """An address in front and behind is one address."""
    template = Template.compile("{unit:d}:{code:d}:{unit:d}", PLAIN, sending=False)
    assert template.parse(b"5:0:5") == {"unit": 5, "code": 0}
    assert template.parse(b"5:0:6") is None


def test_text_is_taken_up_to_what_follows_and_the_last_one_up_to_the_end() -> None:
    """Four comma-parted identity fields; a message may hold the closing mark."""
    identity = Template.compile("{maker},{model},{serial},{firmware}", PLAIN, sending=False)
    assert identity.parse(b"QUILLHAVEN,ORRIN,SIM-00417,2.31") == {
        "maker": "QUILLHAVEN", "model": "ORRIN", "serial": "SIM-00417", "firmware": "2.31",
    }  # fmt: skip
    error = Template.compile('{code:d},"{message}"', PLAIN, sending=False)
    assert error.parse(b'-222,"Data out of "range""') == {
        "code": -222,
        "message": 'Data out of "range"',
    }
    ignoring = Template.compile("{skip},{code:d},{skip}", PLAIN, sending=False)
    assert ignoring.parse(b"a,7,b,c") == {"code": 7}


def test_a_text_that_could_not_be_read_back_is_refused() -> None:
    """A separator inside a text would shift every field behind it."""
    template = Template.compile("CARRY {payload},{unit:d}", PLAIN, sending=True)
    assert template.render({"payload": "do=name", "unit": 1}) == b"CARRY do=name,1"
    with pytest.raises(CannotCarry, match="read back") as caught:
        template.render({"payload": "do=put,bank=mix", "unit": 1})
    assert caught.value.field == "payload"


def test_braces_are_doubled() -> None:
    """A telegram that begins with a brace."""
    template = Template.compile("{{{unit:x2}W}}", PLAIN, sending=True)
    assert template.render({"unit": 5}) == b"{05W}"
    assert template.parse(b"{05W}") == {"unit": 5}


def test_blanks_are_ignored_only_where_the_dialect_says_so() -> None:
    """Around the reply, or around every field."""
    text = "{voltage:V .1},{code:d}"
    exact, trim, anywhere = (
        Template.compile(text, Dialect(blanks=b), sending=False) for b in ("exact", "trim", "any")
    )
    good = {"voltage": Reading(D("1.5")), "code": 3}
    assert exact.parse(b"1.5,3 ") is None
    assert trim.parse(b" 1.5,3 ") == good
    assert trim.parse(b"1.5 ,3") is None
    assert anywhere.parse(b" 1.5 , 3 ") == good


def test_bytes_outside_the_encoding_match_nothing() -> None:
    """A damaged byte is no character."""
    template = Template.compile("{message}", PLAIN, sending=False)
    assert template.parse(b"\xff") is None
    latin = Template.compile("{message} µA", Dialect(encoding="latin-1"), sending=False)
    assert latin.parse(b"\xff \xb5A") == {"message": "ÿ"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty template"),
        ("{level:V .0", "opening brace"),
        ("level}", "lone closing brace"),
        ("{{level:V .0}", "lone closing brace"),
        ("{level:V .0}{rise:s .1}", "side by side"),
        ("{payload}{items}", "side by side"),
        ("{level:V .0}5", "stand inside"),
        ("{level:V .1}.", "stand inside"),
        ("{level:V ,1},{unit:d}", "stand inside"),
        ("{level:V e2}E", "stand inside"),
        ("{level:V .0|OFF,ON},{unit:d}", "stand inside"),
        ("{level:V .0 suffix}V{unit:d}", "stand inside"),
        ("{channels},{unit:d}", "stand inside"),
        ("Ω{level:V .0}", "ascii"),
        ("{level:V .0|Ω}", "ascii"),
    ],
)
def test_a_template_that_could_not_be_read_back_is_refused(text: str, message: str) -> None:
    """Whatever stands side by side must come apart again."""
    with pytest.raises(TemplateError) as caught:
        Template.compile(text, PLAIN, sending=True)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"words": {"knd": {}}}, "did you mean 'kind'"),
        ({"words": {"level": {"on": "1"}}}, "a word field"),
        ({"words": {"kind": {"bondin": "B"}}}, "did you mean 'bonding'"),
        ({"words": {"kind": {"bonding": ()}}}, "without text"),
        ({"words": {"kind": {"bonding": "B", "insulation": "B"}}}, "one meaning"),
        ({"words": {"switch": {"on": "o", "off": "O"}}, "ignore_case": True}, "one meaning"),
        ({"units": {"KV": "kV"}}, "did you mean 'kV'"),
        ({"units": {"mohm": "M", "Mohm": "M"}}, "one size"),
        ({"list_separator": ""}, "separator"),
    ],
)
def test_a_contradictory_dialect_is_refused(options: dict[str, Any], message: str) -> None:
    """Unknown words, and texts with two meanings."""
    with pytest.raises(TemplateError) as caught:
        Dialect(**options)
    assert message in str(caught.value)


def test_a_token_says_exactly_one_thing() -> None:
    """Text, prefix or number."""
    with pytest.raises(TemplateError):
        Token("above")
    with pytest.raises(TemplateError):
        Token("above", text="OVER", prefix=">")
