"""A station on paper for the tests of binding: two invented testers, one chain, seven points.

Everything is plain data with defaults that bind; a test changes the one thing it is about.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

import pytest
import yaml

from orchestrator.binding.bind import bind
from orchestrator.binding.instruments import Instruments
from orchestrator.documents import Document, parse_document
from orchestrator.errors import Fault, Refused
from orchestrator.formulas.resolution import on_grid
from orchestrator.model.abilities import (
    Abilities,
    BankAbility,
    KindAbility,
    MatrixAbilities,
    Rating,
    Span,
    TerminalUse,
)
from orchestrator.model.fixture import Fixture
from orchestrator.model.program import Program
from orchestrator.model.schedule import LimitOrder, Schedule, StepOrder
from orchestrator.model.station import Station
from orchestrator.model.words import (
    DischargeGrade,
    Edge,
    Evidence,
    Measured,
    ReadBackProof,
    Role,
    StepKind,
    Waveform,
)

D = Decimal
AC, DC = Waveform.AC, Waveform.DC
Data = dict[str, Any]


def span(least: str, most: str) -> Span:
    return Span(D(least), D(most))


def rating(ac: str | None, peak: str | None, dc: str | None, amps: str | None) -> Rating:
    def number(text: str | None) -> Decimal | None:
        return None if text is None else D(text)

    return Rating(number(ac), number(peak), number(dc), number(amps))


HIGH_VOLTAGE = TerminalUse("output", "return")
HIGH_CURRENT = TerminalUse("hc_out", "hc_ret", "sense_hi", "sense_lo", "required")
TIMES: dict[str, Any] = {
    "dwell": span("0.1", "999.9"),
    "rise": span("0.1", "99.9"),
    "fall": span("0", "99.9"),
}
CURRENT_LIMITS = {
    (quantity, edge): span("0.00001", "0.04")
    for quantity in (Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT)
    for edge in Edge
}


def resistance_limits(least: str, most: str) -> Mapping[tuple[Measured, Edge], Span]:
    return {(Measured.RESISTANCE, edge): span(least, most) for edge in Edge}


KINDS = {
    StepKind.BONDING: KindAbility(
        kind=StepKind.BONDING,
        level=span("1", "32"),
        waveforms=frozenset({AC, DC}),
        terminals=HIGH_CURRENT,
        frequencies=(D(50), D(60)),
        limits=resistance_limits("0.001", "2"),
        compliance_v=D(12),
        readings=frozenset({Measured.RESISTANCE, Measured.CURRENT}),
        one_source_channel=True,
        **TIMES,
    ),
    StepKind.CONTINUITY: KindAbility(
        kind=StepKind.CONTINUITY,
        level=span("0.01", "1"),
        waveforms=frozenset({DC}),
        terminals=HIGH_VOLTAGE,
        limits=resistance_limits("0.01", "60"),
        compliance_v=D(6),
        readings=frozenset({Measured.RESISTANCE, Measured.CURRENT}),
        **TIMES,
    ),
    StepKind.INSULATION: KindAbility(
        kind=StepKind.INSULATION,
        level=span("50", "1000"),
        waveforms=frozenset({DC}),
        terminals=HIGH_VOLTAGE,
        limits=resistance_limits("100000", "10000000000"),
        source_current_a=D("0.002"),
        readings=frozenset({Measured.RESISTANCE, Measured.VOLTAGE}),
        **TIMES,
    ),
    StepKind.WITHSTAND_AC: KindAbility(
        kind=StepKind.WITHSTAND_AC,
        level=span("100", "5000"),
        waveforms=frozenset({AC}),
        terminals=HIGH_VOLTAGE,
        frequencies=(D(50), D(60)),
        limits=CURRENT_LIMITS,
        limits_during_rise="settable",
        flash_over=span("0.001", "0.1"),
        source_current_a=D("0.04"),
        readings=frozenset({Measured.TOTAL_CURRENT, Measured.VOLTAGE}),
        **TIMES,
    ),
    StepKind.WITHSTAND_DC: KindAbility(
        kind=StepKind.WITHSTAND_DC,
        level=span("100", "6000"),
        waveforms=frozenset({DC}),
        terminals=HIGH_VOLTAGE,
        limits=CURRENT_LIMITS,
        limits_during_rise="settable",
        source_current_a=D("0.01"),
        readings=frozenset({Measured.TOTAL_CURRENT, Measured.VOLTAGE}),
        **TIMES,
    ),
}

IDLE = rating("5000", "7072", "6000", None)
TESTER = Abilities(
    name="Paper One",
    kinds=KINDS,
    terminals=dict.fromkeys(("output", "return", "hc_out", "hc_ret", "sense_hi", "sense_lo"), IDLE),
    slots=1,
    routes_itself=False,
    freshness=frozenset({Evidence.COUNTER}),
    setup_check="errors",
    discharge=DischargeGrade.VOLTAGE,
    off_proof="state",
    has_interlock_query=True,
    latches_interlock=True,
    needs_arming=False,
    reports_dwell=True,
)

SWITCHED = frozenset({Role.SOURCE, Role.RETURN})
EIGHT = tuple(range(1, 9))
MATRIX = MatrixAbilities(
    name="Paper Relays",
    banks={
        "hv": BankAbility("hv", EIGHT, SWITCHED, rating("5000", "7072", "6000", "2")),
        "hc": BankAbility("hc", EIGHT, SWITCHED, rating("5000", "7072", "6000", "40")),
        "sense": BankAbility("sense", EIGHT, SWITCHED, rating("5000", "7072", "6000", "2")),
    },
    addresses=(0, 31),
    read_back=ReadBackProof.CONTACT,
    settle_s=D("0.03"),
)


def kind_with(kind: StepKind, **changes: Any) -> Abilities:
    """The tester with one kind of step changed."""
    return replace(TESTER, kinds={**KINDS, kind: replace(KINDS[kind], **changes)})


def bank_with(bank: str, **changes: Any) -> MatrixAbilities:
    """The matrix with one bank changed."""
    banks = {**MATRIX.banks, bank: replace(MATRIX.banks[bank], **changes)}
    return replace(MATRIX, banks=banks)


LEVEL_STEP, LIMIT_STEP = D(1), D("0.00001")


@dataclass
class PaperTester:
    """A tester port whose wire has a grid for levels and limits, rounded as the rules say."""

    abilities: Abilities = TESTER
    level_step: Decimal = LEVEL_STEP
    limit_step: Decimal = LIMIT_STEP
    spoil: Callable[[StepOrder], StepOrder] = field(default=lambda order: order)

    def quantise(self, order: StepOrder) -> StepOrder:
        limits = tuple(LimitOrder(x.quantity, x.edge, self._limit(x)) for x in order.limits)
        level = order.level
        if order.kind in {StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC, StepKind.INSULATION}:
            level = on_grid(level, self.level_step, up=True)
        return self.spoil(replace(order, level=level, limits=limits))

    def _limit(self, limit: LimitOrder) -> Decimal:
        if limit.quantity is Measured.RESISTANCE:
            return limit.value
        return on_grid(limit.value, self.limit_step, up=limit.edge is Edge.AT_LEAST)


def station_data() -> Data:
    positions = {}
    for number in EIGHT:
        for bank in ("hv", "hc", "sense"):
            positions[f"{bank}{number}"] = f"relays/u1/{bank}/{number}"
    feeds = {
        "hv": {"source": "t1.output", "return": "t1.return"},
        "hc": {"source": "t1.hc_out", "return": "t1.hc_ret"},
        "sense": {"source": "t1.sense_hi", "return": "t1.sense_lo"},
    }
    return {
        "name": "paper bench",
        "testers": {
            "t1": {"profile": "one", "link": {"kind": "tcp", "host": "127.0.0.1", "port": "4001"}}
        },
        "chains": {
            "relays": {
                "profile": "relays",
                "link": {"kind": "tcp", "host": "127.0.0.1", "port": "4002"},
                "units": [{"name": "u1", "address": "1", "feeds": feeds}],
            }
        },
        "positions": positions,
        "interlock": [{"name": "guard", "source": {"kind": "tester", "tester": "t1"}}],
    }


def fixture_data() -> Data:
    """Earth and cover have every kind of lead, the others only a high-voltage lead."""
    return {
        "name": "paper nest",
        "points": {
            "earth": {"source": ["hv1", "hc1"], "sense": "sense1"},
            "cover": {"source": ["hv2", "hc2"], "sense": "sense2"},
            "live": "hv3",
            "neutral": "hv4",
            "aux": "hv5",
        },
    }


BOND: Data = {
    "name": "bond cover",
    "kind": "bonding",
    "apply_to": ["cover"],
    "against": ["earth"],
    "level": "25 A",
    "dwell": "2 s",
    "accept": {"resistance": {"at_most": "100 mohm"}},
}
CONTACT: Data = {
    "name": "contact",
    "kind": "continuity",
    "apply_to": ["live"],
    "against": ["earth"],
    "level": "100 mA",
    "dwell": "1 s",
    "accept": {"resistance": {"at_most": "10 ohm"}},
}
HIPOT: Data = {
    "name": "mains to earth",
    "kind": "withstand_ac",
    "apply_to": ["live"],
    "against": ["earth"],
    "level": "1500 V",
    "frequency": "50 Hz",
    "rise": "1 s",
    "dwell": "2 s",
    "accept": {"total_current": {"at_most": "5 mA"}},
    "prove_contact": ["contact"],
}
INSULATE: Data = {
    "name": "insulation",
    "kind": "insulation",
    "apply_to": ["live"],
    "against": ["earth"],
    "level": "500 V",
    "dwell": "1 s",
    "accept": {"resistance": {"at_least": "10 Mohm"}},
    "prove_contact": ["contact"],
}


def plain(data: Data) -> Any:
    """The data without shared parts, which YAML would write as anchors."""
    return json.loads(json.dumps(data))


def changed(data: Data, **changes: Any) -> Data:
    """A copy with values replaced; ``None`` takes a key out."""
    return {k: v for k, v in {**data, **changes}.items() if v is not None}


def program_data(*steps: Data, **more: Any) -> Data:
    chosen = list(steps or (BOND, CONTACT, HIPOT))
    return {"name": "paper", "revision": "1", "steps": chosen, **more}


@dataclass
class Bench:
    """Three files and the instruments; `bind` binds, `faults` gives the refusals."""

    program: Data = field(default_factory=program_data)
    fixture: Data = field(default_factory=fixture_data)
    station: Data = field(default_factory=station_data)
    testers: dict[str, Any] = field(default_factory=lambda: {"t1": PaperTester()})
    matrix: MatrixAbilities = MATRIX
    matrices: dict[str, MatrixAbilities] = field(default_factory=dict)

    def steps(self, *steps: Data, **more: Any) -> Bench:
        self.program = program_data(*steps, **more)
        return self

    def tester(self, abilities: Abilities) -> Bench:
        self.testers["t1"] = PaperTester(abilities)
        return self

    def documents(self) -> tuple[Document[Program], Document[Fixture], Document[Station]]:
        def text(data: Data) -> str:
            return yaml.safe_dump(plain(data), sort_keys=False)

        return (
            parse_document(text(self.program), "program.yaml", Program),
            parse_document(text(self.fixture), "fixture.yaml", Fixture),
            parse_document(text(self.station), "station.yaml", Station),
        )

    @property
    def instruments(self) -> Instruments:
        chains = dict.fromkeys(self.station.get("chains", {}), self.matrix)
        matrices = {**chains, **self.matrices}
        return Instruments(self.testers, matrices, {"one": "0" * 64})

    def bind(self) -> Schedule:
        return bind(*self.documents(), self.instruments)

    def faults(self) -> tuple[Fault, ...]:
        with pytest.raises(Refused) as caught:
            self.bind()
        return caught.value.faults

    def only_fault(self) -> Fault:
        faults = self.faults()
        assert len(faults) == 1, "\n".join(map(str, faults))
        return faults[0]
