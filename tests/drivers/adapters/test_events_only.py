"""A tester without a state query: a prompt, and lines that come unasked."""

from __future__ import annotations

import pytest

from drivers.adapters.tester import ProfileTester
from orchestrator.clock import VirtualClock
from orchestrator.errors import InstrumentRefused, TimedOut
from orchestrator.model.words import Evidence, Measured, TesterState

from .pump import Answers, Fake, Pump
from .texts import EVENTS_ONLY, adapter_of, withstand

PROMPT = b"> "


def answers(message: bytes) -> Answers:
    said = {b"who": [b"I am Someone Marl\r\n", PROMPT], b"set": [PROMPT], b"go": [PROMPT]}
    return said.get(message.split(b" ")[0], [PROMPT])


@pytest.fixture
def bench() -> tuple[ProfileTester, Pump, Fake]:
    clock = VirtualClock()
    fake = Fake(clock, answers, end=b"\r\n")
    adapter, pump = adapter_of(EVENTS_ONLY), Pump(fake, clock)
    pump.run(adapter.prepare((adapter.quantise(withstand(rise=None, fall=None)),)))
    return adapter, pump, fake


Bench = tuple[ProfileTester, Pump, Fake]


def test_events_tell_the_state(bench: Bench) -> None:
    """Unknown until a line comes, then what the line says."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    assert pump.run(adapter.poll()).state is TesterState.UNKNOWN
    fake.say(b"!up\r\n> ")
    assert pump.run(adapter.poll()).state is TesterState.RISING


def test_an_event_in_the_middle_of_an_exchange_is_absorbed(bench: Bench) -> None:
    """A line before the answer is taken as the event it is."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    fake.say(b"!hold\r\n> ")
    assert pump.run(adapter.identify()).model == "Marl"
    assert pump.run(adapter.poll()).state is TesterState.DWELLING


def test_the_prompt_written_again_behind_an_event_closes_nothing(bench: Bench) -> None:
    """Three exchanges behind an event: none is one answer off."""
    adapter, pump, fake = bench
    fake.say(b"!up\r\n> ")
    for _ in range(3):
        assert pump.run(adapter.identify()).maker == "Someone"


def test_a_result_comes_as_an_event_and_says_so(bench: Bench) -> None:
    """Evidence 'event', verdict and reading of the line."""
    adapter, pump, fake = bench
    mark = pump.run(adapter.start())
    fake.say(b"!up\r\n> !end good 0.71mA\r\n> ")
    assert pump.run(adapter.poll()).state is TesterState.COMPLETE
    result = pump.run(adapter.result(mark, 0))
    assert result.verdict == "pass"
    assert str(result.values[Measured.TOTAL_CURRENT].value) == "0.00071"
    assert result.evidence == {Evidence.EVENT}


def test_an_event_result_from_before_the_start_is_not_this_starts(bench: Bench) -> None:
    """The old line is forgotten by the start."""
    adapter, pump, fake = bench
    fake.say(b"!end good 0.71mA\r\n> ")
    pump.run(adapter.poll())
    mark = pump.run(adapter.start())
    with pytest.raises(TimedOut):
        pump.run(adapter.result(mark, 0))


def test_silence_proves_nothing(bench: Bench) -> None:
    """No line, no proof of off."""
    adapter, pump, _ = bench
    pump.run(adapter.start())
    assert not pump.run(adapter.confirm_off()).off


def test_a_safe_event_that_answers_no_stop_proves_nothing(bench: Bench) -> None:
    """It was said before the stop went out."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    fake.say(b"!safe\r\n> ")
    assert not pump.run(adapter.confirm_off()).off
    adapter.stopped()
    assert not pump.run(adapter.confirm_off()).off


def test_the_safe_event_after_a_stop_proves_off_and_discharged(bench: Bench) -> None:
    """Stop, then the line."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    adapter.stopped()
    fake.say(b"!safe\r\n> ")
    proof = pump.run(adapter.confirm_off())
    assert proof.off
    assert proof.discharged


def test_a_new_start_voids_the_proof(bench: Bench) -> None:
    """Safe was safe before."""
    adapter, pump, fake = bench
    adapter.stopped()
    fake.say(b"!safe\r\n> ")
    assert pump.run(adapter.confirm_off()).off
    pump.run(adapter.start())
    assert not pump.run(adapter.confirm_off()).off


@pytest.mark.parametrize("cut", range(1, 8))
def test_the_safe_line_is_not_lost_however_a_drain_cuts_it(bench: Bench, cut: int) -> None:
    """Drained in two pieces, at every byte."""
    adapter, pump, _ = bench
    pump.run(adapter.start())
    adapter.stopped()
    line = b"!safe\r\n"
    adapter.absorb(line[:cut])
    adapter.absorb(line[cut:])
    assert pump.run(adapter.confirm_off()).off


@pytest.mark.parametrize("cut", range(1, 6))
def test_a_line_whose_rest_comes_with_the_next_exchange_is_not_lost(bench: Bench, cut: int) -> None:
    """The drain had the beginning, the next read has the end."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    adapter.stopped()
    adapter.absorb(b"!safe\r\n"[:cut])
    fake.say(b"!safe\r\n"[cut:])
    assert pump.run(adapter.identify()).model == "Marl"
    assert pump.run(adapter.confirm_off()).off


def test_an_opened_interlock_stays_known_though_another_event_follows(bench: Bench) -> None:
    """Latched in Progress until the next start."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    fake.say(b"!door\r\n> !end bad 0.00mA\r\n> ")
    pump.run(adapter.poll())
    assert pump.run(adapter.poll()).latched_open


def test_after_a_power_cycle_nothing_is_known(bench: Bench) -> None:
    """The greeting of a restart makes the state unknown, and no proof."""
    adapter, pump, fake = bench
    pump.run(adapter.start())
    fake.say(b"!hello\r\n> ")
    assert pump.run(adapter.poll()).state is TesterState.UNKNOWN
    adapter.stopped()
    assert not pump.run(adapter.confirm_off()).off


def test_a_refusal_before_the_prompt_is_heard(bench: Bench) -> None:
    """'? too high' and then the prompt."""
    adapter, pump, fake = bench
    fake._answers = lambda _: [b"? too high\r\n", PROMPT]
    with pytest.raises(InstrumentRefused, match="too high"):
        pump.run(adapter.start())
