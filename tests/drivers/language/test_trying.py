"""The parts of a trial: replies beside templates, manual notes, made-up orders, ratios."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.adapters.tester import ProfileTester
from drivers.language.dialect import Dialect
from drivers.language.profile import load_tester
from drivers.language.templates import Template
from drivers.language.trying_diagnosis import changed_over, end_found, ratio_told, stray_end
from drivers.language.trying_manual import ManualNotes
from drivers.language.trying_matching import follow, shown
from drivers.language.trying_orders import trial_orders
from orchestrator.model.record import Reading
from orchestrator.model.schedule import StepOrder
from orchestrator.units import Dimension

DIALECT = Dialect(words={"state": {"idle": "REST", "on": "LIVE"}})
DIMENSIONS = {"level": Dimension.VOLTAGE}


def template(text: str) -> Template:
    return Template.compile(text, DIALECT, sending=False, dimensions=DIMENSIONS)


def stop_of(text: str, reply: str) -> str:
    return follow(template(text), reply, DIMENSIONS, sending=False).stop


# ---- replies ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "reply", "told"),
    [
        ("{state},{level:V d}", "REST;100", "is no word of 'state'"),
        ("{state},{level:V d}", "REST,1O0", "'1O0' isn't of the form {level:V d}"),
        ("{state},{level:V d4}", "REST,100", "takes 4 characters, '100' is left"),
        ("OK {level:V d}", "NO 100", "at its beginning 'OK ' is due, 'NO 100' came"),
        ("{level:V d4}{state}", "0100GONE", "behind '0100' 'GONE' is no word of 'state'"),
        ("{level:V d4}", "0100X", "'X' follows where the template ends"),
    ],
)
def test_where_a_reply_stops_fitting_is_told(text: str, reply: str, told: str) -> None:
    """The place, what was due there, what came."""
    assert told in stop_of(text, reply)


@given(level=st.integers(0, 9999), state=st.sampled_from(["REST", "LIVE"]))
def test_what_the_language_reads_fits_to_its_end(level: int, state: str) -> None:
    """A reply that a template parses is never shown as a misfit, and its parts are its fields'."""
    made = template("{state},{level:V d4};")
    reply = f"{state},{level:04d};"
    assert made.parse(reply.encode()) is not None
    match = follow(made, reply, DIMENSIONS, sending=False)
    assert match.stop == ""
    assert match.cuts == {"state": state, "level": f"{level:04d}"}


@given(reply=st.text(st.characters(codec="ascii"), max_size=20))
def test_whatever_comes_a_misfit_is_told_or_it_is_read(reply: str) -> None:
    """No reply is both unread and without a reason."""
    made = template("{state},{level:V d4}")
    fits = made.parse(reply.encode()) is not None
    assert (stop_of("{state},{level:V d4}", reply) == "") <= fits


def test_values_are_shown_with_their_unit() -> None:
    """As a person would write them."""
    assert shown("level", Decimal(1500), DIMENSIONS) == "1.5 kV"
    assert shown("elapsed", Reading(Decimal("2.5")), {}) == "2.5 s"
    assert shown("residual", Reading(None, "above"), {}) == "above the range"
    assert shown("level", None, DIMENSIONS) == "left out"


# ---- the manual -------------------------------------------------------------------------------

NOTES = ManualNotes(
    """\
identify:                # §2
  send: 'ID # no note'
status: {send: S}        # §4: '#' is a note
kinds:
  bonding:               # §3
    setup:               # §3.1
      - {send: A}
      - {send: B}        # §3.2, page 17
    live: {send: L}
plain: x
"""
)


@pytest.mark.parametrize(
    ("line", "note"),
    [
        (1, "§2"),
        (2, "§2"),
        (3, "§4: '#' is a note"),
        (7, "§3.1"),
        (8, "§3.2, page 17"),
        (9, "§3"),
        (10, ""),
        (99, ""),
    ],
)
def test_a_line_leans_on_the_note_of_what_it_is_part_of(line: int, note: str) -> None:
    """Its own comment, else that of the nearest block around it."""
    assert NOTES.at(line) == note


# ---- orders -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["orrin", "pell", "stave"])
def test_made_up_orders_lie_within_the_ranges_and_differ(name: str) -> None:
    """Three orders for each kind, the level at both ends, times told apart on the wire."""
    document = load_tester(name)
    tester = ProfileTester(document, name)
    for kind, model in document.model.kinds.items():
        orders = [order for _, order in trial_orders(kind, model, tester.quantise)]
        assert len(orders) == 3
        for order in orders:
            assert isinstance(order, StepOrder), (kind, order)
            assert tester.quantise(order) == order
            times = [t for t in (order.rise, order.dwell, order.fall) if t is not None]
            assert len(set(times)) == len(times)
        levels = {order.level for order in orders if isinstance(order, StepOrder)}
        assert model.level.range is not None
        low, high = model.level.range
        assert {low.value, high.value} <= levels


# ---- values that differ -----------------------------------------------------------------------


@given(
    sent=st.decimals("0.001", "9999", places=3),
    power=st.integers(-6, 6).filter(bool),
)
def test_a_power_of_ten_is_told_as_such(sent: Decimal, power: int) -> None:
    """Whatever was sent, wrong scales show as the factor they are."""
    read = sent.scaleb(power)
    assert f"read is {Decimal(10) ** power:f} times what was sent" in ratio_told(read, sent)


def test_peak_for_rms_is_told() -> None:
    """A sine's peak is the square root of 2 times its rms value (IEC 60050-103-02-10: from
    memory)."""
    assert "rms against peak" in ratio_told(Decimal("2121.32"), Decimal(1500))
    assert ratio_told(Decimal(1600), Decimal(1500)) == ""


def test_fields_that_are_changed_over_are_told() -> None:
    """Each was read where the other one's text stands; leading zeros don't matter."""
    read, sent = {"rise": "27", "dwell": "013"}, {"rise": "013", "dwell": "027"}
    assert changed_over({"rise", "dwell"}, read, sent) == (("dwell", "rise"),)
    assert changed_over({"rise"}, read, sent) == ()


@pytest.mark.parametrize(
    ("data", "ends", "found"),
    [
        (b"OK\r", ("\r\n",), "\r"),
        (b"OK\n", ("\r",), "\n"),
        (b"OK\r\n", ("\n",), "\r\n"),
        (b"OK\r\n", ("\r\n",), None),
        (b"OK", ("\n",), None),
    ],
)
def test_the_terminator_that_came_is_found(
    data: bytes, ends: tuple[str, ...], found: str | None
) -> None:
    """CR, LF or both; nothing where the bytes carry none."""
    assert end_found(data, ends) == found


@pytest.mark.parametrize(
    ("raw", "end", "meant"), [(b"OK\r", "\n", "\r\n"), (b"\nOK", "\r", "\r\n")]
)
def test_half_a_terminator_left_on_a_message_is_told(raw: bytes, end: str, meant: str) -> None:
    """A text field would swallow it without a word."""
    found = stray_end(raw, (end,))
    assert found is not None
    assert found[0] == meant
    assert stray_end(b"OK", (end,)) is None
