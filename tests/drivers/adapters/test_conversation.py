"""One exchange: what must come back, and what it means when it doesn't."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.adapters.tester import ProfileTester
from drivers.language.profile import parse_profile
from drivers.language.profile_tester import TesterProfile
from orchestrator.clock import VirtualClock
from orchestrator.documents import Document
from orchestrator.errors import InstrumentRefused, ProtocolFault, TimedOut, WrongInstrument
from orchestrator.model.words import StepKind, TesterState

from .pump import Answers, Fake, Pump
from .texts import KEY_VALUE, adapter_of, terse


def met(text: str, answers: Callable[[bytes], Answers]) -> tuple[ProfileTester, Pump, Fake]:
    clock = VirtualClock()
    fake = Fake(clock, answers)
    return adapter_of(text), Pump(fake, clock), fake


def echoing(said: dict[bytes, list[bytes]]) -> Callable[[bytes], Answers]:
    """Echo, then the lines given, each ended by LF."""

    def answers(message: bytes) -> Answers:
        if not message:
            return []
        return [line + b"\n" for line in (message, *said.get(message, [b"K"]))]

    return answers


WHO = {b"ID": [b"M,WENDLE", b"K"]}


def test_an_answer_between_echo_and_acknowledge_is_read() -> None:
    """Echo, data, K: the state is known."""
    adapter, pump, _ = met(terse(), echoing({b"QT": [b"B", b"K"]}))
    assert pump.run(adapter.poll()).state is TesterState.DWELLING


def test_an_echo_that_differs_is_a_protocol_fault_with_its_bytes() -> None:
    """A garbled line was not what was sent."""
    adapter, pump, _ = met(terse(), lambda m: [b"GX\n", b"K\n"] if m else [])
    with pytest.raises(ProtocolFault) as caught:
        pump.run(adapter.start())
    assert caught.value.raw == b"GX"


def test_a_refusal_in_place_of_the_acknowledge_tells_code_text_and_what_was_sent() -> None:
    """R04 instead of K."""
    adapter, pump, _ = met(terse(), echoing({b"GO": [b"R04"]}))
    with pytest.raises(InstrumentRefused, match="number out of range") as caught:
        pump.run(adapter.start())
    assert caught.value.sent == b"GO"
    assert "R04" in caught.value.answer


def test_a_refusal_before_the_acknowledge_is_not_lost_and_leaves_the_link_in_step() -> None:
    """Where the acknowledge still follows it is read, so the next exchange gets its own."""
    said = {b"GO": [b"R04", b"R09", b"K"], b"QT": [b"I", b"K"]}
    adapter, pump, _ = met(terse(closes="no"), echoing(said))
    with pytest.raises(InstrumentRefused, match=r"R04.*R09"):
        pump.run(adapter.start())
    assert pump.run(adapter.poll()).state is TesterState.OFF


def test_an_exchange_closed_without_its_data_is_a_protocol_fault() -> None:
    """K alone is no answer to a query."""
    adapter, pump, _ = met(terse(), echoing({b"QR": [b"K"], **WHO}))
    with pytest.raises(ProtocolFault, match="closed without an answer"):
        pump.run(adapter.talk.hold(_result(adapter), {}))


def test_a_line_that_fits_nothing_is_a_protocol_fault_with_its_bytes() -> None:
    """Garbage is not taken for anything."""
    adapter, pump, _ = met(terse(), echoing({b"QR": [b"garbage", b"K"], **WHO}))
    with pytest.raises(ProtocolFault) as caught:
        pump.run(adapter.talk.hold(_result(adapter), {}))
    assert caught.value.raw == b"garbage"


def test_an_unknown_verdict_is_a_protocol_fault_and_never_a_default() -> None:
    """'X' is neither pass nor fail."""
    adapter, pump, _ = met(terse(), echoing({b"QR": [b"X0071", b"K"], **WHO}))
    with pytest.raises(ProtocolFault):
        pump.run(adapter.talk.hold(_result(adapter), {}))


def test_an_unknown_state_word_is_the_state_unknown_which_counts_as_energised() -> None:
    """A word that no rule names."""
    adapter, pump, _ = met(terse(), echoing({b"QT": [b"Z", b"K"]}))
    state = pump.run(adapter.poll()).state
    assert state is TesterState.UNKNOWN
    assert state.active


def test_silence_is_timed_out() -> None:
    """Nothing comes: the deadline ends the exchange."""
    adapter, pump, _ = met(terse(), lambda _: [])
    with pytest.raises(TimedOut):
        pump.run(adapter.identify())


def test_a_reading_exchange_is_repeated_once() -> None:
    """The first answer is lost; once the link is proved in step it is asked again."""
    lost = iter([True])
    answers = echoing({b"QT": [b"I", b"K"], **WHO})
    adapter, pump, fake = met(terse(), lambda m: [] if m and next(lost, False) else answers(m))
    assert pump.run(adapter.poll()).state is TesterState.OFF
    assert fake.messages == [b"QT", b"ID", b"QT"]


@pytest.mark.parametrize("message", [b"GO", b"QR"])
def test_an_act_and_a_consuming_query_are_never_repeated(message: bytes) -> None:
    """A start, or a query that clears what it reads, goes out once."""
    adapter, pump, fake = met(terse(result_class="consumes"), lambda _: [])
    made = adapter.compiled
    exchange = made.start if message == b"GO" else _result(adapter)
    with pytest.raises(TimedOut):
        pump.run(adapter.talk.hold(exchange, {}))
    assert fake.messages == [message]


def test_what_comes_late_of_a_stop_does_not_answer_the_next_exchange() -> None:
    """A query is cut off, the stop goes out, its echo and K come late: then all is in step."""
    said = {
        b"QT": [b"B", b"K"],
        b"ST": [b"K"],
        b"ID": [b"WENDLE MAKERS,WENDLE", b"K"],
    }
    answers = echoing(said)

    def late(message: bytes) -> Answers:
        return [(0.03, line) for line in answers(message) if isinstance(line, bytes)]

    adapter, pump, _ = met(terse(), late)
    pump.send(b"QT\n")
    pump.send(adapter.stop_bytes[0])
    adapter.stopped()
    adapter.absorb(pump.drain(0.001))
    pump.run(adapter.resync())
    said[b"QT"] = [b"I", b"K"]
    assert pump.run(adapter.poll()).state is TesterState.OFF


def test_resync_is_not_satisfied_by_the_late_answer_to_an_earlier_identical_query() -> None:
    """The first identity comes 120 ms late, when the second has been asked already."""
    answers = echoing({b"ID": [b"M,WENDLE", b"K"], b"QT": [b"I", b"K"]})
    delays = iter([0.12])

    def late(message: bytes) -> Answers:
        after_s = next(delays, 0.0) if message else 0.0
        return [(after_s, line) for line in answers(message) if isinstance(line, bytes)]

    adapter, pump, _ = met(terse(), late)
    pump.send(b"ID\n")
    pump.run(adapter.resync())
    assert pump.run(adapter.poll()).state is TesterState.OFF


def test_another_instrument_is_not_taken_for_this_one() -> None:
    """The model is part of the identity."""
    adapter, pump, _ = met(terse(), echoing({b"ID": [b"M,OTHER", b"K"]}))
    with pytest.raises(WrongInstrument, match="OTHER"):
        pump.run(adapter.identify())


def test_stop_bytes_are_ready_with_framing_checksum_and_address() -> None:
    """The sum of every byte before the check, modulo 256, as two hex digits."""
    body = b"A07:do=stop*"
    (stop,) = adapter_of(KEY_VALUE).stop_bytes
    assert stop == body + f"{sum(body) & 0xFF:02X}".encode() + b"\n"


def test_a_telegram_with_a_wrong_checksum_is_a_protocol_fault() -> None:
    """One digit off."""
    adapter, pump, _ = met(KEY_VALUE, lambda _: [b"A07:st=idle*00\n"])
    with pytest.raises(ProtocolFault, match="checksum"):
        pump.run(adapter.poll())


def test_the_station_address_of_a_tester_may_be_another_than_the_profiles() -> None:
    """In every message, the stop too; an answer from another address isn't taken."""
    document = parse_profile(KEY_VALUE, "profile of the test")
    assert isinstance(document.model, TesterProfile)
    own = ProfileTester(Document.built(document.model, "x"), "T", address=12)
    assert own.stop_bytes[0].startswith(b"A12:do=stop*")
    body = b"A07:st=idle*"
    telegram = body + f"{sum(body) & 0xFF:02X}".encode() + b"\n"
    clock = VirtualClock()
    fake = Fake(clock, lambda _: [telegram])
    with pytest.raises(WrongInstrument, match="unit 7 answers, 12 was asked"):
        Pump(fake, clock).run(own.poll())
    assert fake.messages[0].startswith(b"A12:get=st*")


def test_a_unit_suffix_may_change_and_a_prefix_makes_a_bound() -> None:
    """'i=71uA' is 0.071 mA; 'u=>5.000kV' is above 5 kV."""
    body = b"A07:v=ok,i=71uA,u=>5.000kV*"
    telegram = body + f"{sum(body) & 0xFF:02X}".encode() + b"\n"
    adapter, pump, _ = met(KEY_VALUE, lambda _: [telegram])
    fields = pump.run(adapter.talk.hold(_result(adapter), {})).fields
    assert str(fields["reading"].value) in {"0.000071", "0.0000710"}
    assert fields["level_reached"].bound == "above"


def _result(adapter: ProfileTester) -> Any:
    return adapter.compiled.kinds[StepKind.WITHSTAND_AC].result
