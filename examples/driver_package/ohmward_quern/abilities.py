"""What the Quern can do (QUERN.md, sections 2, 4 and 5), in SI units."""

from __future__ import annotations

from decimal import Decimal

from orchestrator.model.abilities import (
    Abilities,
    Accuracy,
    KindAbility,
    Rating,
    Span,
    TerminalUse,
)
from orchestrator.model.words import (
    DischargeGrade,
    Edge,
    Evidence,
    Measured,
    StepKind,
    Waveform,
)

D = Decimal
TERMINALS = TerminalUse("output", "return")
RATING = Rating(ac_rms_v=D(2100), peak_v=D(3000), dc_v=D(3000), carry_a=D("0.01"))
RISE = Span(D("0.1"), D(60), D("0.01"))
DWELL = Span(D("0.3"), D(600), D("0.01"))
OHMS = Span(D(1000), D(4_000_000_000), D(1000))
AMPS = Span(D("1E-6"), D("0.005"), D("1E-6"))
VOLTS_OFF = Accuracy(D(1), D(1))

INSULATION = KindAbility(
    kind=StepKind.INSULATION,
    level=Span(D(50), D(1000), D(1)),
    waveforms=frozenset({Waveform.DC}),
    terminals=TERMINALS,
    dwell=DWELL,
    rise=RISE,
    fixed_fall_s=D("0.3"),
    limits={(Measured.RESISTANCE, Edge.AT_LEAST): OHMS},
    judged="at_end",
    source_current_a=D("0.005"),
    accuracy={Measured.VOLTAGE: VOLTS_OFF, Measured.RESISTANCE: Accuracy(D(5), D(1000))},
    readings=frozenset({Measured.RESISTANCE, Measured.VOLTAGE, Measured.TIME}),
)

WITHSTAND_DC = KindAbility(
    kind=StepKind.WITHSTAND_DC,
    level=Span(D(100), D(3000), D(1)),
    waveforms=frozenset({Waveform.DC}),
    terminals=TERMINALS,
    dwell=DWELL,
    rise=RISE,
    fixed_fall_s=D("0.3"),
    limits={(Measured.TOTAL_CURRENT, Edge.AT_MOST): AMPS},
    limits_during_rise="always",
    source_current_a=D("0.006"),
    accuracy={Measured.VOLTAGE: VOLTS_OFF, Measured.TOTAL_CURRENT: Accuracy(D(2), D("2E-6"))},
    readings=frozenset({Measured.TOTAL_CURRENT, Measured.VOLTAGE, Measured.TIME}),
)

ABILITIES = Abilities(
    name="Quern",
    kinds={StepKind.INSULATION: INSULATION, StepKind.WITHSTAND_DC: WITHSTAND_DC},
    terminals={"output": RATING, "return": RATING},
    slots=1,
    routes_itself=False,
    freshness=frozenset({Evidence.COUNTER}),
    setup_check="both",
    discharge=DischargeGrade.VOLTAGE,
    off_proof="state",
    has_interlock_query=True,
    latches_interlock=True,
    needs_arming=False,
    reports_dwell=True,
    poll_s=D("0.05"),
    off_within_s=D(2),
    start_lag_s=D("0.1"),
    power_up="locked, output off, set-up gone",
    link_loss="goes on with the test",
)
