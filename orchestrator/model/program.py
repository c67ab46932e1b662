"""The program: neutral steps on product points; no instrument or channel appears in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from orchestrator.documents import (
    Loc,
    Printable,
    Strict,
    WholeNumber,
    YesNo,
    refuse,
    refuse_parts,
)
from orchestrator.model.plausible import check_plausible
from orchestrator.model.search_checks import check_ceiling, check_good, check_named, check_pair
from orchestrator.model.words import StepKind, Waveform
from orchestrator.quantities import Dimension, Quantity, QuantityField

Volts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "10 V", "100 kV")]
DriveCurrent = Annotated[Quantity, QuantityField(Dimension.CURRENT, "1 mA", "200 A")]
LeakCurrent = Annotated[Quantity, QuantityField(Dimension.CURRENT, "1 nA", "1 A")]
LimitOhms = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "10 uohm", "1 Tohm")]
Seconds = Annotated[Quantity, QuantityField(Dimension.TIME, "0 s", "24 h")]
LoadFarads = Annotated[Quantity, QuantityField(Dimension.CAPACITANCE, "1 pF", "100 uF")]
Hertz = Annotated[Quantity, QuantityField(Dimension.FREQUENCY, "10 Hz", "1 kHz")]
Name = Annotated[str, Field(min_length=1, max_length=64), Printable]
Reason = Annotated[str, Field(min_length=8, max_length=500), Printable]
DecisionRule = Literal["simple", "guarded"]
Notes = Annotated[str, Field(max_length=10_000), Printable]


class CurrentLimit(Strict):
    """Bounds on a current (rms for AC)."""

    at_least: LeakCurrent | None = None
    at_most: LeakCurrent | None = None

    @model_validator(mode="after")
    def _bounds(self) -> CurrentLimit:
        _check_bounds(self.at_least, self.at_most)
        return self


class ResistanceLimit(Strict):
    """Bounds on a resistance."""

    at_least: LimitOhms | None = None
    at_most: LimitOhms | None = None

    @model_validator(mode="after")
    def _bounds(self) -> ResistanceLimit:
        _check_bounds(self.at_least, self.at_most)
        return self


class Accept(Strict):
    """What a step accepts; every limit names its quantity."""

    total_current: CurrentLimit | None = None
    in_phase_current: CurrentLimit | None = None
    resistance: ResistanceLimit | None = None

    @model_validator(mode="after")
    def _something(self) -> Accept:
        if not (self.total_current or self.in_phase_current or self.resistance):
            raise refuse(
                found="no limit",
                expected="at least one of total_current, in_phase_current, resistance",
                remedy="write for example accept: {total_current: {at_most: 5 mA}}",
            )
        return self


class _Step(Strict):
    """
    Attributes:
        decision_rule: whether limits hold as specified, or a guard band within them.
        take_out: whether the empty fixture's share of the reading is taken out.
    """

    name: Name
    apply_to: Annotated[tuple[Name, ...], Field(min_length=1)]
    against: tuple[Name, ...] = ()
    others: Literal["open", "against"] = "open"
    accept: Accept
    rise: Seconds | None = None
    dwell: Seconds
    fall: Seconds | None = None
    settle: Seconds | None = None
    limits_during_rise: YesNo = False
    decision_rule: DecisionRule = "simple"
    take_out: YesNo = False


class _ContactStep(_Step):
    on_failure: Literal["stop", "continue"] = "stop"


class PairResistance(Strict):
    """The least that one pair of points alone may have."""

    at_least: LimitOhms

    @model_validator(mode="after")
    def _plausible(self) -> PairResistance:
        check_pair(self.at_least)
        return self


class PairAccept(Strict):
    """What each search step accepts; its group must keep what one pair must."""

    resistance: PairResistance


PointGroup = Annotated[tuple[Name, ...], Field(min_length=1)]


class GoodInsulation(Strict):
    """What good insulation between points is known to have, so that a group can be judged.

    ``groups``: one point for each conductor; every two points of different groups are a pair. Left
    out: each point of the step by itself.
    ``least``, ``most``: of each pair, or of all pairs measured together (``counts``). Without
    ``most`` nothing is known of how good it may be.
    """

    groups: Annotated[tuple[PointGroup, ...], Field(min_length=2)] | None = None
    least: LimitOhms
    most: LimitOhms | None = None
    counts: Literal["each_pair", "together"] = "each_pair"

    @model_validator(mode="after")
    def _consistent(self) -> GoodInsulation:
        check_good(self.groups, self.least, self.most, self.counts)
        return self


class Locate(Strict):
    """How the faulty pair is looked for after a failed step: at insulation level, never by
    repeating withstand.

    ``level``, ``level_ceiling``: DC, of every search step; whoever writes them says that all pairs
    of the step's two sides may see them. ``accept``: what one pair must have.
    ``insulation``: what good pairs have; each search step's limit is then made for its own group.
    ``capacitance``: as in a step; without it that of the failed step.
    ``floating``: why points of the step that a search step doesn't use may be left open; without it
    none is.
    ``exposures_at_most``: how often one pair of points may be put under the search's level, over
    all runs of one serial number.
    """

    level: Volts
    level_ceiling: Volts | None = None
    accept: PairAccept
    insulation: tuple[GoodInsulation, ...] = ()
    rise: Seconds | None = None
    dwell: Seconds
    capacitance: LoadFarads | None = None
    floating: Reason | None = None
    exposures_at_most: Annotated[WholeNumber, Field(ge=1, le=1000)] = 12
    steps_at_most: Annotated[WholeNumber, Field(ge=1, le=1000)] = 40

    @property
    def points(self) -> tuple[str, ...]:
        """The points that ``insulation`` names."""
        return tuple(p for one in self.insulation for group in one.groups or () for p in group)


class _Proved(_Step):
    """A step that needs its contacts proved.

    ``capacitance``: the most that unit and leads together are expected to have between the sides.
    """

    on_failure: Literal["stop", "continue", "locate"] = "stop"
    locate: Locate | None = None
    prove_contact: tuple[Name, ...] = ()
    unproved_contact: Reason | None = None
    level: Volts
    level_ceiling: Volts | None = None
    capacitance: LoadFarads | None = None

    @model_validator(mode="after")
    def _search(self) -> _Proved:
        if (self.on_failure == "locate") is not (self.locate is not None):
            raise _search_and_settings(self.locate)
        if self.locate is not None and self.locate.level > self.level:
            raise refuse(
                found=f"locate with a level of {self.locate.level}, above the step's {self.level}",
                expected="a search at the step's own level or below",
                remedy="search at the level of an insulation step",
            )
        if self.locate is not None:
            check_ceiling(self.locate.level, self.locate.level_ceiling, self.level_ceiling)
            if self.others == "open":
                check_named(self.locate.points, {*self.apply_to, *self.against})
        return self


class BondingStep(_ContactStep):
    """Protective bonding: a high current through each contact, resistance judged."""

    kind: Literal[StepKind.BONDING]
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None
    waveform: Waveform = Waveform.AC
    frequency: Hertz | None = None

    @model_validator(mode="after")
    def _plausible(self) -> BondingStep:
        check_plausible(self.kind, self.accept)
        return self


class ContinuityStep(_ContactStep):
    """Continuity: a small current, on the continuity terminals or the bonding route."""

    kind: Literal[StepKind.CONTINUITY]
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None
    route: Literal["own", "bonding"] = "own"


class InsulationStep(_Proved):
    """Insulation resistance at a DC level."""

    kind: Literal[StepKind.INSULATION]

    @model_validator(mode="after")
    def _plausible(self) -> InsulationStep:
        check_plausible(self.kind, self.accept)
        return self


class WithstandAcStep(_Proved):
    """AC withstand; ``flash_over`` is a peak current."""

    kind: Literal[StepKind.WITHSTAND_AC]
    frequency: Hertz
    flash_over: LeakCurrent | None = None


class WithstandDcStep(_Proved):
    """DC withstand; ``flash_over`` is a peak current."""

    kind: Literal[StepKind.WITHSTAND_DC]
    flash_over: LeakCurrent | None = None


Step = Annotated[
    BondingStep | ContinuityStep | InsulationStep | WithstandAcStep | WithstandDcStep,
    Field(discriminator="kind"),
]


DefaultsFor = Literal["all", "bonding", "continuity", "insulation", "withstand_ac", "withstand_dc"]


class Program(Strict):
    """A test program. ``defaults`` holds values by step kind, or for ``all`` kinds; by the time
    the model stands they are part of the steps. ``cautions``: told wherever the program is checked,
    run or read back from the records. ``runs_per_serial``: how often one unit may be stressed."""

    name: Name
    revision: Name
    defaults: Annotated[
        dict[DefaultsFor, dict[str, Any]],
        Field(default_factory=dict, exclude=True, repr=False),
    ]
    steps: Annotated[tuple[Step, ...], Field(min_length=1, max_length=10_000)]
    no_protective_earth: Reason | None = None
    notes: Notes | None = None
    cautions: Annotated[tuple[Reason, ...], Field(max_length=20)] = ()
    runs_per_serial: Annotated[WholeNumber, Field(ge=1, le=1000)] | None = None

    @classmethod
    def written_at(cls, data: Any, loc: Loc) -> Loc:
        """A step's value that came from ``defaults`` stands there."""
        if len(loc) < 3 or loc[0] != "steps" or not isinstance(data, Mapping):
            return loc
        steps, index, key = data.get("steps"), loc[1], loc[2]
        if not isinstance(steps, list | tuple) or not isinstance(index, int):
            return loc
        step = steps[index] if 0 <= index < len(steps) else None
        if not isinstance(step, Mapping) or key in step:
            return loc
        for group, values in _groups_of(step, data.get("defaults")):
            if key in values:
                return ("defaults", group, *loc[2:])
        return loc

    @model_validator(mode="before")
    @classmethod
    def _merge_defaults(cls, data: Any) -> Any:
        if not isinstance(data, Mapping) or not isinstance(data.get("steps"), list | tuple):
            return data
        steps = [_with_defaults(step, data.get("defaults")) for step in data["steps"]]
        return {**data, "steps": steps}

    @model_validator(mode="after")
    def _unique_names(self) -> Program:
        first: dict[str, int] = {}
        again = []
        for index, step in enumerate(self.steps):
            earlier = first.setdefault(step.name, index)
            if earlier != index:
                error = refuse(
                    found=f"the name {step.name!r} of step {earlier + 1} a second time",
                    expected="each step name once",
                    remedy="rename one of the two steps",
                )
                again.append((("steps", index, "name"), error))
        if again:
            raise refuse_parts(again)
        return self


