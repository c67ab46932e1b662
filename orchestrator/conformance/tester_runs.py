"""What a tester's adapter promises of a run: set-up, start, result, off."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from orchestrator.conformance.base import Contract
from orchestrator.conformance.demands import Broken, demand, not_offered
from orchestrator.conformance.subjects import TesterSubject
from orchestrator.conformance.talking import SPOILINGS, Talker, mute
from orchestrator.conformance.tester_talks import believed, brought_up
from orchestrator.contract import CannotCarry, StartMark, Talk
from orchestrator.errors import InstrumentFault, LinkError, OhmwardError
from orchestrator.model.record import TesterReading
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import Evidence, TesterState

LONGEST_RUN_S = 60.0
ENDED = {TesterState.COMPLETE, TesterState.OFF, TesterState.TRIPPED, TesterState.INTERLOCK_OPEN}


@dataclass
class Run:
    """A run on the subject: the talker, the quantised order, the mark, what was seen."""

    subject: TesterSubject
    talker: Talker
    order: StepOrder
    mark: StartMark
    seen: set[TesterState]

    def to_its_end(self) -> TesterState:
        """Poll as the engine does until it has ended; the last state."""
        tester, clock = self.subject.tester, self.subject.clock
        poll_s = float(tester.abilities.poll_s)
        lag_until_s = clock.monotonic() + float(tester.abilities.start_lag_s)
        until_s = clock.monotonic() + LONGEST_RUN_S
        while clock.monotonic() < until_s:
            state = self.talker.hold(tester.poll()).state
            if state.active or clock.monotonic() > lag_until_s:
                self.seen.add(state)
                if state in ENDED:
                    return state
            clock.sleep(poll_s)
        raise Broken(f"a run of a few seconds ends within {LONGEST_RUN_S:g} s; saw {self.seen}")

    def until_on(self) -> None:
        """Wait until the instrument itself says that its output is on."""
        clock = self.subject.clock
        until_s = clock.monotonic() + 5.0
        while not self.subject.output_on():
            demand(clock.monotonic() < until_s, "start energises the output within 5 s")
            clock.sleep(0.02)

    def until_off(self) -> None:
        """Look until off is confirmed, within what the abilities promise."""
        subject, tester = self.subject, self.subject.tester
        until_s = subject.clock.monotonic() + float(tester.abilities.off_within_s)
        while True:
            proof = self.talker.outcome(tester.confirm_off())
            if not isinstance(proof, OhmwardError) and proof.off:
                demand(not subject.output_on(), "'off' is told only of an output that is off")
                return
            demand(
                subject.clock.monotonic() <= until_s,
                "off is confirmed within abilities.off_within_s of a stop or an end",
                proof,
            )
            subject.clock.sleep(0.05)


def prepared(subject: TesterSubject) -> tuple[Talker, StepOrder]:
    """Brought up, the order set up."""
    talker = brought_up(subject)
    order = subject.tester.quantise(subject.order())
    talker.hold(subject.tester.prepare((order,)))
    return talker, order


def started(subject: TesterSubject) -> Run:
    """Brought up, set up and started."""
    talker, order = prepared(subject)
    demand(not subject.output_on(), "prepare energises nothing")
    return Run(subject, talker, order, talker.hold(subject.tester.start()), set())


def fresh(tester_ways: frozenset[Evidence], mark: StartMark, came: object) -> bool:
    """Whether a result would be taken for this start's, without a look that saw it active."""
    if not isinstance(came, TesterReading) or came.verdict is None:
        return False
    if came.evidence & tester_ways & {Evidence.COUNTER, Evidence.EVENT}:
        return True
    return Evidence.CLEARED in tester_ways and mark.cleared


def energising(subject: TesterSubject, talker: Talker) -> int:
    """Which message of a start energises, from 0; found by waiting between them."""
    on: list[bool] = []

    def wait_and_look(data: bytes) -> bytes:
        subject.clock.sleep(0.3)
        on.append(subject.output_on())
        return data

    talker.tap.on_send = wait_and_look
    talker.hold(subject.tester.start())
    talker.tap.restore()
    subject.clock.sleep(0.3)
    on.append(subject.output_on())
    demand(any(on), "start energises")
    return on.index(True) - 1


