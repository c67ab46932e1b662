"""One start on a dummy load: the ordinary way of a run, with a program of one step built here.

There is no second way of energising: the station's interlock, its first contact, the gate, the
engine and the record are those of every run.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from orchestrator.assembly.bring_up import require_sound
from orchestrator.assembly.bring_up_proof import (
    Outcome,
    ProvedInstrument,
    ProvedStart,
    proof_file,
    read_proof,
)
from orchestrator.assembly.plan import StationPlan
from orchestrator.clock import Clock
from orchestrator.documents import Document, build
from orchestrator.errors import Fault, Refused
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.record import Identity, Reading, RunResult
from orchestrator.model.schedule import Schedule
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    Measured,
    StepKind,
)
from orchestrator.quantities import Dimension, Quantity

LOAD_PERCENT = Decimal(1)
"""Tolerance of the dummy load itself, beside the tester's accuracy (common practice, no source)."""
CURRENT_KINDS = (StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC)
UNPROVED = "bring-up on a dummy load that a person has connected and checked"
SERIAL = "BRING-UP"


@dataclass(frozen=True)
class DummyStart:
    """A start that is ready to be asked for.

    Attributes:
        expected: what the tester is to read: ohm, or A in withstand. within: its tolerance.
        watts: what the load takes up at the level.
    """

    schedule: Schedule
    kind: StepKind
    level: Quantity
    load: Quantity
    measured: Measured
    expected: Quantity
    within: Quantity
    watts: Decimal

    @property
    def question(self) -> str:
        """What a person is asked before anything else."""
        return (
            f"Is nothing but a dummy load of {self.load} connected, able to take up "
            f"{self.watts:.3g} W at {self.level}?"
        )


def prepare_start(  # noqa: PLR0917 - what was asked for, in the order of the command
    document: Document[Any],
    plan: StationPlan,
    fixture: Document[Fixture],
    kind_text: str,
    points_text: str,
    load_text: str,
    report: Path | None = None,
) -> DummyStart:
    """Bind one step at the lowest level and the shortest dwell of a kind.

    Raises:
        Refused: the profile wasn't tried with the output locked out, the station doesn't use it or
            has no interlock, the load doesn't suit, or binding refuses.
    """
    require_sound(document)
    _require_tried(document, report)
    kind, model = _kind_of(document, kind_text)
    load = _load_of(load_text)
    points = tuple(part.strip() for part in points_text.split(",") if part.strip())
    if len(points) != 2:
        raise _refused("--points", points_text or "nothing", "two points: a,b", "name both")
    if not plan.station.interlock:
        remedy = "add the guard of this station under 'interlock'"
        raise _refused("the station", "no interlock input", "at least one", remedy)
    level = _lowest(model.level)
    expected = Decimal(level.value / load.value) if kind in CURRENT_KINDS else load.value
    program = build(Program, _program(kind, model, level, points, expected))
    schedule = plan.bind(Document.built(program, "the start on a dummy load"), fixture)
    tester = schedule.batches[0].tester
    if plan.testers[tester].sha256 != document.sha256:
        found = f"tester {tester!r} with profile {plan.testers[tester].profile!r}"
        remedy = "name a station (and points) whose tester uses the profile on trial"
        raise _refused("the station's tester", found, f"one with {document.file}", remedy)
    order = schedule.steps[0].order
    return _ready(schedule, kind, model, order.level, load)


def _ready(
    schedule: Schedule, kind: StepKind, model: Any, level: Decimal, load: Quantity
) -> DummyStart:
    volts = kind in HIGH_VOLTAGE_KINDS
    current = kind in CURRENT_KINDS
    measured = Measured.TOTAL_CURRENT if current else Measured.RESISTANCE
    expected = level / load.value if current else load.value
    dimension = Dimension.CURRENT if current else Dimension.RESISTANCE
    accuracy = model.accuracy.get(measured)
    within = expected * LOAD_PERCENT / 100
    if accuracy is not None:
        within += expected * accuracy.percent / 100 + accuracy.plus.value
    return DummyStart(
        schedule=schedule,
        kind=kind,
        level=Quantity(level, Dimension.VOLTAGE if volts else Dimension.CURRENT),
        load=load,
        measured=measured,
        expected=Quantity(_round(expected), dimension),
        within=Quantity(_round(within), dimension),
        watts=level * level / load.value if volts else level * level * load.value,
    )