def _groups_of(step: Mapping[str, Any], defaults: Any) -> list[tuple[str, Mapping[str, Any]]]:
    """The defaults that count for a step, the strongest first; what is no mapping is left out:
    the field's own check refuses it."""
    if not isinstance(defaults, Mapping):
        return []
    kind = step.get("kind")
    groups = [group for group in (kind, "all") if isinstance(group, str) and group in defaults]
    return [(group, defaults[group]) for group in groups if isinstance(defaults[group], Mapping)]


def _with_defaults(step: Any, defaults: Any) -> Any:
    if not isinstance(step, Mapping):
        return step
    merged: dict[str, Any] = {}
    for _, values in reversed(_groups_of(step, defaults)):
        merged |= values
    return {**merged, **step}


def _search_and_settings(locate: Locate | None) -> PydanticCustomError:
    if locate is None:
        return refuse(
            found="on_failure: locate without the key locate",
            expected="how to search: level, accept and dwell",
            remedy="write for example locate: {level: 500 V, dwell: 1 s, "
            "accept: {resistance: {at_least: 2 Mohm}}}",
        )
    return refuse(
        found="the key locate without on_failure: locate",
        expected="both or neither",
        remedy="write on_failure: locate, or take the key locate out",
    )


def _check_bounds(at_least: Quantity | None, at_most: Quantity | None) -> None:
    if at_least is None and at_most is None:
        raise refuse(
            found="a limit without a bound",
            expected="at_least, at_most or both",
            remedy="write for example {at_most: 5 mA}",
        )
    if at_least is not None and at_most is not None and at_least > at_most:
        raise refuse(
            found=f"at_least {at_least} above at_most {at_most}",
            expected="at_least below at_most",
            remedy="exchange or correct the two bounds",
        )
