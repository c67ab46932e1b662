"""How an old result is kept from passing for a new one, where no counter helps."""

from __future__ import annotations

import pytest

from orchestrator.clock import VirtualClock
from orchestrator.errors import InstrumentRefused, SetupMismatch
from orchestrator.model.words import Evidence

from .pump import Answers, Fake, Pump
from .texts import KIND, adapter_of, withstand

TEXT = """
profile: 1
kind: tester
name: Trammel
framing: {send: {end: '\\n'}, receive: {end: '\\n'}, refusal: 'no {message}'}
timing: {reply: 100 ms, resync_quiet: 20 ms}
words: {verdict: {pass: good}, state: {idle: idle, run: run, done: done}}
identify: {send: id, reply: '{model}'}
start: {send: go, reply: ok, class: acts}
stop: {send: halt}
status: {send: st, reply: '{state}'}
states:
  - {state: 'off', when: {state: idle}}
  - {state: dwelling, when: {state: run}}
  - {state: complete, when: {state: done}}
result: {send: res, reply: '{verdict} {reading:mA .2}'}
clear: {exchanges: {send: wipe, reply: ok}, proof: PROOF}
freshness: [cleared]
off: {proof: state}
keep_alive: {send: tick, reply: ok, every: 2 s}
memory:
  slots: 4
  clear_tail: {send: 'cut {next_slot:d}', reply: ok}
  count: {send: count, reply: '{count:d}'}
""" + KIND.replace("[SETUP]", "[{send: 'set {level:V .0} {at_most:mA .2}', reply: ok}]")
ORDER = withstand(rise=None, fall=None)


def met(proof: str, said: dict[bytes, bytes]) -> tuple[Pump, Fake]:
    clock = VirtualClock()

    def answers(message: bytes) -> Answers:
        return [said.get(message, b"ok") + b"\n"]

    fake = Fake(clock, answers)
    return Pump(fake, clock), fake


def test_a_cleared_result_is_proved_by_the_state() -> None:
    """Idle after the clearing: whatever result comes now is of this start."""
    pump, _ = met("state", {b"st": b"idle", b"res": b"good 0.50", b"count": b"1"})
    tester = adapter_of(TEXT.replace("PROOF", "state"))
    pump.run(tester.prepare((ORDER,)))
    mark = pump.run(tester.start())
    assert mark.cleared
    assert pump.run(tester.result(mark, 0)).evidence == {Evidence.CLEARED}


def test_a_result_that_still_stands_after_clearing_is_refused() -> None:
    """The state says done still."""
    pump, _ = met("state", {b"st": b"done", b"count": b"1"})
    with pytest.raises(InstrumentRefused, match="complete after the result was cleared"):
        pump.run(adapter_of(TEXT.replace("PROOF", "state")).prepare((ORDER,)))


def test_a_cleared_result_is_proved_by_a_refusal_of_the_query() -> None:
    """'no result' is the proof, a result is the contrary."""
    tester = adapter_of(TEXT.replace("PROOF", "refused"))
    pump, _ = met("refused", {b"st": b"idle", b"res": b"no result", b"count": b"1"})
    pump.run(tester.prepare((ORDER,)))
    assert pump.run(tester.start()).cleared
    pump, _ = met("refused", {b"st": b"idle", b"res": b"good 0.50", b"count": b"1"})
    with pytest.raises(InstrumentRefused, match="old result"):
        pump.run(tester.prepare((ORDER,)))


def test_without_a_proof_clearing_is_no_evidence() -> None:
    """The command was accepted; that is all."""
    tester = adapter_of(TEXT.replace("PROOF", "none"))
    pump, _ = met("none", {b"st": b"idle", b"res": b"good 0.50", b"count": b"1"})
    pump.run(tester.prepare((ORDER,)))
    mark = pump.run(tester.start())
    assert not mark.cleared
    assert pump.run(tester.result(mark, 0)).evidence == frozenset()


def test_the_evidence_of_clearing_holds_for_one_start_only() -> None:
    """A second start without a new set-up isn't cleared."""
    tester = adapter_of(TEXT.replace("PROOF", "state"))
    pump, _ = met("state", {b"st": b"idle", b"count": b"1"})
    pump.run(tester.prepare((ORDER,)))
    assert pump.run(tester.start()).cleared
    assert not pump.run(tester.start()).cleared


def test_a_slot_too_many_in_the_memory_is_a_mismatch() -> None:
    """Two stored, one sent."""
    pump, _ = met("state", {b"st": b"idle", b"count": b"2"})
    with pytest.raises(SetupMismatch, match="2 steps stored, 1 sent"):
        pump.run(adapter_of(TEXT.replace("PROOF", "state")).prepare((ORDER,)))


def test_the_tail_is_cleared_behind_the_last_step_unless_the_memory_is_full() -> None:
    """After two of four slots the third is the first to go; after four there is none."""
    tester = adapter_of(TEXT.replace("PROOF", "state"))
    said = {b"st": b"idle", b"count": b"2"}
    pump, fake = met("state", said)
    pump.run(tester.prepare((ORDER, ORDER)))
    assert b"cut 3" in fake.messages
    said[b"count"] = b"4"
    pump, fake = met("state", said)
    pump.run(tester.prepare((ORDER,) * 4))
    assert not any(message.startswith(b"cut") for message in fake.messages)


def test_keep_alive_sends_what_the_profile_says() -> None:
    """And tells how often."""
    tester = adapter_of(TEXT.replace("PROOF", "state"))
    pump, fake = met("state", {})
    pump.run(tester.keep_alive())
    assert fake.messages == [b"tick"]
    assert tester.abilities.keep_alive_s == 2
