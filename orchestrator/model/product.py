"""The product: points, nets, circuits, what each pair of nets may see, and what is demanded.

Demands are held by sets of nets, never pair by pair. A set is written as names of nets or
circuits, or one of `SET_WORDS`.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator
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
from orchestrator.model.fixture import Positions, _as_tuple
from orchestrator.model.plausible import check_plausible
from orchestrator.model.program import (
    Accept,
    DecisionRule,
    DriveCurrent,
    Hertz,
    LeakCurrent,
    LimitOhms,
    Name,
    Notes,
    Reason,
    ResistanceLimit,
    Seconds,
    Volts,
)
from orchestrator.model.words import StepKind, Waveform
from orchestrator.quantities import Dimension, Quantity, QuantityField

PROTECTIVE_EARTH = "protective_earth"
EVERY_NET = "every_net"
EVERY_CIRCUIT = "every_circuit"
ALL_OTHERS = "all_others"
SET_WORDS = (PROTECTIVE_EARTH, EVERY_NET, EVERY_CIRCUIT, ALL_OTHERS)
"""Sets that need no name of their own, so no net and no circuit may be called so."""

Members = Positions
"""Names of nets and circuits, or words of `SET_WORDS`; one may stand without brackets."""
WorkingVolts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "100 kV")]
CeilingVolts = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "0 V", "100 kV")]
StrayFarads = Annotated[Quantity, QuantityField(Dimension.CAPACITANCE, "0 pF", "100 uF")]
Joules = Annotated[Quantity, QuantityField(Dimension.ENERGY, "1 mJ", "10000 J")]
Percent = Annotated[WholeNumber, Field(ge=0, le=99)]
Times = Annotated[WholeNumber, Field(ge=0, le=10_000)]
Runs = Annotated[WholeNumber, Field(ge=1, le=1000)]
Relays = Annotated[WholeNumber, Field(ge=2, le=100_000)]
Path = Annotated[str, Field(min_length=1, max_length=500), Printable]


class _Pairs(Strict):
    """Every pair between two sets, or among the members of one.

    ``between``: two sets. ``among``: every two members of one set; a circuit is one member, two
    nets of it are no pair.
    """

    between: tuple[Members, Members] | None = None
    among: Members | None = None

    @model_validator(mode="after")
    def _one_of_them(self) -> _Pairs:
        if (self.between is None) == (self.among is None):
            raise refuse(
                found="neither 'between' nor 'among'" if self.among is None else "both",
                expected="either 'between' (two sets) or 'among' (one set)",
                remedy="write for example between: [mains, control], or among: every_net",
            )
        return self


class Circuit(Strict):
    """A named group of nets. ``class``: a word that the rule sheet knows."""

    nets: Members
    working_voltage: WorkingVolts | None = None
    class_: Annotated[Name | None, Field(alias="class")] = None


class Load(Strict):
    """Two nets that a part of the product joins (a heater, a winding): they are never put on
    opposite sides of a test at a voltage. ``accept``: the part's resistance; its continuity step
    proves the contact of both nets."""

    name: Name
    between: tuple[Name, Name]
    accept: ResistanceLimit
    level: DriveCurrent = Quantity.of("100 mA", Dimension.CURRENT)
    rise: Seconds | None = None
    dwell: Seconds = Quantity.of("0.5 s", Dimension.TIME)
    fall: Seconds | None = None


class Joined(Strict):
    """Nets that parts of the product join (a rectifier, a relay, electronics): one body, never put
    on opposite sides, driven or left open together."""

    nets: Members
    reason: Reason


class Stray(_Pairs):
    """A declared capacitance. ``tolerance_percent``: how far a unit may lie from it.
    ``counts``: for each pair of nets, or for all pairs of the two sets together."""

    value: StrayFarads
    tolerance_percent: Percent
    counts: Literal["each_pair", "together"] = "each_pair"


class Typical(_Pairs):
    """A typical insulation resistance; as for a declared capacitance."""

    value: LimitOhms
    tolerance_percent: Percent
    counts: Literal["each_pair", "together"] = "each_pair"


class NeverAbove(_Pairs):
    """The highest level that these pairs may see, AC rms and DC. 0 V: never on opposite sides."""

    ac: CeilingVolts
    dc: CeilingVolts
    reason: Reason | None = None


class _Timed(Strict):
    name: Name
    accept: Accept
    rise: Seconds | None = None
    dwell: Seconds
    fall: Seconds | None = None


class ContinuityDemand(_Timed):
    """Continuity from point to point within each net of a set that has several points.
    ``within``: every net if left out."""

    kind: Literal[StepKind.CONTINUITY]
    within: Members | None = None
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None


class BondingDemand(_Timed):
    """Bonding from earth to accessible parts. ``parts``: points; all of them if left out."""

    kind: Literal[StepKind.BONDING]
    parts: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = ()
    level: DriveCurrent
    level_ceiling: DriveCurrent | None = None
    waveform: Waveform = Waveform.AC
    frequency: Hertz | None = None

    @model_validator(mode="after")
    def _plausible(self) -> BondingDemand:
        check_plausible(self.kind, self.accept)
        return self


class _VoltageDemand(_Timed, _Pairs):
    level: Volts
    level_ceiling: Volts | None = None
    settle: Seconds | None = None
    limits_during_rise: YesNo = False


class InsulationDemand(_VoltageDemand):
    """Insulation resistance of each pair at a DC level."""

    kind: Literal[StepKind.INSULATION]

    @model_validator(mode="after")
    def _plausible(self) -> InsulationDemand:
        check_plausible(self.kind, self.accept)
        return self


class WithstandAcDemand(_VoltageDemand):
    """AC withstand of each pair; ``flash_over`` is a peak current."""

    kind: Literal[StepKind.WITHSTAND_AC]
    frequency: Hertz
    flash_over: LeakCurrent | None = None


class WithstandDcDemand(_VoltageDemand):
    """DC withstand of each pair; ``flash_over`` is a peak current."""

    kind: Literal[StepKind.WITHSTAND_DC]
    flash_over: LeakCurrent | None = None


VoltageDemand = InsulationDemand | WithstandAcDemand | WithstandDcDemand
Demand = Annotated[
    ContinuityDemand | BondingDemand | InsulationDemand | WithstandAcDemand | WithstandDcDemand,
    Field(discriminator="kind"),
]


class MayFloat(Strict):
    """Nets that may be left open in a test at a voltage, and why. ``up_to_ac``, ``up_to_dc``:
    levels above which they may not."""

    nets: Members
    up_to_ac: CeilingVolts | None = None
    up_to_dc: CeilingVolts | None = None
    reason: Reason


class UndeclaredPairs(Strict):
    """What pairs may see of which nothing is declared, instead of what is demanded of them."""

    ac: CeilingVolts
    dc: CeilingVolts
    reason: Reason


class UnprovedContact(Strict):
    """Points whose contact need not be proved, and why."""

    points: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple), Field(min_length=1)]
    reason: Reason


class Allow(Strict):
    """What the planner may do; left out means no."""

    floating: tuple[MayFloat, ...] = ()
    undeclared_pairs: UndeclaredPairs | None = None
    unproved_contact: tuple[UnprovedContact, ...] = ()
    runs_per_serial: Runs = 3
    extra_insulation: Times = 100
    extra_withstand: Times = 0
    search_level: Volts | None = None
    stored_energy_at_most: Joules = Quantity(Decimal("0.35"), Dimension.ENERGY)
    relays_at_most: Relays | None = None


class RuleLimits(Strict):
    """Limits by kind for rules of the sheet that name none.

    Attributes:
        bonding, continuity, insulation, withstand_ac, withstand_dc: limits of one pair, net or
            bond, for rules of this kind that name none.
    """

    bonding: Accept | None = None
    continuity: Accept | None = None
    insulation: Accept | None = None
    withstand_ac: Accept | None = None
    withstand_dc: Accept | None = None


class Product(Strict):
    """A product. ``rules``: a rule sheet, seen from this file, that adds demands by class and
    working voltage; ``rules_waveform`` chooses where it offers AC or DC. ``decision_rule``: of all
    planned steps; ``take_out``: kinds of them that have the fixture's offsets taken out."""

    name: Name
    revision: Name
    notes: Notes | None = None
    nets: Annotated[dict[Name, Members], Field(min_length=1, max_length=20_000)]
    circuits: dict[Name, Circuit] = Field(default_factory=dict)
    protective_earth: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = ()
    accessible_parts: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = ()
    loads: tuple[Load, ...] = ()
    joined: tuple[Joined, ...] = ()
    capacitances: tuple[Stray, ...] = ()
    insulations: tuple[Typical, ...] = ()
    never_above: tuple[NeverAbove, ...] = ()
    rated_current: DriveCurrent | None = None
    rules: Path | None = None
    rules_waveform: Waveform = Waveform.AC
    rule_limits: RuleLimits = Field(default_factory=RuleLimits)
    decision_rule: DecisionRule = "simple"
    take_out: tuple[StepKind, ...] = ()
    demands: tuple[Demand, ...] = ()
    allow: Allow = Field(default_factory=Allow)

    @model_validator(mode="after")
    def _names(self) -> Product:
        """Net and circuit names apart from each other and from `SET_WORDS`; demands once."""
        wrong: list[tuple[Loc, PydanticCustomError]] = []
        for group, names in (("nets", self.nets), ("circuits", self.circuits)):
            for name in names:
                if name in SET_WORDS:
                    told, remedy = f"the word {name!r} as a name", "choose another name"
                elif group == "circuits" and name in self.nets:
                    told, remedy = f"the name {name!r} of a net, too", "rename one of the two"
                else:
                    continue
                error = refuse(found=told, expected="a name of its own", remedy=remedy)
                wrong.append(((group, name), error))
        first: set[str] = set()
        named = [("loads", i, load.name) for i, load in enumerate(self.loads)]
        named += [("demands", i, demand.name) for i, demand in enumerate(self.demands)]
        for key, index, name in named:
            if name in first:
                found = f"the name {name!r} a second time"
                remedy = "rename one of the two"
                error = refuse(found=found, expected="each name once", remedy=remedy)
                wrong.append(((key, index, "name"), error))
            first.add(name)
        if wrong:
            raise refuse_parts(wrong)
        return self
