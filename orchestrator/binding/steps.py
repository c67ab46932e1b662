"""One step: the tester that can do it, and the bound step or every reason why not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from orchestrator.binding.acceptance import accept_by
from orchestrator.binding.asking import ask, check_abilities
from orchestrator.binding.capacitance import (
    capacitance_warnings,
    check_capacitance,
    explain_capacitance,
)
from orchestrator.binding.contact import Proved, check_contact, proving_steps, unproved_points
from orchestrator.binding.context import Candidate, Task, candidate
from orchestrator.binding.durations import around_step_s
from orchestrator.binding.figures import on_s
from orchestrator.binding.leads import check_leads, explain_leads
from orchestrator.binding.levels import check_ceiling, put_on_wire
from orchestrator.binding.nets import burdens
from orchestrator.binding.order import is_hazardous
from orchestrator.binding.proofs import (
    Missing,
    check_discharge,
    discharge_allowance_s,
    missing_of_route,
    missing_of_tester,
)
from orchestrator.binding.ratings import check_ratings, stress_of
from orchestrator.binding.reasons import explain
from orchestrator.binding.routes import Routing, find_route
from orchestrator.binding.sides import check_not_empty, check_points
from orchestrator.errors import Fault
from orchestrator.model.program import Locate, Step
from orchestrator.model.schedule import BoundStep, Route, StepOrder

SPARE_S = Decimal(2)
SPARE_SHARE = Decimal("0.2")
"""Time granted over the predicted one: the larger of the two."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """A step tried on one tester. ``warnings``: what works, but should be known."""

    tester: str
    bound: BoundStep | None
    routing: Routing | None
    faults: tuple[Fault, ...]
    missing: tuple[Missing, ...] = ()
    hazardous: bool = False
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """A step bound, or its faults. Neither: a fault of station or fixture stands in the way.

    ``missing`` and ``hazardous`` hold for an unbound step too, as far as they can be told.
    """

    task: Task
    attempt: Attempt | None
    faults: tuple[Fault, ...]
    missing: tuple[Missing, ...] = ()
    hazardous: bool = False


def bind_step(task: Task) -> Outcome:
    """Bind a step to the first tester, in the order of the station file, that can do it."""
    plain = (
        *check_points(task),
        *check_not_empty(task),
        *check_contact(task),
        *check_ceiling(task),
    )
    attempts = [
        _attempt(task, tester)
        for tester in task.context.station.model.testers
        if tester in task.context.instruments.testers
    ]
    for attempt in attempts:
        if attempt.bound is not None:
            return Outcome(task, attempt, plain, attempt.missing, attempt.bound.hazardous)
    having = [attempt for attempt in attempts if attempt.routing is not None]
    return Outcome(
        task,
        None,
        (*plain, *_why_none(task, attempts)),
        having[0].missing if len(having) == 1 else (),
        any(attempt.hazardous for attempt in having),
    )


def _why_none(task: Task, attempts: list[Attempt]) -> tuple[Fault, ...]:
    """The faults of the only tester that has the kind; else one fault that tells of each."""
    having = [attempt for attempt in attempts if attempt.routing is not None]
    if len(having) == 1:
        return having[0].faults
    if any(not attempt.faults for attempt in having):
        return ()  # a broken position, reported with station or fixture
    told = "; ".join(
        f"{attempt.tester}: " + " / ".join(_short(fault) for fault in attempt.faults)
        for attempt in attempts
    )
    expected = "a tester that can do it"
    remedy = "correct one of these, or add a tester to the station"
    return (Fault(task.what, told or "no tester", expected, remedy, task.at()),)


def _short(fault: Fault) -> str:
    return f"{fault.what.split(', ', 1)[-1]}: {fault.found}, expected {fault.expected}"


def _attempt(task: Task, tester: str) -> Attempt:
    chosen = candidate(task, tester)
    if chosen is None:
        expected = f"a tester with {task.step.kind.value}"
        found = f"{tester} has no such kind of step"
        fault = Fault(task.what, found, expected, "add a tester that has it", task.at("kind"))
        return Attempt(tester, None, None, (fault,))
    routing = find_route(chosen)
    asked = ask(chosen)
    order = replace(asked.order, route=_built_in(task, tester, routing.route))
    accepting = accept_by(chosen, order)
    faults = [*routing.faults, *accepting.faults, *check_abilities(chosen, accepting.order)]
    rounding: tuple[str, ...] = ()
    wire = accepting.order
    if not faults:
        on_wire = put_on_wire(chosen, accepting.order)
        wire, rounding = on_wire.order, on_wire.reasons
        faults += on_wire.faults
    hazardous = is_hazardous(chosen)
    stress = stress_of(chosen, wire)
    loaded = () if routing.broken else burdens(chosen, routing)
    faults += check_ratings(chosen, loaded, stress)
    faults += check_discharge(chosen, wire, hazardous=hazardous)
    faults += check_leads(chosen, routing, wire)
    faults += check_capacitance(chosen, wire)
    missing = (*missing_of_tester(chosen), *missing_of_route(task.context, routing.route))
    if faults or routing.broken:
        return Attempt(tester, None, routing, tuple(faults), missing, hazardous)
    reasons = (
        *asked.reasons,
        *accepting.reasons,
        *rounding,
        *explain(chosen, loaded, stress, hazardous=hazardous),
        *explain_leads(chosen, routing, wire),
        *explain_capacitance(chosen, wire),
    )
    bound = _bound(chosen, routing, order, wire, reasons, hazardous=hazardous)
    bound = replace(bound, plausible=accepting.plausible)
    warnings = tuple(capacitance_warnings(chosen, wire))
    return Attempt(tester, bound, routing, (), missing, hazardous, warnings)


def _built_in(task: Task, tester: str, route: Route) -> Route:
    """The part of a route that the tester switches itself, within its set-up."""
    chains = task.context.station.model.chains
    return Route(frozenset(c for c in route.contacts if chains[c.chain].built_in == tester))


def _bound(
    chosen: Candidate,
    routing: Routing,
    asked: StepOrder,
    wire: StepOrder,
    reasons: tuple[str, ...],
    *,
    hazardous: bool,
) -> BoundStep:
    task, step = chosen.task, chosen.task.step
    predicted = on_s(chosen, wire)
    spare = max(SPARE_S, predicted * SPARE_SHARE)
    return BoundStep(
        index=task.index,
        name=step.name,
        kind=step.kind,
        tester=chosen.tester,
        asked=asked,
        order=wire,
        route=routing.route,
        apply_to=step.apply_to,
        against=step.against,
        others=task.others,
        hazardous=hazardous,
        on_failure=step.on_failure,
        leans_on=step.prove_contact if isinstance(step, Proved) else (),
        unproved_contact=step.unproved_contact if isinstance(step, Proved) else None,
        predicted_s=float(predicted),
        deadline_s=float(predicted + spare + discharge_allowance_s(chosen, wire)),
        reasons=reasons,
        around_s=around_step_s(chosen, routing, wire),
        others_open=step.others == "open" and bool(task.unnamed),
        locate=_locate(step),
        decision_rule=step.decision_rule,
        taken_out=step.take_out,
    )


def _locate(step: Step) -> Locate | None:
    if not isinstance(step, Proved) or step.locate is None:
        return None
    if step.locate.capacitance is not None:
        return step.locate
    return step.locate.model_copy(update={"capacitance": step.capacitance})


def proof_notices(outcomes: tuple[Outcome, ...]) -> tuple[str, ...]:
    """Where a contact proof holds by the rules but shows less than it seems to."""
    routings = {
        o.task.step.name: o.attempt.routing
        for o in outcomes
        if o.attempt is not None and o.attempt.routing is not None
    }
    found = []
    for outcome in outcomes:
        step = outcome.task.step
        if not isinstance(step, Proved) or not step.prove_contact:
            continue
        unproved = set(unproved_points(outcome.task, step))
        own = routings.get(step.name)
        for other in proving_steps(outcome.task, step):
            parallel = [p for p in (other.apply_to, other.against) if len(p) > 1]
            if parallel:
                found.append(
                    f"step {step.name!r}: {other.name!r} has {len(parallel[0])} points side by "
                    "side, so one open lead among them wouldn't show"
                )
        elsewhere = [
            point
            for point in (*step.apply_to, *step.against)
            if own
            and point not in unproved
            and not _same_lead(outcome.task, step, point, own, routings)
        ]
        if elsewhere:
            told = ", ".join(repr(point) for point in elsewhere)
            found.append(
                f"step {step.name!r}: contact of {told} is proved through another lead than the "
                "one that brings this step's level, which might be off: a continuity step through "
                "it (a load, in a product) would show that"
            )
    return tuple(found)


def _same_lead(
    task: Task, step: Proved, point: str, own: Routing, routings: dict[str, Routing]
) -> bool:
    wanted = own.position_of(point)
    proving = (routings.get(other.name) for other in proving_steps(task, step))
    return any(other is not None and other.position_of(point) == wanted for other in proving)
