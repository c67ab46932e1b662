"""Messages around their bodies: address, checksum, marks, length."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.dialect import Dialect, TemplateError
from drivers.language.framing import WireFraming
from drivers.language.profile import load_profile
from drivers.language.profile_common import Framing
from orchestrator.errors import ProtocolFault
from orchestrator.running.framing import FrameReader


def framing(**given_: Any) -> WireFraming:
    return WireFraming(Framing.model_validate(given_), Dialect())


@cache
def of(name: str) -> WireFraming:
    profile = load_profile(name).model
    return WireFraming(profile.framing, Dialect())


RAW = {
    "send": {"end": "\\r"},
    "receive": {"end": "\\r"},
    "envelope": {"send": "{unit:x2}{body}{check}", "receive": "{unit:x2}{body}{check}"},
    "checksum": {"kind": "crc16", "form": "raw", "order": "low_first", "over": "before"},
}


@pytest.mark.parametrize(
    ("name", "body", "unit", "telegram"),
    [
        # comb.md section 5 and stave.md section 8, as printed there.
        ("comb", b"I", 5, b"{05I4C\r"),
        ("comb", b"W10138", 5, b"{05W1013869\r"),
        ("comb", b"Q", 17, b"{11Q51\r"),
        ("stave", b"WHO?", None, b"WHO?;2D\n"),
        ("stave", b"CARRY 1,do=open", None, b"CARRY 1,do=open;C0\n"),
        # lattice.md section 5.
        ("lattice", b"NAME?", 1, b"1 NAME?\n"),
    ],
)
def test_telegrams_are_those_of_the_manuals(
    name: str, body: bytes, unit: int | None, telegram: bytes
) -> None:
    """Address, checksum and terminator around the body, and off again."""
    wire = of(name)
    assert wire.wrap(body, {"unit": unit}) == telegram
    back = wire.unwrap(telegram[:-1])
    assert back is not None
    assert back.body == body
    assert back.fields.get("unit") == unit


@given(unit=st.integers(0, 255), body=st.binary(min_size=1, max_size=20).filter(bytes.isascii))
def test_a_raw_checksum_that_holds_the_terminator_does_not_end_the_message(
    unit: int, body: bytes
) -> None:
    """Framed by length, every telegram arrives whole, byte by byte."""
    wire = framing(**RAW)
    message = wire.wrap(body, {"unit": unit})
    reader, frame, replies = FrameReader(), wire.frame_of(len(body)), []
    for number in range(len(message)):
        reader.feed(message[number : number + 1])
        reply = reader.take(frame)
        if reply is not None:
            replies.append(reply.data)
    assert len(replies) == 1
    back = wire.unwrap(replies[0])
    assert back is not None
    assert (back.body, back.fields["unit"]) == (body, unit)


def test_a_raw_checksum_behind_a_reply_of_varying_length_is_refused() -> None:
    """Nothing could tell the terminator from a byte of the checksum."""
    with pytest.raises(TemplateError, match="raw checksum"):
        framing(**RAW).frame_of(None)


@given(st.binary(max_size=60))
def test_any_bytes_are_unwrapped_ignored_or_refused_as_a_protocol_fault(data: bytes) -> None:
    """Garbage raises nothing else."""
    for name in ("comb", "stave", "lattice", "pell"):
        try:
            of(name).unwrap(data)
        except ProtocolFault as fault:
            assert fault.raw == data  # noqa: PT017 - both ways out are right, this one with bytes


def test_junk_before_the_mark_of_a_telegram_is_cut_off() -> None:
    """A mark begins a new telegram, whatever went before."""
    wire = framing(send={"begin": "{", "end": "\\r"}, receive={"begin": "{", "end": "\\r"})
    assert wire.wrap(b"Q", {}) == b"{Q\r"
    back = wire.unwrap(b"x{half{q0")
    assert back is not None
    assert back.body == b"q0"
    assert wire.unwrap(b"no mark") is None


@pytest.mark.parametrize(("rule", "raises"), [("ignore", False), ("fault", True)])
def test_a_wrong_checksum_is_ignored_or_a_fault_as_the_profile_says(
    rule: str, raises: bool
) -> None:
    """Never taken as a message."""
    wire = framing(
        envelope={"send": "{body};{check}", "receive": "{body};{check}", "wrong_check": rule},
        checksum={"kind": "sum8"},
    )
    if not raises:
        assert wire.unwrap(b"WHO?;2E") is None
        return
    with pytest.raises(ProtocolFault, match="checksum"):
        wire.unwrap(b"WHO?;2E")


@pytest.mark.parametrize(
    "envelope", ["{check}{body}", "{body}", "{body}{body}{check}", "{body}{unit:x2}{check}"]
)
def test_an_envelope_that_cannot_be_taken_apart_is_refused(envelope: str) -> None:
    """Body once, check once and behind it, plain text after the body."""
    with pytest.raises((TemplateError, ValueError)):
        framing(envelope={"send": envelope, "receive": envelope}, checksum={"kind": "xor"})