class TesterRuns(Contract[TesterSubject]):
    """Rules of a run, from the set-up to 'off'."""

    def test_a_run_goes_to_its_end_with_a_result(self, subject: TesterSubject) -> None:
        """Seen active, ended by itself, off and discharged as graded, a pass with readings that
        were declared and the evidence that was promised."""
        run, tester = started(subject), subject.tester
        last = run.to_its_end()
        demand(last in {TesterState.COMPLETE, TesterState.OFF}, "a good run completes", last)
        run.until_off()
        reading = run.talker.hold(tester.result(run.mark, 0))
        demand(reading.verdict == "pass", "a good load passes", reading)
        ability = tester.abilities.kinds[run.order.kind]
        demand(
            frozenset(reading.values) <= ability.readings and bool(reading.values),
            "a result holds readings that the abilities declare",
            reading,
        )
        ways = tester.abilities.freshness
        demand(reading.evidence <= ways, "a result claims declared evidence only", reading)
        active = Evidence.SEEN_ACTIVE in ways and any(state.active for state in run.seen)
        demand(
            fresh(ways, run.mark, reading) or active or not ways,
            "a result of this start is known to be its",
            (reading.evidence, run.mark),
        )

    def test_a_bad_load_doesn_t_pass(self, subject: TesterSubject) -> None:
        """The same order on a load that breaks its limit: a fail by the tester's own verdict."""
        subject.bad_load()
        run = started(subject)
        run.to_its_end()
        run.until_off()
        reading = run.talker.hold(subject.tester.result(run.mark, 0))
        demand(
            reading.verdict in {"fail", "breakdown"}, "a bad load gives the verdict fail", reading
        )

    def test_an_old_result_isn_t_believed(self, subject: TesterSubject) -> None:
        """The start gets lost on its way: what still stands from the run before is no result of
        this one."""
        run, tester = started(subject), subject.tester
        run.to_its_end()
        run.until_off()
        first = run.talker.hold(tester.result(run.mark, 0))
        demand(first.verdict == "pass", "a good load passes", first)
        run.talker.hold(tester.prepare((run.order,)))
        run.talker.tap.deaf = True
        mark = run.talker.outcome(tester.start())
        run.talker.tap.restore()
        if isinstance(mark, OhmwardError):
            run.talker.back_in_step()
            # As if it had been acknowledged: then only the clearing stands against the old result.
            mark = StartMark(cleared=Evidence.CLEARED in tester.abilities.freshness)
        subject.clock.sleep(float(tester.abilities.start_lag_s))
        come = run.talker.outcome(tester.result(mark, 0))
        demand(
            not fresh(tester.abilities.freshness, mark, come),
            "an old result isn't taken for that of a start that never came",
            come,
        )

    def test_one_clearing_is_evidence_for_one_start(self, subject: TesterSubject) -> None:
        """A second start without a new set-up can't lean on what was cleared before the first."""
        run, tester = started(subject), subject.tester
        if Evidence.CLEARED not in tester.abilities.freshness:
            not_offered("freshness by clearing")
        demand(run.mark.cleared, "prepare clears, and start says so", run.mark)
        run.to_its_end()
        run.until_off()
        again = run.talker.outcome(tester.start())
        run.talker.stop()
        demand(
            not (isinstance(again, StartMark) and again.cleared),
            "one clearing is evidence for one start",
            again,
        )

    def test_a_refused_set_up_is_told(self, subject: TesterSubject) -> None:
        """Where the instrument says no, prepare raises: nothing is started on a set-up that it
        didn't take."""
        talker, tester = brought_up(subject), subject.tester
        if tester.abilities.setup_check == "none":
            not_offered("a set-up that is checked")
        order = tester.quantise(subject.order())
        talker.tap.on_send = subject.spoiled
        came = talker.outcome(tester.prepare((order,)))
        talker.tap.restore()
        demand(isinstance(came, InstrumentFault | LinkError), "a refused set-up raises", came)

    def test_a_set_up_that_nobody_answers_is_told(self, subject: TesterSubject) -> None:
        """A mute or unplugged instrument is never set up, and never started."""
        talker, tester = brought_up(subject), subject.tester
        order = tester.quantise(subject.order())
        if tester.abilities.setup_check != "none":
            came = talker.spoilt(mute, tester.prepare((order,)))
            demand(isinstance(came, OhmwardError), "a set-up without an answer raises", came)
        talker.hold(tester.prepare((order,)))
        talker.tap.lost = True
        demand(
            isinstance(talker.outcome(tester.start()), LinkError),
            "a start on a lost link raises LinkError",
        )
        demand(not subject.output_on(), "nothing was energised")

    def test_a_start_is_never_repeated(self, subject: TesterSubject) -> None:
        """The message that energises gets lost on its way: that is told or found out by looking;
        it isn't sent again, as nobody can know what the first one did."""
        talker, order = prepared(subject)
        place = energising(subject, talker)
        talker.stop()
        Run(subject, talker, order, StartMark(), set()).until_off()
        talker.hold(subject.tester.prepare((order,)))
        first = len(talker.tap.sent) + 1

        def lose(data: bytes) -> bytes:
            return b"" if len(talker.tap.sent) - first == place else data

        talker.tap.on_send = lose
        came = talker.outcome(subject.tester.start())
        subject.clock.sleep(0.5)
        demand(not subject.output_on(), "a start is sent once and never again", came)

    def test_too_long_a_batch_is_refused(self, subject: TesterSubject) -> None:
        """One step more than there are slots raises CannotCarry before anything is energised."""
        talker, tester = brought_up(subject), subject.tester
        order = tester.quantise(subject.order())
        batch = tuple(order.in_slot(n) for n in range(tester.abilities.slots + 1))
        try:
            talker.hold(tester.prepare(batch), also=(CannotCarry,))
        except (CannotCarry, InstrumentFault):
            return
        raise Broken("a batch longer than abilities.slots is refused")

    def test_off_is_never_told_of_an_output_that_is_on(self, subject: TesterSubject) -> None:
        """Looked at throughout a run; relays would move under voltage otherwise."""
        run, tester = started(subject), subject.tester
        run.until_on()
        for _ in range(10):
            proof = run.talker.outcome(tester.confirm_off())
            if subject.output_on():
                told = not isinstance(proof, OhmwardError) and proof.off
                demand(not told, "confirm_off is honest while the output is on", proof)
            subject.clock.sleep(0.05)
        for name, spoil in SPOILINGS.items():
            proof = run.talker.spoilt(spoil, tester.confirm_off())
            demand(not believed("confirm_off", proof), f"{name} is no proof of 'off'", proof)

    def test_a_stop_in_a_run_ends_it(self, subject: TesterSubject) -> None:
        """Off within the time promised, whatever the adapter was doing, and no pass for it."""
        run, tester = started(subject), subject.tester
        stop = tester.stop_bytes
        run.until_on()
        run.talker.stop()
        run.until_off()
        demand(tester.stop_bytes == stop, "stop_bytes stays the same in a run", tester.stop_bytes)
        demand(not subject.output_on(), "the stop switched the output off")
        come = run.talker.outcome(tester.result(run.mark, 0))
        demand(not believed("result", come), "a stopped run doesn't pass", come)

    def test_stopping_twice_or_at_rest_does_no_harm(self, subject: TesterSubject) -> None:
        """The stop is sent on every exit, once too often rather than once too seldom."""
        talker, tester = brought_up(subject), subject.tester
        for _ in range(3):
            talker.stop()
        talker.hold(tester.resync())
        demand(not subject.output_on(), "a stop at rest starts nothing")
        order = tester.quantise(subject.order())
        talker.hold(tester.prepare((order,)))
        run = Run(subject, talker, order, talker.hold(tester.start()), set())
        run.until_on()
        talker.stop()
        talker.stop()
        run.until_off()

    def test_a_silent_stop_is_silent(self, subject: TesterSubject) -> None:
        """Where abilities say that nothing comes back on a stop, nothing does."""
        if not subject.tester.abilities.silent_stop:
            not_offered("a stop without an answer")
        talker = brought_up(subject)
        talker.hold(subject.tester.resync())
        talker.stop()
        came = talker.drain(0.5)
        demand(not came, "nothing comes back on a silent stop", came)

    def test_an_open_interlock_keeps_the_output_off(self, subject: TesterSubject) -> None:
        """A start with the guard open raises, or is seen not to run; the output stays off."""
        talker, _ = prepared(subject)
        subject.guard(False)
        came = talker.outcome(subject.tester.start())
        subject.clock.sleep(0.2)
        demand(not subject.output_on(), "nothing is energised with the guard open", came)
        if not isinstance(came, OhmwardError):
            read = talker.outcome(subject.tester.result(came, 0))
            demand(not believed("result", read), "what didn't run doesn't pass", read)

    def test_an_interlock_that_opens_in_a_run_is_told(self, subject: TesterSubject) -> None:
        """The run doesn't pass; a tester that latches the opening tells it even when it is closed
        again, and can be used again after a person's reset."""
        run, tester = started(subject), subject.tester
        run.until_on()
        subject.guard(False)
        subject.clock.sleep(0.3)
        latches = tester.abilities.latches_interlock
        progress = run.talker.hold(tester.poll())
        if latches:
            told = progress.latched_open or progress.state is TesterState.INTERLOCK_OPEN
            demand(told, "an interlock that opened is told by poll", progress)
        subject.guard(True)
        run.talker.stop()
        run.until_off()
        come = run.talker.outcome(tester.result(run.mark, 0))
        demand(not believed("result", come), "a run with an open interlock doesn't pass", come)
        run.talker.hold(tester.reset_trip())
        run.talker.hold(tester.prepare((run.order,)))

    def test_nothing_is_believed_of_a_run_that_can_t_be_seen(self, subject: TesterSubject) -> None:
        """Mute or garbled after the start: no result, and no 'complete'."""
        run, tester = started(subject), subject.tester
        talks: Mapping[str, Callable[[], Talk[Any]]] = {
            "poll": tester.poll,
            "result": lambda: tester.result(run.mark, 0),
        }
        for name, make in talks.items():
            for how, spoil in SPOILINGS.items():
                came = run.talker.spoilt(spoil, make())
                demand(not believed(name, came), f"{name}: {how} isn't believed", came)
