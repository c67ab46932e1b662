"""The contracts can fail: each planted fault is caught by the rule that forbids it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.subjects import LatticeSubject, OrrinSubject, PellSubject, StaveSubject
from orchestrator.conformance import (
    Broken,
    InputBlockContract,
    LinkContract,
    RelayMatrixContract,
    RunStoreContract,
    SafetyTesterContract,
)
from orchestrator.contract import Sample
from orchestrator.errors import LinkLost, TimedOut
from tests.conformance import mutants
from tests.conformance.test_shipped_links import EndSubject, SimulatedSubject
from tests.conformance.test_shipped_store_and_inputs import FileSubject, GuardSubject, SqliteSubject
from tests.drivers.links.far_ends import tcp_end

TESTERS: list[tuple[Any, str, type[StaveSubject | OrrinSubject | PellSubject]]] = [
    (mutants.LiesAboutOff, "off_is_never_told_of_an_output_that_is_on", StaveSubject),
    (mutants.TakesSilenceForOff, "off_is_never_told_of_an_output_that_is_on", StaveSubject),
    (mutants.TakesSilenceForOff, "silence_is_never_taken_for_an_answer", StaveSubject),
    (mutants.NeverOff, "a_stop_in_a_run_ends_it", StaveSubject),
    (mutants.BelievesOldResults, "an_old_result_isn_t_believed", OrrinSubject),
    (mutants.PassesEverything, "a_bad_load_doesn_t_pass", StaveSubject),
    (mutants.PassesEverything, "a_stop_in_a_run_ends_it", OrrinSubject),
    (mutants.PassesEverything, "an_interlock_that_opens_in_a_run_is_told", OrrinSubject),
    (mutants.ClaimsMoreEvidence, "a_run_goes_to_its_end_with_a_result", StaveSubject),
    (mutants.RoundsTheLevelDown, "quantising_never_tests_less_than_was_asked", StaveSubject),
    (mutants.LoosensLimits, "quantising_never_tests_less_than_was_asked", StaveSubject),
    (mutants.LosesLimits, "quantising_never_tests_less_than_was_asked", StaveSubject),
    (mutants.CutsLevelsToTheRange, "a_level_out_of_range_is_refused_by_name", StaveSubject),
    (mutants.NamesTheWrongField, "a_level_out_of_range_is_refused_by_name", StaveSubject),
    (mutants.NamesTheWrongField, "a_dwell_without_end_is_refused", OrrinSubject),
    (mutants.ChangesItsMind, "quantising_is_pure", StaveSubject),
    (mutants.IgnoresRefusals, "a_refused_set_up_is_told", StaveSubject),
    (mutants.IgnoresRefusals, "a_refused_set_up_is_told", OrrinSubject),
    (mutants.IgnoresSilence, "a_set_up_that_nobody_answers_is_told", StaveSubject),
    (mutants.TakesAnyBatch, "too_long_a_batch_is_refused", StaveSubject),
    (mutants.EnergisesInPrepare, "a_run_goes_to_its_end_with_a_result", StaveSubject),
    (mutants.StartsAgain, "a_start_is_never_repeated", StaveSubject),
    (mutants.StartsAgain, "a_start_is_never_repeated", OrrinSubject),
    (mutants.AlwaysCleared, "one_clearing_is_evidence_for_one_start", StaveSubject),
    (mutants.SetsUpOnlyOnce, "an_old_result_isn_t_believed", PellSubject),
    (mutants.SetsUpOnlyOnce, "an_old_result_isn_t_believed", StaveSubject),
    (mutants.TakesAnybody, "another_instrument_is_refused", StaveSubject),
    (mutants.HidesTheSimulation, "it_says_who_is_there", StaveSubject),
    (mutants.AlwaysClosed, "the_interlock_is_told_as_it_is", StaveSubject),
    (mutants.NeverTellsTheInterlock, "an_interlock_that_opens_in_a_run_is_told", OrrinSubject),
    (mutants.SwallowsTheLoss, "a_lost_link_is_told", StaveSubject),
    (mutants.CompleteInSilence, "silence_is_never_taken_for_an_answer", StaveSubject),
    (mutants.CompleteInSilence, "nothing_is_believed_of_a_run_that_can_t_be_seen", StaveSubject),
    (mutants.ChokesOnBytes, "absorb_takes_any_bytes", StaveSubject),
    (mutants.RaisesTheWrongKind, "garbage_in_place_of_every_answer_does_no_harm", StaveSubject),
    (mutants.NoStop, "the_stop_is_ready_before_anything_else", StaveSubject),
    (mutants.StopsAtRandom, "the_stop_is_ready_before_anything_else", StaveSubject),
    (mutants.WaitsForEver, "it_says_who_is_there", StaveSubject),
    (mutants.TurnsInCircles, "it_says_who_is_there", StaveSubject),
    (mutants.SaysNothing, "it_says_who_is_there", StaveSubject),
    (mutants.AsksForTheMoon, "it_says_who_is_there", StaveSubject),
    (mutants.ResyncsWithoutAsking, "silence_is_never_taken_for_an_answer", StaveSubject),
    (mutants.Unarmed, "its_protections_are_on_after_arming", StaveSubject),
    (mutants.ContradictsItself, "the_abilities_agree_with_each_other", StaveSubject),
    (mutants.ClaimsASilentStop, "a_silent_stop_is_silent", PellSubject),
]

MATRICES = [
    (mutants.KeepsWhatWasClosed, "a_route_is_brought_exactly"),
    (mutants.ForgetsAContact, "a_route_is_brought_exactly"),
    (mutants.DoesNotWait, "a_route_is_brought_exactly"),
    (mutants.TellsWhatWasOrdered, "a_welded_contact_is_read_back"),
    (mutants.TakesSilenceForOpen, "silence_is_never_taken_for_an_answer"),
    (mutants.TakesSilenceForOpen, "garbage_in_place_of_every_answer_does_no_harm"),
    (mutants.TakesSilenceForOpen, "a_lost_link_is_told"),
    (mutants.OpensNothing, "opening_opens_everything"),
    (mutants.ForgetsAUnit, "every_unit_says_who_it_is"),
    (mutants.TakesAnotherInItsPlace, "a_contact_that_does_not_exist_never_counts_as_closed"),
    (mutants.ChokesOnBytes, "absorb_takes_any_bytes"),
    (mutants.ResyncsWithoutAsking, "silence_is_never_taken_for_an_answer"),
]


def breaks(contract: object, rule: str, subject: Any) -> None:
    """The rule, on a subject with a planted fault, raises Broken."""
    try:
        with pytest.raises(Broken):
            getattr(contract, f"test_{rule}")(subject)
    finally:
        subject.close()


@pytest.mark.parametrize(
    ("mutant", "rule", "base"), TESTERS, ids=[f"{m.__name__}-{b.kind}" for m, _, b in TESTERS]
)
def test_a_faulty_tester_is_caught_by_the_rule_it_breaks(
    mutant: Any, rule: str, base: type[StaveSubject]
) -> None:
    """One fault, one rule; test_shipped_drivers.py has the sound adapters pass the same rules."""
    subject = base()
    subject.tester = mutant(subject.tester)
    breaks(SafetyTesterContract(), rule, subject)


@pytest.mark.parametrize(("mutant", "rule"), MATRICES, ids=[f"{m.__name__}" for m, _ in MATRICES])
def test_a_faulty_matrix_is_caught_by_the_rule_it_breaks(mutant: Any, rule: str) -> None:
    """One fault, one rule."""
    subject = LatticeSubject()
    subject.matrix = mutant(subject.matrix)
    breaks(RelayMatrixContract(), rule, subject)


def raising(error: Exception) -> Callable[..., Any]:
    def act(*_: object) -> Any:
        raise error

    return act


@pytest.mark.parametrize(
    ("method", "act", "rule"),
    [
        ("receive", raising(TimedOut("late")), "silence_is_no_bytes_after_the_time_given"),
        ("receive", lambda _sound, _s: b"", "silence_is_no_bytes_after_the_time_given"),
        ("receive", lambda sound, s: sound.receive(s + 3), "a_time_of_zero_only_looks"),
        (
            "receive",
            lambda sound, s: sound.receive(s).replace(b"\x11", b""),
            "bytes_arrive_as_they_were_sent",
        ),
        (
            "send",
            lambda sound, data: sound.send(data.replace(b"\n", b"\r\n")),
            "bytes_arrive_as_they_were_sent",
        ),
        ("send", lambda _sound, _data: None, "order_is_kept"),
        ("send", lambda _sound, _data: None, "a_closed_link_says_so"),
        ("reopen", lambda sound: sound.close(), "it_can_be_opened_again"),
    ],
)
def test_a_faulty_link_is_caught_by_the_rule_it_breaks(
    method: str, act: Callable[..., Any], rule: str
) -> None:
    """One method wrong, one rule."""
    subject = SimulatedSubject()
    subject.link = mutants.Changed(subject.link, method, act)
    if rule == "it_can_be_opened_again":
        with pytest.raises(LinkLost):
            LinkContract().test_it_can_be_opened_again(subject)
        return
    breaks(LinkContract(), rule, subject)


def test_a_link_that_takes_a_loss_for_silence_is_caught() -> None:
    """On a real socket whose far end hangs up."""

    def deaf(sound: Any, within_s: float) -> bytes:
        try:
            data: bytes = sound.receive(within_s)
        except LinkLost:
            return b""
        return data

    subject = EndSubject(tcp_end, hangs_up=True)
    subject.link = mutants.Changed(subject.link, "receive", deaf)
    breaks(LinkContract(), "a_far_end_that_hangs_up_is_told", subject)


@pytest.mark.parametrize(
    ("act", "rule"),
    [
        (raising(OSError("gone")), "what_can_t_be_read_is_open"),
        (raising(OSError("gone")), "it_follows_what_it_looks_at"),
        (lambda _sound: Sample(True, 0.0), "it_follows_what_it_looks_at"),
    ],
)
def test_a_faulty_input_is_caught_by_the_rule_it_breaks(act: Any, rule: str) -> None:
    """An exception out of a scan, or an input that is always closed."""
    subject = FileSubject()
    subject.block = mutants.Changed(subject.block, "sample", act)
    breaks(InputBlockContract(), rule, subject)


def test_an_input_that_holds_its_last_value_is_caught() -> None:
    """'Closed' for ever, with the time of now."""
    subject = FileSubject()
    clock = subject.clock
    seen = [True]

    def hold(sound: Any) -> Sample:
        sample: Sample = sound.sample()
        if "can't be read" not in sample.detail:
            seen[0] = sample.closed
        return Sample(seen[0], clock.monotonic())

    subject.block = mutants.Changed(subject.block, "sample", hold)
    breaks(InputBlockContract(), "what_can_t_be_read_is_open", subject)


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda sample, now_s: Sample(sample.closed, now_s + 1), "a_sample_carries_the_time"),
        (lambda sample, _now_s: Sample(sample.closed, -1.0), "a_sample_carries_the_time"),
    ],
)
def test_a_wrong_time_of_a_sample_is_caught(change: Any, rule: str) -> None:
    """From the future, or never renewed."""
    subject = GuardSubject()
    clock = subject.clock
    act = lambda sound: change(sound.sample(), clock.monotonic())  # noqa: E731
    subject.block = mutants.Changed(subject.block, "sample", act)
    breaks(InputBlockContract(), f"{rule}_of_its_reading", subject)


def test_a_slow_input_is_caught() -> None:
    """20 ms a sample: longer than a scan."""
    subject = GuardSubject()
    clock = subject.clock

    def slow(sound: Any) -> Any:
        clock.sleep(0.02)
        return sound.sample()

    subject.block = mutants.Changed(subject.block, "sample", slow)
    breaks(InputBlockContract(), "sampling_is_quick", subject)


class Promise:
    def done(self) -> bool:
        return True


class ForgetfulStore(mutants.Mutant):
    def unfinished(self) -> tuple[str, ...]:
        return ()


class HastyStore(mutants.Mutant):
    """Says 'done' and writes only when closed."""

    def __init__(self, sound: Any) -> None:
        super().__init__(sound)
        self.kept: list[Any] = []

    def append(self, entry: Any) -> Promise:
        self.kept.append(entry)
        return Promise()

    def close(self) -> None:
        for entry in self.kept:
            self.sound.append(entry)
        self.sound.close()


class DisorderlyStore(HastyStore):
    def close(self) -> None:
        self.kept.reverse()
        super().close()


class LosingStore(HastyStore):
    def close(self) -> None:
        del self.kept[-1]
        super().close()


@pytest.mark.parametrize(
    ("mutant", "rule"),
    [
        (ForgetfulStore, "unfinished_runs_are_known_after_a_crash"),
        (HastyStore, "done_means_that_others_can_read_it"),
        (HastyStore, "a_later_change_of_the_body_doesn_t_reach_the_journal"),
        (DisorderlyStore, "entries_are_kept_in_order_and_whole"),
        (LosingStore, "closing_writes_what_is_queued"),
    ],
)
def test_a_faulty_journal_is_caught_by_the_rule_it_breaks(mutant: Any, rule: str) -> None:
    """One fault, one rule."""

    class Subject(SqliteSubject):
        def open(self) -> Any:
            return mutant(super().open())

    breaks(RunStoreContract(), rule, Subject())
