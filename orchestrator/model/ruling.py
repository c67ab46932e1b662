"""Rules of a sheet, applied to the circuits of a product.

Circuits of one class and one working voltage are treated together, so the demands are as many as
pairs of classes and voltages, not as pairs of circuits.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations_with_replacement

from orchestrator.documents import Document
from orchestrator.errors import Fault, Position
from orchestrator.fault_words import nearest
from orchestrator.formulas.currents import peak_v
from orchestrator.model.amounts import volts
from orchestrator.model.demands import (
    BondDemand,
    CircuitOf,
    Grouping,
    NetDemand,
    Origin,
    PairDemand,
)
from orchestrator.model.needs import ceiling_of, limits_of, seconds_of
from orchestrator.model.product import PROTECTIVE_EARTH, Product
from orchestrator.model.product_nets import Nets
from orchestrator.model.program import Accept
from orchestrator.model.rule_sheet import (
    AmpsFromRating,
    FixedAmps,
    FixedVolts,
    KnownTime,
    PeakOf,
    Rule,
    RuleSheet,
    VoltsFromVoltage,
)
from orchestrator.model.words import HIGH_VOLTAGE_KINDS, StepKind, Waveform


@dataclass(frozen=True, slots=True)
class Ruled:
    """What a sheet demands of a product. ``unruled``: pairs it says nothing about."""

    pair_demands: tuple[PairDemand, ...] = ()
    net_demands: tuple[NetDemand, ...] = ()
    bond_demands: tuple[BondDemand, ...] = ()
    unruled: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Sort:
    """Circuits of one class and working voltage; or earth, which has no voltage."""

    word: str
    working_v: Decimal | None
    circuits: tuple[tuple[str, tuple[int, ...]], ...]
    at: Position

    def told(self) -> str:
        if self.word == PROTECTIVE_EARTH:
            return PROTECTIVE_EARTH
        at = "" if self.working_v is None else f" at {volts(self.working_v)}"
        return f"{self.word}{at} ({', '.join(name for name, _ in self.circuits)})"

    def nets(self) -> tuple[int, ...]:
        return tuple(sorted(net for _, nets in self.circuits for net in nets))


def level_v(sheet: RuleSheet, rule: Rule, working_v: Decimal | None) -> Decimal | None:
    """The level (V) of a rule at a working voltage (V); None where it needs one and has none.

    Fixed; k·U + c, at least m; or √2 times that of another rule.

    Raises:
        ValueError: the rule's level is a current.
    """
    form = rule.level
    if isinstance(form, FixedVolts):
        return form.value.value
    if isinstance(form, VoltsFromVoltage):
        if working_v is None:
            return None
        raised = working_v * form.times_percent / 100 + form.plus.value
        return max(raised, form.at_least.value)
    if isinstance(form, PeakOf):
        other = next(r for r in sheet.rules if r.name == form.rule)
        its = level_v(sheet, other, working_v)
        return None if its is None else peak_v(its)
    raise ValueError(f"rule {rule.name!r} has a current")


def level_a(rule: Rule, rated_a: Decimal | None) -> Decimal | None:
    """The current (A) of a rule at a rated current (A); None where it needs one and has none.

    Raises:
        ValueError: the rule's level is a voltage.
    """
    form = rule.level
    if isinstance(form, FixedAmps):
        return form.value.value
    if isinstance(form, AmpsFromRating):
        if rated_a is None:
            return None
        return max(rated_a * form.times_percent / 100 + form.plus.value, form.at_least.value)
    raise ValueError(f"rule {rule.name!r} has a voltage")


def apply_rules(
    product: Document[Product], sheet: Document[RuleSheet], nets: Nets, faults: list[Fault]
) -> Ruled:
    """All demands of a sheet; what it can't be applied to is told."""
    return _Ruling(product, sheet, nets, faults).all()


