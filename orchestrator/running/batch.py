"""One batch, straight through: route, set-up, journal, start, watch, confirm off, judge."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any

from orchestrator.contract import StartMark
from orchestrator.errors import InstrumentFault, ProtocolFault, RelayMismatch, TimedOut
from orchestrator.model import entries, search_entries
from orchestrator.model.record import Entry, Located, StepResult, TesterReading
from orchestrator.model.schedule import Batch, BoundStep
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    DischargeGrade,
    Evidence,
    Outcome,
    TesterState,
    Waveform,
)
from orchestrator.running.commands import Command, Converse, Stored, Watch
from orchestrator.running.discharge import confirm_off, stop_and_confirm
from orchestrator.running.guards import require_safe
from orchestrator.running.interlock import Trip
from orchestrator.running.judge import Facts, Judgement, judge
from orchestrator.running.rack import Notice, RunState, TesterSeat
from orchestrator.running.routing import (
    PERSON_NEEDED,
    Unconfirmed,
    apply_route,
    prove_chain,
    require_cold,
    route_is_proved,
)
from orchestrator.running.states import Phase
from orchestrator.running.take_over import look_at_inputs, make_ready
from orchestrator.running.watching import Seen, watch_until_end

Exempt = frozenset[str]

_ENDS = frozenset({TesterState.COMPLETE, TesterState.TRIPPED})


@dataclass(frozen=True, slots=True)
class _Ended:
    """A start that has ended: what was seen of it, and the state that told of the end."""

    seen: Seen
    mark: StartMark
    state: TesterState

    @property
    def complete(self) -> bool:
        """The tester said that the whole batch ended by itself."""
        return self.state is TesterState.COMPLETE


Doing = Generator[Command, Any, None]


def run_batch(run: RunState, batch: Batch, exempt: Exempt) -> Doing:
    """Run one batch; its step results are appended to ``run.results``.

    Raises Trip, LinkError, InstrumentFault; the caller then drives safe-off.
    """
    seat = run.rack.testers[batch.tester]
    require_safe(run, batch)
    yield from _closed_or_trip(run)
    if run.route != batch.route:
        yield from apply_route(run, batch.route)
    else:
        yield from require_cold(run)
    run.enter(Phase.SETTING_UP)
    yield from _prepare(run, seat, batch)
    run.enter(Phase.JOURNALING)
    yield from _journal(run, batch)
    ended = yield from _energise(run, seat, batch)
    run.enter(Phase.CONFIRMING)
    yield from _confirm(run, seat, batch, ended)
    yield from _closed_or_trip(run)  # 'throughout' ends with confirmed off, not with the last look
    yield Watch(None)
    run.enter(Phase.JUDGING)
    yield from _routes_still_match(run, batch)
    yield from _judge_all(run, seat, batch, ended, exempt)


def _closed_or_trip(run: RunState) -> Doing:
    problem = yield from look_at_inputs(run)
    if problem:
        raise Trip(problem)


def _prepare(run: RunState, seat: TesterSeat, batch: Batch) -> Doing:
    """The whole set-up; once more from the beginning if an exchange got lost."""
    orders = tuple(step.order for step in batch.steps)
    if not seat.armed:
        yield from make_ready(seat)  # remote mode has lapsed since the last set-up
    try:
        yield Converse(seat.port, seat.adapter.prepare(orders))
    except TimedOut:
        yield from make_ready(seat)
        yield Converse(seat.port, seat.adapter.prepare(orders))
    if seat.adapter.abilities.needs_arming:
        armed = yield Converse(seat.port, seat.adapter.check_armed())
        if not armed:
            raise InstrumentFault(
                f"tester {seat.name!r} has lost its protections (was it switched off and on?)",
                remedy="find out why it lost power, then start again",
            )


def _journal(run: RunState, batch: Batch) -> Doing:
    """Make the steps durable before anything is energised."""
    for step in batch.steps:
        at = entries.Stamp.now(run.rack.clock)
        ticket = run.rack.store.append(
            entries.step_started(run.run_id, at, step, delegated=batch.delegated)
        )
        run.begun.add(step.index)
        run.show(Notice("step_started", {"step": step}))
    yield Stored(ticket)


def _energise(run: RunState, seat: TesterSeat, batch: Batch) -> Generator[Command, Any, _Ended]:
    yield from _closed_or_trip(run)
    run.last_waveform_ac = _all_ac(batch)
    run.enter(Phase.ENERGISED)
    seat.stopped_at_s = None
    yield Watch(seat.name)
    if not seat.armed:
        raise InstrumentFault(
            f"tester {seat.name!r}: remote mode may have lapsed since the set-up",
            remedy="check its link and the profile's keep_alive, then run again",
        )
    seen = Seen(started_s=run.now_s())
    mark: StartMark = yield Converse(seat.port, seat.adapter.start())
    seat.started_s = run.now_s()
    progress = yield from watch_until_end(run, seat, batch, seen)
    return _Ended(seen, mark, progress.state)


def _all_ac(batch: Batch) -> bool | None:
    kinds = {step.order.waveform is Waveform.AC for step in batch.steps}
    return kinds.pop() if len(kinds) == 1 else None


def _confirm(run: RunState, seat: TesterSeat, batch: Batch, ended: _Ended) -> Doing:
    """Off and discharged. A tester that is off without having said that it ended may only be
    between two of its steps: it is stopped first."""
    between = ended.state not in _ENDS
    if between or seat.adapter.abilities.off_proof == "event":
        proof = yield from stop_and_confirm(run, seat)
    else:
        seat.stopped_at_s = run.now_s()
        proof = yield from confirm_off(run, seat)
    if not (proof.off and proof.discharged):
        raise Unconfirmed(
            f"after step {batch.steps[-1].name!r} tester {seat.name!r} is not confirmed off and "
            f"discharged ({proof.state}); relays stay as they are",
            PERSON_NEEDED,
        )
    if proof.state is TesterState.INTERLOCK_OPEN:
        raise Trip(f"tester {seat.name!r} reports {proof.state} after the step")


def _routes_still_match(run: RunState, batch: Batch) -> Doing:
    """A contact that opened during the step voids the evidence of discharge."""
    try:
        for chain in run.rack.chains.values():
            yield from prove_chain(run, chain, batch.route)
    except RelayMismatch as error:
        if any(step.order.kind in HIGH_VOLTAGE_KINDS for step in batch.steps):
            run.void = str(error)
        raise


def _judge_all(
    run: RunState, seat: TesterSeat, batch: Batch, ended: _Ended, exempt: Exempt
) -> Doing:
    ended_early = False
    for index, step in enumerate(batch.steps):
        ran = len(batch.steps) == 1 or index in ended.seen.slot_times_s
        if ended_early and not (ended.complete and ran):
            finish(run, _left_out(step, ran=ran))
            continue
        reading = yield from _told_alike(seat, ended.mark, index)
        facts = Facts(
            setup_proved=seat.adapter.abilities.setup_check != "none",
            route_proved=route_is_proved(run, step.route),
            fresh=is_fresh(reading, ended.mark, ended.seen, seat.adapter.abilities.freshness),
            interlock_closed=not ended.seen.latched_open,
            complete=ended.complete,
            elapsed_s=ended.seen.elapsed_s(index, len(batch.steps)),
            exempt=exempt,
        )
        verdict = judge(step, reading, facts, seat.adapter.abilities)
        ended_early = verdict.outcome is not Outcome.PASS
        finish(run, _step_result(seat, step, reading, facts, verdict))


def _result(
    seat: TesterSeat, mark: StartMark, index: int
) -> Generator[Command, Any, TesterReading]:
    """The result; asked once more only where asking doesn't consume it."""
    try:
        reading: TesterReading = yield Converse(seat.port, seat.adapter.result(mark, index))
    except TimedOut:
        if not seat.adapter.abilities.result_repeatable:
            raise
        reading = yield Converse(seat.port, seat.adapter.result(mark, index))
    return reading


