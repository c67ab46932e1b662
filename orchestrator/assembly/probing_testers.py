"""Probing a tester: who it is, whether its output is off, what it sees of the interlock.

Only reads, with one exception: a tester that isn't read as off is sent its stop.
"""

from __future__ import annotations

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.probing_findings import (
    ON,
    Answer,
    InputFound,
    OutputFound,
    OutputOn,
    Status,
    Tell,
)
from orchestrator.assembly.probing_lines import Line, link_remedy, link_words
from orchestrator.errors import (
    InstrumentFault,
    LinkError,
    OhmwardError,
    ProtocolFault,
    TimedOut,
    WrongInstrument,
)
from orchestrator.model.record import OffProof
from orchestrator.model.station import TesterInput
from orchestrator.model.words import DischargeGrade, TesterState
from orchestrator.running.commands import Converse, Sequence, Stop
from orchestrator.running.discharge import graded, stop_and_confirm
from orchestrator.running.rack import TesterSeat
from orchestrator.running.take_over import check_identity

KEEP_AWAY = "keep away, switch the tester off at its own panel, prove discharged, then probe again"
NO_EVIDENCE = (
    "this tester gives no evidence of discharge: declare the bleeder on its output under "
    "'bleeders' in the station file"
)


def expected_tester(plan: StationPlan, name: str) -> str:
    """'Maker model, simulated, serial SIM-1, at tcp …'."""
    entry = plan.station.testers[name]
    parts = [plan.testers[name].profile, "simulated" if entry.simulated else "real"]
    if entry.serial is not None:
        parts.append(f"serial {entry.serial}")
    if entry.address is not None:
        parts.append(f"address {entry.address}")
    return f"{', '.join(parts)}, at {link_words(entry.link)}"


def not_opened(plan: StationPlan, name: str, error: OhmwardError, tell: Tell) -> None:
    """A tester whose link can't be opened."""
    remedy = link_remedy(plan.station.testers[name].link)
    expected = expected_tester(plan, name)
    tell(Answer(f"tester {name!r}", name, "tester", "silent", expected, str(error), remedy))
    tell(OutputFound(name, None, False, None, "not asked: its link isn't open", KEEP_AWAY))


def probe_tester(plan: StationPlan, line: Line, seat: TesterSeat, tell: Tell) -> bool:
    """Ask one tester everything; True if it is of the declared type."""
    entry = plan.station.testers[seat.name]
    what, expected = f"tester {seat.name!r}", expected_tester(plan, seat.name)

    def other(status: Status, found: str, remedy: str) -> None:
        tell(Answer(what, seat.name, "tester", status, expected, found, remedy))

    try:
        identity = line.ask_again(seat.adapter.identify)
    except WrongInstrument as error:
        # Its stop bytes are another instrument's: nothing more is sent there.
        other("other", str(error), "connect the declared instrument, or correct profile and link")
        told = "another instrument answers: its state can't be read, no stop was sent"
        tell(OutputFound(seat.name, None, False, None, told, KEEP_AWAY))
        return False
    except (LinkError, InstrumentFault) as error:
        silent = isinstance(error, TimedOut) and not error.received
        remedy = link_remedy(entry.link)
        if entry.address is not None:
            remedy += f"; address {entry.address} must be set on the tester"
        other("silent" if silent else "other", str(error), remedy)
        tell(_blind_stop(line, seat))
        return False
    try:
        check_identity(what, identity, seat.simulated, seat.serial)
        tell(Answer(what, seat.name, "tester", "found", expected, "as declared", "", identity))
    except WrongInstrument as error:
        tell(
            Answer(what, seat.name, "tester", "other", expected, str(error), error.remedy, identity)
        )
    tell(_output(line, seat, tell))
    tell(_interlock(plan, line, seat))
    return True


def _blind_stop(line: Line, seat: TesterSeat) -> OutputFound:
    """Nobody answers, so the output may be on: the stop is sent all the same."""
    problem = "its state can't be read; a stop was sent, but nothing says that it arrived"
    try:
        line.drive(_stop(seat))
    except LinkError as error:
        return OutputFound(seat.name, None, False, None, f"no stop could be sent ({error})")
    return OutputFound(seat.name, None, True, None, problem, KEEP_AWAY)


def _stop(seat: TesterSeat) -> Sequence:
    yield Stop(seat.name)


def _look(line: Line, seat: TesterSeat) -> Sequence:
    proof = yield Converse(seat.port, seat.adapter.confirm_off())
    return graded(line.run, seat, proof)


def _output(line: Line, seat: TesterSeat, tell: Tell) -> OutputFound:
    try:
        proof: OffProof = line.drive(_look(line, seat))
        met = proof.state
    except (LinkError, InstrumentFault, ProtocolFault):
        proof, met = OffProof(False, None, DischargeGrade.NONE, TesterState.UNKNOWN), None
    hopeless = proof.off and proof.grade is DischargeGrade.NONE
    if (proof.off and proof.discharged) or hopeless:
        return OutputFound(seat.name, met, False, proof, *_problem(proof))
    if met in ON:
        tell(OutputOn(seat.name, proof.state))
    try:
        proof = line.drive(stop_and_confirm(line.run, seat))
    except LinkError as error:
        told = f"not confirmed off: the stop can't be sent ({error})"
        return OutputFound(seat.name, met, False, proof, told, KEEP_AWAY)
    except BaseException:
        line.engine.stop_everything()  # this line's tester alone; whatever cut us short
        raise
    return OutputFound(seat.name, met, True, proof, *_problem(proof))


def _problem(proof: OffProof) -> tuple[str, str]:
    """Why an output isn't proved off and discharged, and what to do; empty if it is."""
    if proof.off and proof.discharged:
        return "", ""
    if not proof.off:
        return f"not confirmed off (state {proof.state})", KEEP_AWAY
    if proof.grade is DischargeGrade.NONE:
        return "off, but nothing proves it discharged", NO_EVIDENCE
    left = "" if proof.residual_v is None else f": {proof.residual_v} V left"
    return f"off, but not discharged{left}", KEEP_AWAY


def _interlock(plan: StationPlan, line: Line, seat: TesterSeat) -> InputFound:
    names = [
        entry.name
        for entry in plan.station.interlock
        if isinstance(entry.source, TesterInput) and entry.source.tester == seat.name
    ]
    name = ", ".join(names) or f"interlock of tester {seat.name}"
    source = f"tester {seat.name}"
    try:
        closed = line.ask_again(seat.adapter.interlock)
    except (LinkError, InstrumentFault) as error:
        return InputFound(name, source, None, problem=f"can't be read: {error}")
    if closed is None and names:
        return InputFound(name, source, None, problem="this tester can't tell its interlock")
    detail = "" if closed is not None else "this tester can't tell it"
    return InputFound(name, source, closed, detail)
