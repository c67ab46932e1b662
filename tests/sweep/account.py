"""The bench's own account of a run: what each start put where, at what level, for how long.

Taken inside the simulators, from the program's own words; no binding, profile or record has a part
in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.simulators.bench import Bench
from drivers.simulators.output import Output
from drivers.simulators.output_models import Kind, Phase
from orchestrator.model.program import Step
from orchestrator.model.record import Reading
from orchestrator.model.words import Measured, StepKind, Waveform

KINDS = {
    StepKind.BONDING: Kind.BOND_AC,
    StepKind.CONTINUITY: Kind.CONT,
    StepKind.INSULATION: Kind.INSUL,
    StepKind.WITHSTAND_AC: Kind.STAND_AC,
    StepKind.WITHSTAND_DC: Kind.STAND_DC,
}
CEILING = 1.03
"""A level is rounded up to what the wire carries, at most 3 % (design rule on rounding)."""
ROUNDING = 1e-6
TELLS_WITHIN = 0.01
RESOLUTION = {Measured.RESISTANCE: 1e-3, Measured.TOTAL_CURRENT: 10e-6}
"""Ohm, A: the coarsest of the testers' (profiles/pell.md, stave.md)."""


@dataclass
class Held:
    """One dwell. Points by the side of the output that closed contacts put them on."""

    kind: Kind
    level: float
    source: frozenset[str]
    back: frozenset[str]
    begun_s: float
    dwell_s: float = 0.0
    measured: Mapping[Measured, float] = field(default_factory=dict)


def same_reading(held: Held, values: Mapping[Measured, Reading]) -> bool:
    """Whether what a result tells is what the bench had at the end of that dwell."""
    told = {
        quantity: float(reading.value)
        for quantity, reading in values.items()
        if quantity in RESOLUTION and reading.bound == "exact" and reading.value is not None
    }
    return bool(told) and all(
        quantity in held.measured
        and abs(value - held.measured[quantity])
        <= held.measured[quantity] * TELLS_WITHIN + RESOLUTION[quantity]
        for quantity, value in told.items()
    )


class Account:
    """Follows an output of a bench."""

    def __init__(self, bench: Bench, tester: str) -> None:
        self.held: list[Held] = []
        self._bench = bench
        self._output: Output = bench.outputs[tester]
        self._told = self._output._phase_changed
        self._output._phase_changed = self._changed

    def _changed(self) -> None:
        self._told()
        if self._output.phase is Phase.HOLD and self._output.order is not None:
            order = self._output.order
            level = order.level * self._output.faults.level_factor
            sides = (self._points("source"), self._points("return"))
            self.held.append(Held(order.kind, level, *sides, self._bench.now_s))
        elif self.held and not self.held[-1].dwell_s:
            self.held[-1].dwell_s = self._bench.now_s - self.held[-1].begun_s
            final = self._output.final_reading()
            told = {
                Measured.RESISTANCE: final.resistance_ohm,
                Measured.TOTAL_CURRENT: final.total_a,
            }
            self.held[-1].measured = {k: v for k, v in told.items() if v is not None}

    def _points(self, bus: str) -> frozenset[str]:
        return frozenset(
            contact.point.removeprefix("point ")
            for contact in self._bench.wiring.contacts()
            if contact.closed and contact.key.bus == bus
        )

    def tested(self, step: Step, points: frozenset[str]) -> tuple[Held, ...]:
        """When the step's level was held for its dwell on its points, and on no others.

        ``points``: all that the fixture has.
        """
        return tuple(held for held in self.held if self._fits(held, step, points))

    @staticmethod
    def _fits(held: Held, step: Step, points: frozenset[str]) -> bool:
        kind = KINDS[step.kind]
        if step.kind is StepKind.BONDING and step.waveform is Waveform.DC:
            kind = Kind.BOND_DC
        source = frozenset(step.apply_to)
        back = points - source if step.others == "against" else frozenset(step.against)
        level, dwell_s = float(step.level), float(step.dwell)
        return (
            held.kind is kind
            and held.source == source
            and held.back == back
            and level * (1 - ROUNDING) <= held.level <= level * CEILING
            and held.dwell_s >= dwell_s * (1 - ROUNDING)
        )
