"""The profile of a safety tester."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from drivers.language.derived import main_quantity
from drivers.language.fields import FIELDS
from drivers.language.profile_banks import Routing
from drivers.language.profile_common import (
    Amperes,
    AnyQuantity,
    Band,
    CommonProfile,
    Conditions,
    Duration,
    Exchange,
    Exchanges,
    Hertz,
    Identify,
    RatingModel,
    Template,
    Volts,
    WireText,
    Words,
    one_or_more,
)
from orchestrator.documents import Strict, WholeNumber, YesNo, refuse
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    Evidence,
    Measured,
    StepKind,
    TesterState,
    Waveform,
)
from orchestrator.quantities import Dimension

EventMeaning = Literal[
    "off",
    "rising",
    "dwelling",
    "falling",
    "discharging",
    "complete",
    "tripped",
    "interlock_open",
    "fault",
    "unknown",
    "safe",
    "result",
    "restarted",
    "ignore",
]
LIMIT_DIMENSION = {
    Measured.TOTAL_CURRENT: Dimension.CURRENT,
    Measured.IN_PHASE_CURRENT: Dimension.CURRENT,
    Measured.CURRENT: Dimension.CURRENT,
    Measured.RESISTANCE: Dimension.RESISTANCE,
    Measured.VOLTAGE: Dimension.VOLTAGE,
    Measured.TIME: Dimension.TIME,
}


class KeepAlive(Exchange):
    """What keeps remote mode from lapsing, and how often it is sent."""

    every: Duration


class Clear(Strict):
    """How the old result is cleared before each batch, and what proves it.

    Attributes:
        clears_trip: the same command ends a latched trip: then it is never sent on a trip.
        proof: state: the status no longer says complete, tripped or active; refused: the
            result query is refused; none.
    """

    exchanges: Exchanges
    clears_trip: YesNo = False
    proof: Literal["state", "refused", "none"] = "none"


class Errors(Strict):
    """An error report that must be asked for.

    Attributes:
        after: blocks after which it is asked. none: field → text of the entry 'no error'.
        at_most: entries read before giving up.
    """

    after: tuple[Literal["enter", "arm", "clear", "setup", "start"], ...] = ("setup", "start")
    ask: Exchange
    none: Annotated[dict[str, str], Field(min_length=1)]
    at_most: Annotated[WholeNumber, Field(ge=1, le=1000)] = 20


class Memory(Strict):
    """Step memory: slots, the first one's number, the tail that would be run too.

    ``{next_slot}`` is the number behind the last one written. ``stored`` is asked for each slot
    and compared with what was sent; ``count`` must answer how many were written.
    """

    slots: Annotated[WholeNumber, Field(ge=1, le=1000)]
    first: Annotated[WholeNumber, Field(ge=0, le=1000)] = 1
    clear_tail: Exchanges
    clear_first: YesNo = False
    stored: Exchange | None = None
    count: Exchange | None = None


class TerminalUseModel(Strict):
    """Terminals that a kind of test uses."""

    source: str
    return_: Annotated[str, Field(alias="return")]
    sense_source: str | None = None
    sense_return: str | None = None
    sense: Literal["none", "optional", "required"] = "none"


class LimitModel(Strict):
    """Ranges of one quantity's limits; an edge that is absent can't be judged."""

    at_least: Band | None = None
    at_most: Band | None = None


class AccuracyModel(Strict):
    """± (percent of reading + plus)."""

    percent: Annotated[Decimal, Field(ge=0, le=100)]
    plus: AnyQuantity


class KindModel(Strict):
    """What the tester can do in one kind of test, and how it is set up.

    Attributes:
        limits_act_on: what ``{at_least}``, ``{at_most}`` and ``{reading}`` are: the total current
            in withstand, else the resistance; may be written down, can't be changed.
        required_limits: 'total_current at_most' and the like.
        derived: ranges of what is reckoned from the step, such as the slope or the whole time.
        source_current: largest current into a fault.
        measures: top of the measuring range: the bound that 'above' means.
        setup: the whole set-up of one step, in order.
        stored, result, live: instead of the common ones, where formats depend on the kind.
    """

    terminals: TerminalUseModel
    level: Band
    waveforms: Annotated[tuple[Waveform, ...], Field(min_length=1)]
    frequencies: tuple[Hertz, ...] = ()
    rise: Band | None = None
    dwell: Band
    fall: Band | None = None
    indefinite_dwell: Duration | None = None
    limits_act_on: Measured | None = None
    limits: dict[Measured, LimitModel] = Field(default_factory=dict)
    required_limits: tuple[str, ...] = ()
    derived: dict[str, Band] = Field(default_factory=dict)
    limits_during_rise: Literal["always", "never", "settable"] = "never"
    judged: Literal["throughout", "at_end"] = "throughout"
    flash_over: Band | None = None
    compliance: Volts | None = None
    source_current: Amperes | None = None
    accuracy: dict[Measured, AccuracyModel] = Field(default_factory=dict)
    measures: dict[Measured, AnyQuantity] = Field(default_factory=dict)
    one_source_channel: YesNo = False
    setup: Annotated[Exchanges, Field(min_length=1)]
    stored: Exchange | None = None
    result: Exchange | None = None
    live: Exchange | None = None

    @model_validator(mode="after")
    def _dimensions(self) -> Self:
        for name, band in (("rise", self.rise), ("dwell", self.dwell), ("fall", self.fall)):
            _must_be(name, band, Dimension.TIME)
        _must_be("flash_over", self.flash_over, Dimension.CURRENT)
        for name, band in self.derived.items():
            spec = FIELDS.get(name)
            if spec is None or not spec.derived or spec.dimension is None or band.range is None:
                known = ", ".join(n for n, s in FIELDS.items() if s.derived and s.dimension)
                remedy = "write slope: {range: 10 V/s .. 5000 V/s} or the like"
                raise refuse(found=f"a range of {name!r}", expected=f"of {known}", remedy=remedy)
            _must_be(name, band, spec.dimension)
        for quantity, limit in self.limits.items():
            _must_be(quantity, limit.at_least, LIMIT_DIMENSION[quantity])
            _must_be(quantity, limit.at_most, LIMIT_DIMENSION[quantity])
        for quantity, accuracy in self.accuracy.items():
            if accuracy.plus.dimension is not LIMIT_DIMENSION[quantity]:
                found = f"accuracy of {quantity} with {accuracy.plus}"
                expected = f"a {LIMIT_DIMENSION[quantity]}"
                raise refuse(found=found, expected=expected, remedy="correct the unit")
        for quantity, top in self.measures.items():
            if top.dimension is not LIMIT_DIMENSION[quantity]:
                found = f"measures: {quantity} up to {top}"
                expected = f"a {LIMIT_DIMENSION[quantity]}"
                raise refuse(found=found, expected=expected, remedy="correct the unit")
        for text in self.required_limits:
            words = text.split(" ")
            if len(words) != 2 or words[0] not in set(Measured) or words[1] not in _EDGES:
                remedy = "write 'total_current at_most' or the like"
                raise refuse(found=repr(text), expected="quantity and edge", remedy=remedy)
        return self


_EDGES = ("at_least", "at_most")


def _must_be(name: str, band: Band | None, dimension: Dimension) -> None:
    if band is not None and band.dimension is not dimension:
        found = f"{name} as a {band.dimension}"
        raise refuse(found=found, expected=f"a {dimension}", remedy="correct the unit")


class StateRule(Strict):
    """A neutral state, and what the status must be; the first rule that fits wins."""

    state: TesterState
    when: dict[str, str]


class Off(Strict):
    """What proves the output off and discharged.

    Attributes:
        proof: state: one of `states`; voltage: one of `states` (where given) and the voltage;
            event: nothing but a stop answered by the event 'safe'; none.
        discharge: the grade of evidence; `discharged_states` or `discharged_when` say when.
        voltage: measures the residual voltage, field ``{residual}``.
        accuracy: of that measurement; the residual is reckoned at its upper end.
    """

    proof: Literal["state", "voltage", "event", "none"]
    states: tuple[TesterState, ...] = (
        TesterState.OFF,
        TesterState.COMPLETE,
        TesterState.TRIPPED,
    )
    discharge: Literal["voltage", "status", "none"] = "none"
    discharged_states: tuple[TesterState, ...] = ()
    discharged_when: dict[str, str] = Field(default_factory=dict)
    voltage: Exchange | None = None
    accuracy: AccuracyModel | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if "voltage" in {self.proof, self.discharge} and self.voltage is None:
            remedy = "add voltage: {send: …, reply: '{residual:V}'}"
            raise refuse(found="nothing", expected="the key 'voltage'", remedy=remedy)
        told = self.proof == "event" or self.discharged_states or self.discharged_when
        if self.discharge == "status" and not told:
            remedy = "add discharged_states: [off, …] or discharged_when: {status: '+5'}"
            raise refuse(found="nothing", expected="when it is discharged", remedy=remedy)
        unsafe = [state for state in (*self.states, *self.discharged_states) if state.active]
        if unsafe:
            remedy = "only states in which the output is off belong here"
            raise refuse(found=f"{unsafe[0]!s}", expected="a state without output", remedy=remedy)
        return self


class Interlock(Strict):
    """The interlock as the tester sees it.

    Attributes:
        ask: a query with the field ``{interlock}`` (words closed, open), or any query whose
            fields `open_when` judges.
        latched_when: fields of the status reply that say it was open, even briefly.
    """

    ask: Exchange | None = None
    open_when: dict[str, str] = Field(default_factory=dict)
    latched_when: dict[str, str] = Field(default_factory=dict)


class Event(Strict):
    """A line that comes unasked: matched before anything else, anywhere."""

    line: Template
    means: Annotated[tuple[EventMeaning, ...], BeforeValidator(one_or_more)]
    when: Conditions = Field(default_factory=dict)


class Carry(Strict):
    """Messages of another instrument, carried through this one's link.

    Attributes:
        send, reply: around the text handed over: field ``{payload}``.
        silent: template of the reply that means that the other one didn't answer.
        inner_end: the carried unit's line end; stripped: this carrier puts it on and takes it
            off itself.
    """

    send: Template
    reply: Template
    silent: Template | None = None
    inner_end: WireText = "\n"
    stripped: YesNo = True
    within: Duration | None = None
    most: Annotated[WholeNumber, Field(ge=1)] | None = None


class TesterProfile(CommonProfile):
    """A whole tester: abilities and command set.

    ``reset`` ends a latched trip; it is sent at a person's order only, never in a run.
    """

    kind: Literal["tester"]
    identify: Identify
    enter: Exchanges = ()
    keep_alive: KeepAlive | None = None
    arm: Exchanges = ()
    clear: Clear | None = None
    reset: Exchanges = ()
    errors: Errors | None = None
    memory: Memory | None = None
    kinds: Annotated[dict[StepKind, KindModel], Field(min_length=1)]
    start: Exchange
    stop: Annotated[Exchanges, Field(min_length=1)]
    status: Exchange | None = None
    states: tuple[StateRule, ...] = ()
    live: Exchange | None = None
    result: Exchange | None = None
    counter: Exchange | None = None
    freshness: tuple[Evidence, ...] = ()
    off: Off
    interlock: Interlock | None = None
    events: tuple[Event, ...] = ()
    carry: Carry | None = None
    routing: Routing | None = None
    terminals: Annotated[dict[str, RatingModel], Field(min_length=1)]
    resync: Exchange | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.status is None and not self.events:
            remedy = "add status: {send: …, reply: '{state}'} and states, or events"
            raise refuse(found="neither status nor events", expected="one of them", remedy=remedy)
        if self.status is not None and not self.states:
            raise refuse(
                found="a status without states",
                expected="the key 'states'",
                remedy="say what each status means",
            )
        if self.off.proof == "event" and not any("safe" in e.means for e in self.events):
            remedy = "add events: [{line: …, means: safe}]"
            raise refuse(found="no event that means safe", expected="one", remedy=remedy)
        for kind, model in self.kinds.items():
            main = main_quantity(kind)
            if model.limits_act_on not in {None, main}:
                found = f"{kind}: limits_act_on: {model.limits_act_on}"
                remedy = "write the limit's own field, such as {in_phase_current_at_most:mA .2}"
                raise refuse(found=found, expected=str(main), remedy=remedy)
            dimension = Dimension.VOLTAGE if kind in HIGH_VOLTAGE_KINDS else Dimension.CURRENT
            _must_be(f"level of {kind}", model.level, dimension)
            for name in (model.terminals.source, model.terminals.return_):
                if name not in self.terminals:
                    remedy = f"one of {', '.join(self.terminals)}, or add it to terminals"
                    raise refuse(found=f"{kind}: terminal {name!r}", expected=remedy, remedy="…")
        return self


__all__ = ["TesterProfile", "Words"]
