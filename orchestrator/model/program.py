"""The program: neutral steps on product points; no instrument or channel appears in it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from orchestrator.documents import Strict, YesNo, refuse
from orchestrator.model.words import StepKind, Waveform
from orchestrator.quantities import Dimension, Quantity, QuantityField

Volts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "100 kV")]
DriveCurrent = Annotated[Quantity, QuantityField(Dimension.CURRENT, "1 mA", "200 A")]
LeakCurrent = Annotated[Quantity, QuantityField(Dimension.CURRENT, "1 nA", "1 A")]
LimitOhms = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "10 uohm", "1 Tohm")]
Seconds = Annotated[Quantity, QuantityField(Dimension.TIME, "0 s", "24 h")]
Hertz = Annotated[Quantity, QuantityField(Dimension.FREQUENCY, "10 Hz", "1 kHz")]
Name = Annotated[str, Field(min_length=1, max_length=64)]
Reason = Annotated[str, Field(min_length=8, max_length=500)]


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
    on_failure: Literal["stop", "continue"] = "stop"


class _Proved(_Step):
    """A step that needs its contacts proved."""

    prove_contact: tuple[Name, ...] = ()
    unproved_contact: Reason | None = None
    level: Volts
    level_ceiling: Volts | None = None


class BondingStep(_Step):
    """Protective bonding: a high current through each contact, resistance judged."""

    kind: Literal[StepKind.BONDING]
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None
    waveform: Waveform = Waveform.AC
    frequency: Hertz | None = None


class ContinuityStep(_Step):
    """Continuity: a small current, on the continuity terminals or the bonding route."""

    kind: Literal[StepKind.CONTINUITY]
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None
    route: Literal["own", "bonding"] = "own"


class InsulationStep(_Proved):
    """Insulation resistance at a DC level."""

    kind: Literal[StepKind.INSULATION]


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


class Program(Strict):
    """A test program. ``defaults`` holds values by step kind, or for ``all`` kinds."""

    name: Name
    revision: Name
    steps: Annotated[tuple[Step, ...], Field(min_length=1, max_length=10_000)]
    no_protective_earth: Reason | None = None
    notes: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _merge_defaults(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "defaults" not in data:
            return data
        data = dict(data)
        data["steps"] = _with_defaults(data.get("steps"), data.pop("defaults"))
        return data

    @model_validator(mode="after")
    def _unique_names(self) -> Program:
        seen: set[str] = set()
        for step in self.steps:
            if step.name in seen:
                raise refuse(
                    found=f"two steps named {step.name!r}",
                    expected="each step name once",
                    remedy="rename one of them",
                )
            seen.add(step.name)
        return self


def _with_defaults(steps: Any, defaults: Any) -> Any:
    if not isinstance(steps, list | tuple) or not isinstance(defaults, dict):
        raise refuse(
            found="defaults that are no mapping",
            expected="defaults: {withstand_ac: {rise: 1 s}, all: {on_failure: stop}}",
            remedy="put the defaults under a step kind or under 'all'",
        )
    known = {*(kind.value for kind in StepKind), "all"}
    for key, values in defaults.items():
        if key not in known or not isinstance(values, dict):
            raise refuse(
                found=f"defaults for {key!r}",
                expected="a mapping under one of " + ", ".join(sorted(known)),
                remedy="correct the key under defaults",
            )
    merged = []
    for step in steps:
        if isinstance(step, dict):
            kind = step.get("kind")
            own = defaults.get(kind, {}) if isinstance(kind, str) else {}
            step = {**defaults.get("all", {}), **own, **step}  # noqa: PLW2901
        merged.append(step)
    return merged


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