def _told_alike(
    seat: TesterSeat, mark: StartMark, index: int
) -> Generator[Command, Any, TesterReading]:
    """The result, and asked a second time where nothing in it says which start it belongs to.

    That the instrument forgot its old results doesn't show that these bytes aren't an old answer
    given once more; two answers that differ do. Raises ProtocolFault.
    """
    reading = yield from _result(seat, mark, index)
    counted = reading.evidence & {Evidence.COUNTER, Evidence.EVENT}
    if counted or not seat.adapter.abilities.result_repeatable:
        return reading
    again = yield from _result(seat, mark, index)
    if again != reading:
        raise ProtocolFault(
            f"tester {seat.name!r} gave two different results of one step",
            remedy="check its link for old or doubled answers, then test the unit again",
        )
    return reading


def is_fresh(
    reading: TesterReading, mark: StartMark, seen: Seen, ways: frozenset[Evidence]
) -> bool:
    """Whether the result is known to belong to this start, in one of the ways of the profile.

    What a profile doesn't name proves nothing: a run that was seen active may still be answered
    with an old result. A slot's echo alone proves only which step it is; an old result echoes the
    same slot.
    """
    if reading.evidence & ways & {Evidence.COUNTER, Evidence.EVENT}:
        return True
    if Evidence.SEEN_ACTIVE in ways and seen.active:
        return True
    return Evidence.CLEARED in ways and mark.cleared


def _step_result(
    seat: TesterSeat, step: BoundStep, reading: TesterReading, facts: Facts, verdict: Judgement
) -> StepResult:
    proof = seat.proof
    return StepResult(
        index=step.index,
        name=step.name,
        outcome=verdict.outcome,
        reason=verdict.reason,
        values=reading.values,
        tester_verdict=reading.verdict,
        evidence=tuple(sorted(str(e) for e in reading.evidence)),
        discharge=proof.grade if proof else DischargeGrade.NONE,
        residual_v=proof.residual_v if proof else None,
        duration_s=facts.elapsed_s,
        search_of=step.search_of,
    )


def _left_out(step: BoundStep, *, ran: bool) -> StepResult:
    """A step behind the one that ended the start; one that was seen active was run all the same."""
    if ran:
        reason = "the tester ended before this step was complete"
        return unproved(step, Outcome.NO_VERDICT, reason)
    return unproved(step, Outcome.NOT_RUN, "the tester ended before this step")


def unproved(step: BoundStep, outcome: Outcome, reason: str) -> StepResult:
    """The result of a step that has no reading."""
    return StepResult(step.index, step.name, outcome, reason, search_of=step.search_of)


def finish(run: RunState, result: StepResult) -> None:
    """Take a step's result into the run, the journal and the screen."""
    (run.results if result.search_of is None else run.search_results).append(result)
    at = entries.Stamp.now(run.rack.clock)
    note(run, entries.step_ended(run.run_id, at, result))
    run.show(Notice("step_ended", {"result": result}))


def tell_located(run: RunState, located: Located) -> None:
    """Take what a search came to into the run, the journal and the screen."""
    run.unended_search = None
    run.located.append(located)
    note(run, search_entries.located(run.run_id, entries.Stamp.now(run.rack.clock), located))
    run.show(Notice("located", {"located": located}))


def note(run: RunState, entry: Entry) -> None:
    """Queue an entry that nothing waits for; a failing writer shows at the next one waited for."""
    run.rack.store.append(entry)
