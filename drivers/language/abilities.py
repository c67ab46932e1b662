"""What a profile declares, as the abilities that binding asks for. All figures in SI units."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Literal

from drivers.language.derived import main_quantity
from drivers.language.profile_banks import BankModel
from drivers.language.profile_common import Band, Exchange
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import KindModel, TerminalUseModel, TesterProfile
from orchestrator.model.abilities import (
    Abilities,
    Accuracy,
    BankAbility,
    KindAbility,
    MatrixAbilities,
    Span,
    TerminalUse,
)
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    DischargeGrade,
    Edge,
    Measured,
    StepKind,
)

_FIELD = re.compile(r"\{([a-z][a-z0-9_]*)")


def named_fields(*templates: str | None) -> frozenset[str]:
    """Names of the fields in the texts of templates, without compiling them."""
    texts = [text.replace("{{", "") for text in templates if text]
    return frozenset(name for text in texts for name in _FIELD.findall(text))


def reply_fields(*exchanges: Exchange | None) -> frozenset[str]:
    """Names of the fields that replies carry."""
    return named_fields(*(text for e in exchanges if e is not None for text in e.reply))


def read_back_fields(exchanges: Iterable[Exchange]) -> frozenset[str]:
    """Order fields that a set-up reads back."""
    listed = tuple(exchanges)
    backs = (text for e in listed if e.read_back is not None for text in e.read_back.reply)
    return reply_fields(*listed) | named_fields(*backs)


def sent_fields(exchanges: Iterable[Exchange]) -> frozenset[str]:
    """Names of the fields that a set-up sends."""
    return named_fields(*(e.send for e in exchanges))


def tester_abilities(profile: TesterProfile) -> Abilities:
    """Everything that binding may ask of a tester."""
    every = profile.keep_alive.every.value if profile.keep_alive else None
    latches = profile.interlock is not None and bool(profile.interlock.latched_when)
    latches = latches or any(rule.state == "interlock_open" for rule in profile.states)
    latches = latches or any("interlock_open" in event.means for event in profile.events)
    return Abilities(
        name=profile.name,
        kinds={kind: _kind(profile, kind, model) for kind, model in profile.kinds.items()},
        terminals={name: model.rating() for name, model in profile.terminals.items()},
        slots=profile.memory.slots if profile.memory else 1,
        routes_itself=profile.routing is not None,
        freshness=frozenset(profile.freshness),
        setup_check=setup_check(profile),
        discharge=DischargeGrade(profile.off.discharge),
        off_proof=profile.off.proof,
        has_interlock_query=profile.interlock is not None and profile.interlock.ask is not None,
        latches_interlock=latches,
        needs_arming=bool(profile.arm),
        reports_dwell=all(
            "elapsed" in result_fields(profile, model) for model in profile.kinds.values()
        ),
        keep_alive_s=every,
        poll_s=profile.timing.poll.value,
        off_within_s=profile.timing.off.value,
        start_lag_s=profile.timing.start_lag.value,
        result_repeatable=all(
            result is None or result.retry == "reads"
            for result in (model.result or profile.result for model in profile.kinds.values())
        ),
        silent_stop=_silent_stop(profile),
        power_up=profile.power_up,
        link_loss=profile.link_loss,
    )


def _silent_stop(profile: TesterProfile) -> bool:
    """Whether nothing can come back on a stop: no reply, echo, prompt, acknowledge or event."""
    framing = profile.framing
    answered = framing.echo or framing.acknowledge or framing.receive.prompt or profile.events
    return not answered and all(e.raw is None and not e.reply for e in profile.stop)


def result_fields(profile: TesterProfile, model: KindModel) -> frozenset[str]:
    """Fields that a result of this kind carries, by query or by event."""
    events = (event.line for event in profile.events if "result" in event.means)
    return reply_fields(model.result or profile.result) | named_fields(*events)


def setup_check(profile: TesterProfile) -> Literal["errors", "read_back", "both", "none"]:
    """How it is proved that the tester accepted exactly what was sent.

    'errors': an error report is asked after the set-up, or every line of it is answered.
    'read_back': level and limits of every kind are read back and compared.
    """
    answered = bool(profile.framing.acknowledge) or profile.framing.receive.prompt is not None
    listed = profile.errors is not None and "setup" in profile.errors.after
    replied = all(bool(e.reply) for model in profile.kinds.values() for e in model.setup)
    errors = listed or replied or (answered and bool(profile.framing.refusal))
    compared = all(_reads_back(profile, model) for model in profile.kinds.values())
    if errors and compared:
        return "both"
    return "errors" if errors else "read_back" if compared else "none"


def _reads_back(profile: TesterProfile, model: KindModel) -> bool:
    stored = model.stored or (profile.memory.stored if profile.memory else None)
    proved = read_back_fields(model.setup) | reply_fields(stored)
    wanted = {name for name in sent_fields(model.setup) if name == "level" or "_at_" in f"_{name}"}
    return bool(wanted) and wanted <= proved


def _kind(profile: TesterProfile, kind: StepKind, model: KindModel) -> KindAbility:
    limits: dict[tuple[Measured, Edge], Span] = {}
    for quantity, limit in model.limits.items():
        for edge, band in ((Edge.AT_LEAST, limit.at_least), (Edge.AT_MOST, limit.at_most)):
            span = None if band is None else _span(band)
            if span is not None:
                limits[quantity, edge] = span
    return KindAbility(
        kind=kind,
        level=_span(model.level),
        waveforms=frozenset(model.waveforms),
        terminals=_terminals(model.terminals),
        dwell=_span(model.dwell),
        rise=None if model.rise is None else model.rise.span(),
        fall=None if model.fall is None else model.fall.span(),
        fixed_rise_s=_fixed(model.rise),
        fixed_fall_s=_fixed(model.fall),
        frequencies=tuple(frequency.value for frequency in model.frequencies),
        limits=limits,
        limits_during_rise=model.limits_during_rise,
        judged=model.judged,
        flash_over=None if model.flash_over is None else model.flash_over.span(),
        compliance_v=None if model.compliance is None else model.compliance.value,
        source_current_a=None if model.source_current is None else model.source_current.value,
        accuracy={
            quantity: Accuracy(accuracy.percent, accuracy.plus.value)
            for quantity, accuracy in model.accuracy.items()
        },
        readings=_readings(profile, kind, model),
        one_source_channel=model.one_source_channel,
        indefinite_dwell_s=None if model.indefinite_dwell is None else model.indefinite_dwell.value,
    )


def main_level(kind: StepKind) -> Measured:
    """What a reading of the level measures in this kind."""
    return Measured.VOLTAGE if kind in HIGH_VOLTAGE_KINDS else Measured.CURRENT


READING_FIELDS: Mapping[str, Measured] = {
    "total_current": Measured.TOTAL_CURRENT,
    "in_phase_current": Measured.IN_PHASE_CURRENT,
    "resistance": Measured.RESISTANCE,
    "voltage": Measured.VOLTAGE,
    "current": Measured.CURRENT,
    "elapsed": Measured.TIME,
}


def measured_by(field: str, kind: StepKind) -> Measured | None:
    """Which quantity a field of a reply reads; ``None`` for what is no reading of the step."""
    if field == "level_reached":
        return main_level(kind)
    if field in {"reading", "live"}:
        return main_quantity(kind)
    return READING_FIELDS.get(field)


def _readings(profile: TesterProfile, kind: StepKind, model: KindModel) -> frozenset[Measured]:
    found = (measured_by(name, kind) for name in result_fields(profile, model))
    return frozenset(measured for measured in found if measured is not None)


def _span(band: Band) -> Span:
    span = band.span()
    if span is not None:
        return span
    value = Decimal(0) if band.fixed is None else band.fixed.value
    return Span(value, value)


def _fixed(band: Band | None) -> Decimal:
    return Decimal(0) if band is None or band.fixed is None else band.fixed.value


def _terminals(use: TerminalUseModel) -> TerminalUse:
    return TerminalUse(use.source, use.return_, use.sense_source, use.sense_return, use.sense)


# ---- matrices -----------------------------------------------------------------------------------


def bank_abilities(banks: Mapping[str, BankModel]) -> Mapping[str, BankAbility]:
    """Banks as binding asks for them."""
    return {
        name: BankAbility(
            name=name,
            channels=tuple(range(bank.channels[0], bank.channels[1] + 1)),
            roles=frozenset(bank.roles),
            rating=bank.rating.rating(),
            contact=bank.contact,
            most_closed=bank.most_closed,
        )
        for name, bank in banks.items()
    }


def routing_abilities(profile: TesterProfile) -> MatrixAbilities:
    """The relays of a tester that routes within its own set-up.

    Raises:
        ValueError: it doesn't.
    """
    routing = profile.routing
    if routing is None:
        raise ValueError(f"{profile.name} has no relays of its own")
    return MatrixAbilities(
        name=profile.name,
        banks=bank_abilities(routing.banks),
        addresses=routing.chain.addresses if routing.chain else None,
        read_back=None,
        settle_s=routing.settle.value,
        power_up=profile.power_up,
        link_loss=profile.link_loss,
    )


def matrix_abilities(profile: MatrixProfile) -> MatrixAbilities:
    """Everything that binding may ask of one type of relay unit."""
    return MatrixAbilities(
        name=profile.name,
        banks=bank_abilities(profile.banks),
        addresses=profile.chain.addresses if profile.chain else None,
        read_back=profile.read_back,
        settle_s=profile.settle.value,
        power_up=profile.power_up,
        link_loss=profile.link_loss,
    )
