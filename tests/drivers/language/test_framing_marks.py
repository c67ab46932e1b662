"""A checksum behind the end, a prompt that bears the address, escapes in templates."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.adapters.events import EventRules
from drivers.language.dialect import Dialect, TemplateError
from drivers.language.framing import WireFraming
from drivers.language.profile_common import Exchange, Framing
from drivers.language.profile_tester import Event
from drivers.language.templates import Template

BEHIND: dict[str, Any] = {
    "send": {"begin": "\\x02", "end": ""},
    "receive": {"begin": "\\x02", "end": "\\x03", "check_behind_end": "yes"},
    "envelope": {"send": "{body}\\x03{check}", "receive": "{body}\\x03{check}"},
    "checksum": {"kind": "xor", "form": "raw", "over": "before"},
}


def framing(given_: dict[str, Any], **values: Any) -> WireFraming:
    return WireFraming(Framing.model_validate(given_), Dialect(), values)


def test_the_end_counts_for_the_checksum_that_follows_it() -> None:
    """Body 'I': 49 XOR 03 is 4A, behind ETX (hex)."""
    wire = framing(BEHIND)
    assert wire.wrap(b"I", {}) == b"\x02I\x03\x4a"
    assert wire.behind_end == 1
    assert not wire.raw_check


@given(body=st.binary(max_size=40).filter(lambda b: not set(b) & {2, 3}))
def test_every_check_byte_is_known_by_its_place(body: bytes) -> None:
    """STX and ETX among them."""
    wire = framing(BEHIND)
    unwrapped = wire.unwrap(b"noise" + wire.wrap(body, {}))
    assert unwrapped is not None
    assert unwrapped.body == body


@pytest.mark.parametrize("cut", range(1, 8))
def test_a_piece_left_by_a_drain_is_joined_with_what_follows(cut: int) -> None:
    """Wherever the drain ended, between end and checksum too."""
    told: list[str] = []
    wire = framing(BEHIND)
    rule = (
        Template.compile("!SAFE", Dialect(), sending=False),
        Event.model_validate({"line": "!SAFE", "means": "safe"}),
    )
    rules = EventRules(wire, (rule,), lambda event, _fields, _raw: told.append(event.line))
    message = wire.wrap(b"!SAFE", {})
    rules.absorb(message[:cut])
    assert not told
    rules.absorb(message[cut:])
    assert told == ["!SAFE"]


@pytest.mark.parametrize(
    "change",
    [
        {"checksum": None, "envelope": None},
        {"receive": {"end": ["\\x03", "\\x04"], "check_behind_end": "yes"}},
        {"receive": {"end": "\\x03", "length": "9", "check_behind_end": "yes"}},
    ],
    ids=["no checksum", "two ends", "a length"],
)
def test_a_checksum_behind_the_end_needs_one_end_and_no_length(change: dict[str, Any]) -> None:
    """The model says what is missing."""
    with pytest.raises(ValueError, match="check_behind_end"):
        Framing.model_validate({**BEHIND, **change})


def test_a_prompt_bears_the_station_s_address() -> None:
    """Two digits before the mark."""
    wire = framing({"receive": {"prompt": "{unit:d2}>"}}, unit=7)
    assert wire.frame.prompt == b"07>"


@pytest.mark.parametrize("prompt", ["{unit:d2}>", "{slot:d}>", "{>"])
def test_a_prompt_without_an_address_to_bear_is_refused(prompt: str) -> None:
    """No address, another field, a lone brace."""
    with pytest.raises(TemplateError):
        framing({"receive": {"prompt": prompt}})


def test_escapes_hold_in_templates_too() -> None:
    r"""In single quotes \t is a tabulator, not two characters."""
    exchange = Exchange.model_validate({"send": "A\\tB\\x1b", "reply": "{skip}\\t{skip}"})
    assert exchange.send == "A\tB\x1b"
    assert exchange.reply == ("{skip}\t{skip}",)


def test_an_unknown_escape_in_a_template_is_refused() -> None:
    """With the escapes there are."""
    with pytest.raises(ValueError, match="escape"):
        Exchange.model_validate({"send": "A\\q"})
