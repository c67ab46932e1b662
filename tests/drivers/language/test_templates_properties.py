"""What holds for every value and every byte string."""

from __future__ import annotations

import time
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.language.templates import SCPI_TOKENS, UNKNOWN, Dialect, Template, Token
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading

D = Decimal


TOKENS = (*SCPI_TOKENS, Token("above", text="OVER"), Token("above", prefix=">"))
DIALECT = Dialect(
    words={"verdict": {"pass": "PASS", "fail": "FAIL"}, "kind": {"bonding": "B"}},
    tokens=TOKENS,
)

# format and its step at 1000 V: how far the wire may be from what was asked
GRIDS = [
    ("V .0", D(1)),
    ("V .3", D("0.001")),
    ("kV .2", D(10)),
    ("10V d5", D(10)),
    ("V .1 w12", D("0.1")),
    ("V .0 z9", D(1)),
]
LEVELS = st.decimals(min_value=0, max_value=10_000, places=9, allow_nan=False)
WIDE = st.decimals(min_value=D("1E-12"), max_value=D("1E12"), allow_nan=False, places=40)


@given(value=LEVELS, up=st.booleans())
@pytest.mark.parametrize(("form", "step"), GRIDS)
def test_the_carried_value_lies_within_one_step_on_the_side_asked(
    form: str, step: D, value: D, up: bool
) -> None:
    """parse(render(x)) is x rounded up, or down, to the wire's grid: exact arithmetic."""
    template = Template.compile(f"{{level:{form}}}", DIALECT, sending=True)
    carried = template.carried("level", value, up=up)
    assert 0 <= (carried - value if up else value - carried) < step
    raw = template.render({"level": value}, rounding={"level": "up" if up else "down"})
    assert template.parse(raw) == {"level": carried}
    assert template.render({"level": carried}) == raw  # on the grid nothing moves


@given(value=WIDE, up=st.booleans())
@pytest.mark.parametrize(
    ("text", "digits"),
    [("{level:V e3}", 4), ("{level:mV s3}", 3), ("{level:V d3 exp=exponent}E{exponent:+ d2}", 3)],
)
def test_floating_forms_keep_their_digits_on_the_side_asked(
    text: str, digits: int, value: D, up: bool
) -> None:
    """The relative step is at most ten to the power of one less than the digits."""
    template = Template.compile(text, DIALECT, sending=True)
    carried = template.carried("level", value, up=up)
    assert 0 <= (carried - value if up else value - carried) <= value / 10 ** (digits - 1)
    raw = template.render({"level": value}, rounding={"level": "up" if up else "down"})
    read = template.parse(raw)
    assert read is not None
    assert read["level"] == carried
    assert template.render({"level": carried}) == raw


@given(minutes=st.decimals(min_value=0, max_value=100, places=4), up=st.booleans())
def test_a_unit_that_is_no_power_of_ten_rounds_to_the_right_side_too(minutes: D, up: bool) -> None:
    """A minute has sixty seconds; thirds of it end nowhere."""
    template = Template.compile("{dwell:min .2}", DIALECT, sending=True)
    carried = template.carried("dwell", minutes, up=up)
    assert 0 <= (carried - minutes if up else minutes - carried) < D("0.6")


@given(value=LEVELS)
def test_without_a_direction_a_value_goes_out_exactly_or_not_at_all(value: D) -> None:
    """Nothing is rounded unasked."""
    template = Template.compile("{level:V .1}", DIALECT, sending=True)
    try:
        raw = template.render({"level": value})
    except CannotCarry:
        assert value != value.quantize(D("0.1"))
    else:
        assert template.parse(raw) == {"level": value}


EVERYTHING = [
    "{skip}:{resistance:Mohm .2 suffix},{verdict}",
    "{total_current:mA .3|NONE};{kind}",
    "{status:x4},{channels:list blank ranges-}",
    "{source_mask:b8}{message}",
    "{message:quoted} {code:d}",
    "{voltage:V d3 exp=exponent}{exponent:d2}",
    "{serial:text 5}{elapsed:s w7 .1}",
    "{bank} {role}",
]
BYTES = st.one_of(
    st.binary(max_size=60),
    st.text(alphabet='0123456789+-.,eE:;> "PASFILMohmAVN', max_size=40).map(str.encode),
)


@given(raw=BYTES)
@settings(max_examples=300)
@pytest.mark.parametrize("text", EVERYTHING)
def test_no_bytes_whatever_make_parsing_raise(text: str, raw: bytes) -> None:
    """A damaged reply is no match; what matches is written again to the same meaning."""
    dialect = Dialect(
        words={**DIALECT.words, "role": {"source": "1", "return": "2"}}, tokens=DIALECT.tokens
    )
    template = Template.compile(text, dialect, sending=False)
    read = template.parse(raw)
    if read is None:
        return
    for value in read.values():
        if isinstance(value, Reading):
            assert (value.value is None) <= (value.bound != "exact")
            assert value.value is None or abs(value.value) < D("1E50")
        else:
            assert value is None or value is UNKNOWN or isinstance(value, str | int | tuple | D)


@pytest.mark.parametrize("text", EVERYTHING)
@pytest.mark.parametrize(
    "raw", [b",", b"1", b" ", b'"', b"1,", b"1-", b"-", b":,", b"9.", b'""', b"E", b"\x00"]
)
def test_long_messages_are_read_in_linear_time(text: str, raw: bytes) -> None:
    """64 kB of the nastiest characters cost milliseconds: nothing is tried twice."""
    dialect = Dialect(
        words={**DIALECT.words, "role": {"source": "1", "return": "2"}}, tokens=DIALECT.tokens
    )
    template = Template.compile(text, dialect, sending=False)
    started = time.process_time()
    template.parse((raw * 65536)[:65536])
    assert time.process_time() - started < 0.25