class _Ruling:
    def __init__(
        self,
        product: Document[Product],
        sheet: Document[RuleSheet],
        nets: Nets,
        faults: list[Fault],
    ) -> None:
        self._product, self._sheet, self._nets, self._faults = product, sheet, nets, faults
        self._limits = product.model.rule_limits
        self._told: set[str] = set()
        self._unruled: list[str] = []

    def all(self) -> Ruled:
        sorts = self._sorts()
        pairs: list[PairDemand] = []
        for one, other in combinations_with_replacement(sorts, 2):
            if one is other and (len(one.circuits) < 2 or one.word == PROTECTIVE_EARTH):
                continue
            for rule in self._rules_for(one, other):
                pairs += self._pair_demand(rule, one, other)
        nets: list[NetDemand] = []
        bonds: list[BondDemand] = []
        for rule in self._sheet.model.rules:
            if rule.kind is StepKind.CONTINUITY:
                nets += self._net_demand(rule)
            elif rule.kind is StepKind.BONDING:
                bonds += self._bond_demand(rule)
        return Ruled(tuple(pairs), tuple(nets), tuple(bonds), tuple(self._unruled))

    # ---- who -----------------------------------------------------------------------------------

    def _sorts(self) -> list[_Sort]:
        found: dict[tuple[str, Decimal | None], list[CircuitOf]] = {}
        for circuit in self._nets.circuits:
            word = circuit.class_name
            if self._nets.earthed.issuperset(circuit.nets):
                continue
            if word is None or word not in self._sheet.model.classes:
                self._tell_class(circuit)
                continue
            if held := self._nets.earthed.intersection(circuit.nets):
                name = self._nets.nets[min(held)].name
                told = f"net {name!r}, which is bonded to earth"
                remedy = "take it out of the circuit; a circuit may be joined to earth by a load"
                expected = "nets apart from earth"
                fault = Fault(f"circuit {circuit.name!r}", told, expected, remedy, circuit.at)
                self._faults.append(fault)
            found.setdefault((word, circuit.working_v), []).append(circuit)
        self._tell_left_out()
        sorts = [
            _Sort(word, volt, tuple((c.name, c.nets) for c in circuits if c.nets), circuits[0].at)
            for (word, volt), circuits in found.items()
        ]
        if self._nets.earthed:
            earthed = ((PROTECTIVE_EARTH, tuple(sorted(self._nets.earthed))),)
            at = self._product.locate("protective_earth")
            sorts.append(_Sort(PROTECTIVE_EARTH, None, earthed, at))
        return sorts

    def _tell_class(self, circuit: CircuitOf) -> None:
        words = tuple(self._sheet.model.classes)
        near = None if circuit.class_name is None else nearest(circuit.class_name, words)
        remedy = f"did you mean {near!r}?" if near else "write one of the sheet's words"
        found = "no class" if circuit.class_name is None else f"the class {circuit.class_name!r}"
        at = self._product.locate("circuits", circuit.name, "class")
        expected = f"one of {', '.join(words)} ({self._sheet.file})"
        self._faults.append(Fault(f"circuit {circuit.name!r}", found, expected, remedy, at))

    def _tell_left_out(self) -> None:
        for net in self._nets.nets:
            if net.circuit is None and net.index not in self._nets.earthed:
                remedy = "put it into a circuit, so that a rule can reach it"
                what, expected = f"net {net.name!r}", "a circuit, or earth"
                self._faults.append(Fault(what, "in no circuit", expected, remedy, net.at))

    # ---- which rules ---------------------------------------------------------------------------

    def _rules_for(self, one: _Sort, other: _Sort) -> list[Rule]:
        words = frozenset({one.word, other.word})
        working = _higher(one, other)
        named = [r for r in self._sheet.model.rules if frozenset(r.between or ()) == words]
        if not named:
            silent = (frozenset(e.between) == words for e in self._sheet.model.no_demand)
            if not any(silent):
                told = f"circuits of {one.told()}" if one is other else (
                    f"{one.told()} and {other.told()}"
                )  # fmt: skip
                self._unruled.append(told)
            return []
        fitting = []
        for rule in named:
            if rule.voltages is None:
                fitting.append(rule)
            elif working is None:
                self._tell_voltage(one, other, rule)
            elif rule.voltages.above.value < working <= rule.voltages.up_to.value:
                fitting.append(rule)
        met = {_family(rule) for rule in fitting}
        lacking: dict[str, StepKind] = {}
        for rule in named:
            if _family(rule) not in met:
                lacking.setdefault(_family(rule), rule.kind)
        for kind in lacking.values():
            if working is not None:
                self._tell_range(one, other, kind, working)
        dc = self._product.model.rules_waveform is Waveform.DC
        replaced = {r.instead_of for r in fitting if r.instead_of is not None} if dc else set()
        return [r for r in fitting if r.name not in replaced and (dc or r.instead_of is None)]

    def _once(self, fault: Fault) -> None:
        if str(fault) not in self._told:
            self._told.add(str(fault))
            self._faults.append(fault)

    def _tell_voltage(self, one: _Sort, other: _Sort, rule: Rule) -> None:
        lacking = one if one.working_v is None and one.word != PROTECTIVE_EARTH else other
        remedy = f"add 'working_voltage: …' (rule {rule.name!r} needs it)"
        what = f"circuit {lacking.circuits[0][0]!r}"
        at = lacking.at
        self._once(Fault(what, "no working_voltage", "a working voltage", remedy, at))

    def _tell_range(self, one: _Sort, other: _Sort, kind: StepKind, working: Decimal) -> None:
        what = f"{one.told()} and {other.told()}"
        expected = f"a rule of kind {kind} for {volts(working)} ({self._sheet.file})"
        remedy = "add a rule for this voltage, or correct the working voltage"
        self._once(Fault(what, "none", expected, remedy, one.at))

    # ---- what ----------------------------------------------------------------------------------

    def _pair_demand(self, rule: Rule, one: _Sort, other: _Sort) -> Iterator[PairDemand]:
        level = level_v(self._sheet.model, rule, _higher(one, other))
        accept = self._accept(rule)
        if level is None:
            self._tell_voltage(one, other, rule)
        if level is None or accept is None:
            return
        if one is other:
            groups = tuple(nets for _, nets in one.circuits)
        else:
            groups = (one.nets(), other.nets())
        told = one.told() if one is other else f"{one.told()} to {other.told()}"
        yield PairDemand(
            name=f"{rule.name}: {told}",
            origin=self._origin(rule, one.at),
            limits=limits_of(accept),
            rise_s=_time(rule.rise),
            dwell_s=rule.dwell.value.value,
            fall_s=_time(rule.fall),
            kind=rule.kind,
            pairs=Grouping(groups),
            level_v=level,
            ceiling_v=ceiling_of(level, None),
            frequency_hz=None if rule.frequency is None else rule.frequency.value.value,
        )

    def _net_demand(self, rule: Rule) -> Iterator[NetDemand]:
        several = tuple(net.index for net in self._nets.nets if len(net.points) > 1)
        amps, accept = self._amps(rule), self._accept(rule)
        if several and amps is not None and accept is not None:
            yield NetDemand(
                name=rule.name,
                origin=self._origin(rule, self._product.locate("rules")),
                limits=limits_of(accept),
                rise_s=_time(rule.rise),
                dwell_s=rule.dwell.value.value,
                fall_s=_time(rule.fall),
                nets=several,
                level_a=amps,
                ceiling_a=ceiling_of(amps, None),
            )

    def _bond_demand(self, rule: Rule) -> Iterator[BondDemand]:
        parts = self._product.model.accessible_parts
        if not parts:
            return
        amps, accept = self._amps(rule), self._accept(rule)
        if amps is not None and accept is not None:
            yield BondDemand(
                name=rule.name,
                origin=self._origin(rule, self._product.locate("rules")),
                limits=limits_of(accept),
                rise_s=_time(rule.rise),
                dwell_s=rule.dwell.value.value,
                fall_s=_time(rule.fall),
                parts=parts,
                level_a=amps,
                ceiling_a=ceiling_of(amps, None),
                waveform=rule.waveform,
                frequency_hz=None if rule.frequency is None else rule.frequency.value.value,
            )

    def _amps(self, rule: Rule) -> Decimal | None:
        rated = self._product.model.rated_current
        amps = level_a(rule, None if rated is None else rated.value)
        if amps is None:
            at = self._product.locate("rules")
            remedy = f"add 'rated_current: …' (rule {rule.name!r} needs it)"
            self._once(Fault("the product", "no rated_current", "a current", remedy, at))
        return amps

    def _accept(self, rule: Rule) -> Accept | None:
        if rule.accept is not None:
            return rule.accept.value
        own: Accept | None = getattr(self._limits, rule.kind.value)
        if own is None:
            at = self._product.locate("rule_limits")
            found = f"no limit for {rule.kind}, and rule {rule.name!r} of the sheet has none"
            remedy = f"write for example rule_limits: {{{rule.kind}: {_EXAMPLES[rule.kind]}}}"
            self._once(Fault("rule_limits", found, "a limit", remedy, at))
        return own

    def _origin(self, rule: Rule, at: Position) -> Origin:
        index = self._sheet.model.rules.index(rule)
        reasons = []
        if rule.accept is None and rule.kind in HIGH_VOLTAGE_KINDS:
            reasons.append("limits are the product's own (rule_limits)")
        if not self._sheet.model.checked:
            reasons.append(f"rule sheet {self._sheet.model.name} checked by nobody yet")
        return Origin(
            what=f"rule {rule.name}",
            at=at,
            rule_at=self._sheet.locate("rules", index),
            source=rule.level.source,
            status=rule.level.status,
            reasons=tuple(reasons),
        )


_EXAMPLES = {
    StepKind.BONDING: "{resistance: {at_most: 100 mohm}}",
    StepKind.CONTINUITY: "{resistance: {at_most: 1 ohm}}",
    StepKind.INSULATION: "{resistance: {at_least: 1 Mohm}}",
    StepKind.WITHSTAND_AC: "{total_current: {at_most: 5 mA}}",
    StepKind.WITHSTAND_DC: "{total_current: {at_most: 1 mA}}",
}


def _higher(one: _Sort, other: _Sort) -> Decimal | None:
    """The higher of two working voltages; earth has none. None where one isn't known."""
    known = []
    for sort in (one, other):
        if sort.word == PROTECTIVE_EARTH:
            continue
        if sort.working_v is None:
            return None
        known.append(sort.working_v)
    return max(known, default=None)


def _time(known: KnownTime | None) -> Decimal | None:
    return None if known is None else seconds_of(known.value)


def _family(rule: Rule) -> str:
    """What a rule tests, whichever waveform it offers: at some voltages a sheet has only one."""
    return "withstand" if rule.kind.value.startswith("withstand") else rule.kind.value