def judge_start(
    start: DummyStart, result: RunResult, clock: Clock, *, tried: ProvedInstrument, met: Identity
) -> ProvedStart:
    """Compare what was read with the declared load.

    Args:
        tried: who answered in the trial with the output locked out. met: who answered now.
    """
    step = next(iter(result.steps), None)
    reading = None if step is None else step.values.get(start.measured)
    told: list[str] = []
    outcome: Outcome = "proved"
    if step is None or result.outcome not in {"pass", "fail"}:
        outcome = "not proved"
        told.append(result.reason or (step.reason if step is not None else "nothing was run"))
    elif reading is None or reading.value is None or reading.bound != "exact":
        outcome = "failed"
        told.append(f"no value of {start.measured} was read")
    elif abs(reading.value - start.expected.value) > start.within.value:
        outcome = "failed"
        ratio = reading.value / start.expected.value
        told.append(
            f"{start.measured}: read {_shown(reading, start)}, expected {start.expected} within "
            f"{start.within}; read is {ratio:.4g} times what was expected"
        )
    for what in ("serial", "firmware"):
        before, now = getattr(tried, what), getattr(met, what)
        if before != now:
            outcome = "not proved" if outcome == "proved" else outcome
            told.append(f"another instrument: {what} {before!r} was tried, {now!r} was started")
    if step is not None and step.reason:
        told.append(step.reason)
    return ProvedStart(
        station=start.schedule.station,
        run_id=result.run_id,
        kind=start.kind.value,
        level=str(start.level),
        dummy_load=str(start.load),
        read="nothing" if reading is None else _shown(reading, start),
        expected=f"{start.expected} within {start.within}",
        outcome=outcome,
        told=tuple(dict.fromkeys(told)),
        utc=clock.utc().isoformat(timespec="seconds"),
    )


def _shown(reading: Reading, start: DummyStart) -> str:
    if reading.value is None:
        return "no reading" if reading.bound == "none" else f"{reading.bound} the range"
    bound = "" if reading.bound == "exact" else f"{reading.bound} "
    return f"{bound}{Quantity(reading.value, start.expected.dimension)}"


# ---- the program of one step ----------------------------------------------------------------


def _program(
    kind: StepKind, model: Any, level: Quantity, points: tuple[str, ...], expected: Decimal
) -> dict[str, Any]:
    """Limits at half and double of what is expected: judged by us, not by them."""
    unit = "A" if kind in CURRENT_KINDS else "ohm"
    name = "total_current" if kind in CURRENT_KINDS else "resistance"
    edges = {}
    limits = model.limits.get(name)
    for edge, factor in (("at_least", Decimal("0.5")), ("at_most", Decimal(2))):
        band = None if limits is None else getattr(limits, edge)
        if band is None or band.range is None:
            continue
        value = _round(expected * factor)
        low, high = band.range[0].value, band.range[1].value
        if low <= value <= high:
            edges[edge] = f"{value:f} {unit}"
    if not edges:
        found = f"{Quantity(_round(expected), _dimension(unit))} at {level}"
        remedy = "choose a load whose reading lies within the limits that the profile lists"
        raise _refused("--dummy-load", found, f"a {name} that the tester can judge", remedy)
    step: dict[str, Any] = {
        "name": "dummy load",
        "kind": kind.value,
        "apply_to": [points[0]],
        "against": [points[1]],
        "level": str(level),
        "dwell": str(_lowest(model.dwell)),
        "accept": {name: edges},
    }
    if model.rise is not None and model.rise.range is not None:
        step["rise"] = str(model.rise.range[0])
    if kind is StepKind.BONDING:
        step["waveform"] = model.waveforms[0].value
    if model.frequencies and kind in {StepKind.BONDING, StepKind.WITHSTAND_AC}:
        step["frequency"] = str(model.frequencies[0])
    if kind in HIGH_VOLTAGE_KINDS:
        step["unproved_contact"] = UNPROVED
    return {
        "name": "start on a dummy load",
        "revision": "1",
        "no_protective_earth": UNPROVED,
        "steps": [step],
    }


def _dimension(unit: str) -> Dimension:
    return Dimension.CURRENT if unit == "A" else Dimension.RESISTANCE


def _round(value: Decimal) -> Decimal:
    """Four digits; a program's quantities are written, not reckoned with."""
    return Decimal(f"{value:.4g}")


def _lowest(band: Any) -> Quantity:
    found: Quantity = band.range[0] if band.range is not None else band.fixed
    return found


def _kind_of(document: Document[Any], text: str) -> tuple[StepKind, Any]:
    kinds = getattr(document.model, "kinds", {})
    for kind, model in kinds.items():
        if kind.value == text:
            return kind, model
    expected = f"one of {', '.join(k.value for k in kinds)}" if kinds else "a tester's profile"
    raise _refused("--kind", repr(text), expected, "name a kind that the profile has")


def _load_of(text: str) -> Quantity:
    try:
        load = Quantity.of(text, Dimension.RESISTANCE)
    except ValueError as error:
        expected = "a resistance such as '10 kohm'"
        raise _refused("--dummy-load", repr(text), expected, "write number and unit") from error
    if load.value <= 0:
        raise _refused("--dummy-load", text, "more than 0 ohm", "measure the load and write it")
    return load


def _require_tried(document: Document[Any], report: Path | None) -> None:
    path = report or proof_file(Path(document.file))
    proved = read_proof(path)
    good = proved is not None and proved.sha256 == document.sha256
    if proved is None or not good or proved.count("failed") or proved.ended_early:
        found = "never tried" if proved is None else "failed items, or changed since"
        remedy = "run 'ohmward profile try' with --link first, its output locked out"
        raise _refused(f"the profile {document.file}", found, "tried, nothing failed", remedy)


def _refused(what: str, found: str, expected: str, remedy: str) -> Refused:
    return Refused([Fault(what, found, expected, remedy)])
