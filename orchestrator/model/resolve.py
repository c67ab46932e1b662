"""A product file (and its rule sheet) to `Demands`, or every fault at once.

In time and memory proportional to nets and written entries: no list of pairs is made.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from orchestrator.documents import Document, read_document
from orchestrator.errors import Fault, Refused
from orchestrator.formulas.currents import ROOT_TWO
from orchestrator.model.amounts import volts
from orchestrator.model.counting import many_times
from orchestrator.model.demands import (
    Allowed,
    BondDemand,
    Ceiling,
    Declared,
    Demands,
    Floating,
    LoadDemand,
    NetDemand,
    Origin,
    PairDemand,
)
from orchestrator.model.needs import ceiling_of, limit_orders, limits_of, seconds_of
from orchestrator.model.product import (
    EVERY_NET,
    BondingDemand,
    ContinuityDemand,
    InsulationDemand,
    Product,
    Stray,
    Typical,
    VoltageDemand,
    WithstandAcDemand,
)
from orchestrator.model.product_nets import Nets, nets_of_product
from orchestrator.model.rule_sheet import RuleSheet
from orchestrator.model.ruling import Ruled, apply_rules
from orchestrator.model.sheet_use import notices, read_sheet, used
from orchestrator.model.words import Measured, Waveform


def read_demands(path: str | Path) -> Demands:
    """Read a product file and the rule sheet that it names, and resolve them.

    Raises:
        Refused: with every fault of the product file, or of the sheet and the demands.
    """
    product = read_document(path, Product)
    return resolve(product, read_sheet(product))


def resolve(product: Document[Product], sheet: Document[RuleSheet] | None = None) -> Demands:
    """Resolve names to nets and demands to groups of nets.

    Args:
        product: as read, or `Document.built` from Python.
        sheet: that of the product's ``rules``, read by `read_sheet`.

    Raises:
        Refused: with every fault; a demand above what one of its pairs may see included.
        ValueError: a sheet is given that the product doesn't ask for, or the other way round.
    """
    if (sheet is None) != (product.model.rules is None):
        raise ValueError("give the sheet that the product's 'rules' names, and no other")
    nets, faults = nets_of_product(product)
    own = _Own(product, nets, faults)
    ceilings = tuple(own.ceilings())
    pairs, contacts = own.demands()
    ruled = Ruled() if sheet is None else apply_rules(product, sheet, nets, faults)
    pair_demands = tuple(_capped(d, ceilings) for d in (*pairs, *ruled.pair_demands))
    faults += own.impossible(pair_demands, ceilings)
    demands = Demands(
        product=product.model.name,
        revision=product.model.revision,
        file=product.file,
        sha256=product.sha256,
        nets=nets.nets,
        circuits=nets.circuits,
        earth_net=nets.earth_net,
        earth_points=product.model.protective_earth,
        accessible_parts=product.model.accessible_parts,
        earthed=nets.earthed,
        bodies=nets.bodies,
        body_of=nets.body_of,
        pair_demands=pair_demands,
        net_demands=(*(d for d in contacts if isinstance(d, NetDemand)), *ruled.net_demands),
        load_demands=tuple(own.loads()),
        bond_demands=(*(d for d in contacts if isinstance(d, BondDemand)), *ruled.bond_demands),
        ceilings=ceilings,
        capacitances=tuple(own.declared("capacitances", product.model.capacitances)),
        insulations=tuple(own.declared("insulations", product.model.insulations)),
        allowed=own.allowed(),
        sheet=None if sheet is None else used(sheet),
        decision_rule=product.model.decision_rule,
        take_out=frozenset(product.model.take_out),
        unruled=ruled.unruled,
        notices=(*notices(product.model, sheet, ruled), *own.notices),
    )
    faults += _empty(product, demands)
    if faults:
        raise Refused(sorted(faults, key=_place))
    return demands


def _place(fault: Fault) -> tuple[str, int, int]:
    at = fault.position
    return ("", 0, 0) if at is None else (at.file, at.line, at.column)


def _empty(product: Document[Product], demands: Demands) -> Iterator[Fault]:
    some = demands.pair_demands or demands.net_demands or demands.bond_demands
    if not some and not demands.load_demands and product.model.rules is None:
        remedy = "add demands, or name a rule sheet with 'rules: FILE'"
        at = product.locate("demands")
        yield Fault("demands", "none", "at least one demand", remedy, at)
    bonded = {part for demand in demands.bond_demands for part in demand.parts}
    for index, part in enumerate(demands.accessible_parts):
        if part not in bonded:
            remedy = "add a demand of kind bonding, or a rule for it"
            at = product.locate("accessible_parts", index)
            what = f"accessible part {part!r}"
            yield Fault(what, "no bonding demanded", "bonding to earth", remedy, at)


def _capped(demand: PairDemand, ceilings: tuple[Ceiling, ...]) -> PairDemand:
    """The wire may carry no more than the lowest ceiling of a demanded pair."""

    most = demand.ceiling_v
    for ceiling in ceilings:
        held = ceiling.ac_v if demand.waveform is Waveform.AC else ceiling.dc_v
        if held < most and demand.pairs.pair_in_both(ceiling.pairs) is not None:
            most = held
    return demand if most == demand.ceiling_v else replace(demand, ceiling_v=most)


class _Own:
    """What the product file itself says, resolved; faults go to the common list."""

    def __init__(self, document: Document[Product], nets: Nets, faults: list[Fault]) -> None:
        self._document, self._product = document, document.model
        self._nets, self._faults = nets, faults
        self.notices: tuple[str, ...] = ()

    def ceilings(self) -> Iterator[Ceiling]:
        for index, entry in enumerate(self._product.never_above):
            loc = ("never_above", index)
            what = f"never_above[{index + 1}]"
            if pairs := self._nets.grouping(entry, loc, what, self._faults):
                reasons = () if entry.reason is None else (entry.reason,)
                origin = Origin(what, self._document.locate(*loc), reasons=reasons)
                yield Ceiling(pairs, entry.ac.value, entry.dc.value, origin)

    def declared(self, key: str, entries: tuple[Stray | Typical, ...]) -> Iterator[Declared]:
        for index, entry in enumerate(entries):
            what = f"{key}[{index + 1}]"
            pairs = self._nets.grouping(entry, (key, index), what, self._faults)
            if pairs is None:
                continue
            share = Decimal(entry.tolerance_percent) / 100
            value = entry.value.value
            origin = Origin(what, self._document.locate(key, index))
            least, most = value * (1 - share), value * (1 + share)
            each = entry.counts == "each_pair"
            if key == "capacitances" and each and "counts" not in entry.model_fields_set:
                self.notices += many_times(pairs, origin, self._nets)
            yield Declared(pairs, least, value, most, each, origin)

    def loads(self) -> Iterator[LoadDemand]:
        for index, load in enumerate(self._product.loads):
            ends = [self._nets.index.get(name) for name in load.between]
            if ends[0] is None or ends[1] is None or ends[0] == ends[1]:
                continue  # told with the nets
            yield LoadDemand(
                name=load.name,
                origin=Origin(f"load {load.name}", self._document.locate("loads", index)),
                limits=tuple(limit_orders(Measured.RESISTANCE, load.accept)),
                rise_s=seconds_of(load.rise),
                dwell_s=load.dwell.value,
                fall_s=seconds_of(load.fall),
                nets=(ends[0], ends[1]),
                level_a=load.level.value,
            )

    def demands(self) -> tuple[list[PairDemand], list[NetDemand | BondDemand]]:
        pairs: list[PairDemand] = []
        contacts: list[NetDemand | BondDemand] = []
        for index, demand in enumerate(self._product.demands):
            origin = Origin(f"demand {demand.name}", self._document.locate("demands", index))
            if isinstance(demand, ContinuityDemand):
                found = self._continuity(demand, index, origin)
            elif isinstance(demand, BondingDemand):
                found = self._bonding(demand, index, origin)
            else:
                pairs += self._pair_demand(demand, index, origin)
                continue
            contacts += found
        return pairs, contacts

    def _continuity(
        self, demand: ContinuityDemand, index: int, origin: Origin
    ) -> list[NetDemand | BondDemand]:
        what, loc = origin.what, ("demands", index, "within")
        named = self._nets.within(demand.within or (EVERY_NET,), loc, what, self._faults)
        several = tuple(net for net in named if len(self._nets.nets[net].points) > 1)
        if named and not several:
            remedy = "name nets with several points, or remove the demand"
            at = self._document.locate("demands", index)
            found = "only nets with one point"
            self._faults.append(Fault(what, found, "a net with several points", remedy, at))
        if not several:
            return []
        return [
            NetDemand(
                name=demand.name,
                origin=origin,
                limits=limits_of(demand.accept),
                rise_s=seconds_of(demand.rise),
                dwell_s=demand.dwell.value,
                fall_s=seconds_of(demand.fall),
                nets=several,
                level_a=demand.level.value,
                ceiling_a=self._ceiling(demand, index, origin),
            )
        ]

    def _bonding(
        self, demand: BondingDemand, index: int, origin: Origin
    ) -> list[NetDemand | BondDemand]:
        parts = demand.parts or self._product.accessible_parts
        for place, part in enumerate(demand.parts):
            if part not in self._product.accessible_parts:
                remedy = "add it to accessible_parts, or correct the name"
                at = self._document.locate("demands", index, "parts", place)
                expected = "an accessible part"
                self._faults.append(Fault(origin.what, repr(part), expected, remedy, at))
        if not parts or self._nets.earth_net is None:
            lacks = "no accessible_parts" if not parts else "no protective_earth"
            at = self._document.locate("demands", index)
            remedy = "declare them, or remove the demand"
            expected = "earth and accessible parts"
            self._faults.append(Fault(origin.what, lacks, expected, remedy, at))
            return []
        return [
            BondDemand(
                name=demand.name,
                origin=origin,
                limits=limits_of(demand.accept),
                rise_s=seconds_of(demand.rise),
                dwell_s=demand.dwell.value,
                fall_s=seconds_of(demand.fall),
                parts=parts,
                level_a=demand.level.value,
                ceiling_a=self._ceiling(demand, index, origin),
                waveform=demand.waveform,
                frequency_hz=None if demand.frequency is None else demand.frequency.value,
            )
        ]

    def _pair_demand(
        self, demand: VoltageDemand, index: int, origin: Origin
    ) -> Iterator[PairDemand]:
        pairs = self._nets.grouping(demand, ("demands", index), origin.what, self._faults)
        if pairs is None:
            return
        flash = None if isinstance(demand, InsulationDemand) else demand.flash_over
        hertz = demand.frequency if isinstance(demand, WithstandAcDemand) else None
        yield PairDemand(
            name=demand.name,
            origin=origin,
            limits=limits_of(demand.accept),
            rise_s=seconds_of(demand.rise),
            dwell_s=demand.dwell.value,
            fall_s=seconds_of(demand.fall),
            kind=demand.kind,
            pairs=pairs,
            level_v=demand.level.value,
            ceiling_v=self._ceiling(demand, index, origin),
            frequency_hz=None if hertz is None else hertz.value,
            settle_s=seconds_of(demand.settle),
            limits_during_rise=demand.limits_during_rise,
            flash_over_a=None if flash is None else flash.value,
        )

    def _ceiling(
        self,
        demand: ContinuityDemand | BondingDemand | VoltageDemand,
        index: int,
        origin: Origin,
    ) -> Decimal:
        most = ceiling_of(demand.level.value, demand.level_ceiling)
        if most < demand.level.value:
            at = self._document.locate("demands", index, "level_ceiling")
            found, expected = f"{demand.level_ceiling}", f"at least the level, {demand.level}"
            self._faults.append(Fault(origin.what, found, expected, "raise it", at))
        return most

    def impossible(
        self, demands: tuple[PairDemand, ...], ceilings: tuple[Ceiling, ...]
    ) -> list[Fault]:
        """Demands that one of their own pairs may not see."""

        found = []
        for demand in demands:
            form = "AC" if demand.waveform is Waveform.AC else "DC"
            level = f"{volts(demand.level_v)} {form}"
            what, at = demand.origin.what, demand.origin.at
            if (pair := self._nets.joined_pair(demand.pairs)) is not None:
                told = f"{level} between {self._nets.told(pair)}"
                expected = f"nets that nothing joins; {self._nets.why_joined(pair)}"
                remedy = "take one of the two out of the demand"
                found.append(Fault(what, told, expected, remedy, at))
            for ceiling in ceilings:
                held = ceiling.ac_v if demand.waveform is Waveform.AC else ceiling.dc_v
                if held >= demand.level_v:
                    continue
                if (pair := demand.pairs.pair_in_both(ceiling.pairs)) is not None:
                    told = f"{level} between {self._nets.told(pair)}"
                    place = f"{ceiling.origin.what}, {ceiling.origin.at}"
                    expected = f"at most {volts(held)} {form} ({place})"
                    remedy = "lower the demand, or raise or part the never_above"
                    found.append(Fault(what, told, expected, remedy, at))
        return found

    def allowed(self) -> Allowed:
        allow = self._product.allow
        pairs = allow.undeclared_pairs
        return Allowed(
            floating=dict(self._floating()),
            undeclared_ac_v=None if pairs is None else pairs.ac.value,
            undeclared_dc_v=None if pairs is None else pairs.dc.value,
            undeclared_reason=None if pairs is None else pairs.reason,
            unproved_contact=dict(self._unproved()),
            runs_per_serial=allow.runs_per_serial,
            extra_insulation=allow.extra_insulation,
            extra_withstand=allow.extra_withstand,
            search_level_v=None if allow.search_level is None else allow.search_level.value,
            stored_energy_at_most_j=allow.stored_energy_at_most.value,
            relays_at_most=allow.relays_at_most,
        )

    def _floating(self) -> Iterator[tuple[int, Floating]]:
        for index, entry in enumerate(self._product.allow.floating):
            what, loc = f"allow.floating[{index + 1}]", ("allow", "floating", index)
            ac_v = None if entry.up_to_ac is None else entry.up_to_ac.value
            dc_v = None if entry.up_to_dc is None else entry.up_to_dc.value
            # What isn't written where the other is: its peak equivalent, never without bounds.
            if ac_v is None and dc_v is not None:
                ac_v = dc_v / ROOT_TWO
            if dc_v is None and ac_v is not None:
                dc_v = ac_v * ROOT_TWO
            said = Floating(ac_v, dc_v, entry.reason, self._document.locate(*loc))
            for net in self._nets.within(entry.nets, (*loc, "nets"), what, self._faults):
                yield net, said

    def _unproved(self) -> Iterator[tuple[str, str]]:
        for index, entry in enumerate(self._product.allow.unproved_contact):
            for place, point in enumerate(entry.points):
                loc = ("allow", "unproved_contact", index, "points", place)
                if point not in self._nets.net_of_point:
                    what = f"allow.unproved_contact[{index + 1}]"
                    self._faults.append(self._nets.unknown_point(point, loc, what))
                yield point, entry.reason
