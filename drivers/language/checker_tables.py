"""Abilities as tables, and what a profile leaves unsaid with the consequence of that."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal

from drivers.language.abilities import bank_abilities, matrix_abilities, tester_abilities
from drivers.language.checker_report import Gap, Table
from drivers.language.profile_common import Band, RatingModel
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import KindModel, TesterProfile
from orchestrator.errors import Position
from orchestrator.model.abilities import Abilities
from orchestrator.model.words import (
    CONTACT_KINDS,
    DischargeGrade,
    Measured,
    ReadBackProof,
    StepKind,
)

Locate = Callable[..., Position]
Row = tuple[str, str]


def band_text(band: Band) -> str:
    """'100 V to 4 kV in steps of 10 V', or 'always 0.5 s'."""
    if band.fixed is not None:
        return f"always {band.fixed}"
    if band.range is None:
        return "not stated"
    step = "" if band.resolution is None else f" in steps of {band.resolution}"
    return f"{band.range[0]} to {band.range[1]}{step}"


# ---- testers ------------------------------------------------------------------------------------


def tester_tables(profile: TesterProfile) -> Iterator[Table]:
    """One table of the whole instrument, one for each kind of step, one of the terminals."""
    abilities = tester_abilities(profile)
    yield Table("Tester", tuple(_whole(profile, abilities)))
    for kind, model in profile.kinds.items():
        yield Table(f"Kind {kind}", tuple(_kind_rows(abilities, kind, model)))
    yield Table(
        "Terminals, as idle bystanders",
        tuple((name, rating_text(model)) for name, model in profile.terminals.items()),
    )


def _whole(profile: TesterProfile, abilities: Abilities) -> Iterator[Row]:
    fresh = ", ".join(sorted(abilities.freshness)) or "none"
    yield "steps in one start", str(abilities.slots)
    yield "routes itself", "yes" if abilities.routes_itself else "no"
    yield "freshness of results", fresh
    yield "set-up checked by", abilities.setup_check
    yield "output off proved by", abilities.off_proof
    yield "evidence of discharge", str(abilities.discharge)
    asked = "asked" if abilities.has_interlock_query else "not asked"
    yield "interlock", f"{asked}, {'latched' if abilities.latches_interlock else 'not latched'}"
    yield "needs arming", "yes" if abilities.needs_arming else "no"
    yield "time held", "reported" if abilities.reports_dwell else "not reported"
    if abilities.keep_alive_s is not None:
        yield "keep-alive every", f"{abilities.keep_alive_s} s"
    yield "carries another instrument", "no" if profile.carry is None else "yes"
    yield "off after a stop within", str(profile.timing.off)
    yield "at power-up", profile.power_up or "unknown"
    yield "at loss of the link", profile.link_loss or "unknown"


def _kind_rows(abilities: Abilities, kind: StepKind, model: KindModel) -> Iterator[Row]:
    yield "level", f"{band_text(model.level)}, {' or '.join(model.waveforms)}"
    if model.frequencies:
        yield "frequencies", ", ".join(map(str, model.frequencies))
    for name, band in (("rise", model.rise), ("dwell", model.dwell), ("fall", model.fall)):
        yield name, "can't be set" if band is None else band_text(band)
    if model.indefinite_dwell is not None:
        yield "indefinite dwell", f"{model.indefinite_dwell}, never sent"
    for quantity, limit in model.limits.items():
        for edge, band in (("at_least", limit.at_least), ("at_most", limit.at_most)):
            if band is not None:
                needed = " (required)" if f"{quantity} {edge}" in model.required_limits else ""
                yield f"{quantity} {edge}", band_text(band) + needed
    yield "limits", f"judged {model.judged}; in the rise: {model.limits_during_rise}"
    for name, band in model.derived.items():
        yield name, band_text(band)
    if model.flash_over is not None:
        yield "flash-over", band_text(model.flash_over)
    if model.compliance is not None:
        yield "compliance", str(model.compliance)
    if model.source_current is not None:
        yield "into a fault at most", str(model.source_current)
    readings = ", ".join(sorted(abilities.kinds[kind].readings)) or "none"
    yield "readings", readings
    for quantity, accuracy in model.accuracy.items():
        yield f"accuracy of {quantity}", f"{accuracy.percent} % + {accuracy.plus}"
    use = model.terminals
    sense = "" if use.sense == "none" else f"; sense {use.sense}"
    yield "terminals", f"{use.source} / {use.return_}{sense}"


def rating_text(model: RatingModel) -> str:
    """'3000 V AC (rms), 4300 V peak, 4200 V DC, 2 A'."""
    parts = (
        (model.ac_rms, "AC (rms)"),
        (model.peak, "peak"),
        (model.dc, "DC"),
        (model.current, "through the closed contact"),
    )
    shown = [f"{value} {word}" for value, word in parts if value is not None]
    return ", ".join(shown) or "nothing stated"


def tester_gaps(profile: TesterProfile, locate: Locate) -> Iterator[Gap]:
    """What a tester's profile leaves unsaid."""
    abilities = tester_abilities(profile)
    yield from _proof_gaps(profile, abilities, locate)
    for kind, model in profile.kinds.items():
        yield from _kind_gaps(abilities, kind, model, locate)
    for name, rating in profile.terminals.items():
        at = locate("terminals", name)
        for word in ("ac_rms", "peak", "dc"):
            if getattr(rating, word) is None:
                told = "refused wherever this terminal is a bystander of such a voltage"
                yield Gap(f"terminal {name}: no {word} rating", told, at)
    if profile.identify.simulated_serial is None:
        told = "always taken for a real instrument; no simulation of it can be used"
        yield Gap("no simulated_serial", told, locate("identify"))
    yield from _unknowns(profile.power_up, profile.link_loss, locate)


def _proof_gaps(profile: TesterProfile, abilities: Abilities, locate: Locate) -> Iterator[Gap]:
    exempt = "needs an exemption '{}' in the station file; the record carries it"
    if not abilities.freshness:
        yield Gap("no freshness", exempt.format("freshness"), locate())
    if abilities.setup_check == "none":
        yield Gap("no check of the set-up", exempt.format("setup_check"), locate("kinds"))
    if not abilities.reports_dwell:
        yield Gap("no field {elapsed} in a result", exempt.format("elapsed_time"), locate())
    if abilities.off_proof == "none":
        told = "the output never counts as off: no relay may move after a hazardous step"
        yield Gap("no proof of off", told, locate("off"))
    if abilities.discharge in (DischargeGrade.NONE, DischargeGrade.BLEEDER):
        told = "hazardous DC steps are refused unless the station declares a bleeder"
        yield Gap("no evidence of discharge", told, locate("off"))
    for index, exchange in enumerate(profile.arm):
        if exchange.read_back is None and not exchange.reply:
            told = "it counts as on once sent; a power cycle before a start would not be noticed"
            yield Gap("a protection that is armed and not read back", told, locate("arm", index))
    if not abilities.has_interlock_query:
        told = "the station needs interlock inputs of its own"
        yield Gap("no interlock query", told, locate("interlock"))
    if not abilities.latches_interlock:
        told = "a brief opening is seen only by the station's own inputs"
        yield Gap("no latched interlock status", told, locate("interlock"))
    if profile.memory is not None and profile.memory.count is None:
        told = "left-over slots show only as results that nobody asked for"
        yield Gap("no count of stored slots", told, locate("memory"))


def _kind_gaps(
    abilities: Abilities, kind: StepKind, model: KindModel, locate: Locate
) -> Iterator[Gap]:
    at = locate("kinds", kind.value)
    if kind in CONTACT_KINDS and model.compliance is None:
        told = "unknown counts as too much for any contact that isn't the tester's own"
        yield Gap(f"{kind}: no compliance", told, at)
    if kind not in CONTACT_KINDS and model.source_current is None:
        yield Gap(f"{kind}: no source_current", "unknown counts as hazardous at any level", at)
    if not model.accuracy:
        told = "no allowance for the tester's accuracy can be reckoned"
        yield Gap(f"{kind}: no accuracy", told, at)
    level = Measured.CURRENT if kind in CONTACT_KINDS else Measured.VOLTAGE
    if level not in abilities.kinds[kind].readings:
        told = "needs an exemption 'level_reading' in the station file"
        yield Gap(f"{kind}: no reading of the level", told, at)
    if not model.limits:
        yield Gap(f"{kind}: no limits", "every step with a limit is refused", at)
    if model.level.range is not None and model.level.resolution is None:
        yield Gap(f"{kind}: level without resolution", "the wire's own grid is taken", at)


def _unknowns(power_up: str, link_loss: str, locate: Locate) -> Iterator[Gap]:
    if not power_up:
        yield Gap("power_up isn't told", "first contact assumes the worst", locate())
    if not link_loss:
        yield Gap("link_loss isn't told", "taken to go on with whatever it does", locate())


# ---- matrices -----------------------------------------------------------------------------------


def matrix_tables(profile: MatrixProfile) -> Iterator[Table]:
    """One table of the unit, one of its banks."""
    abilities = matrix_abilities(profile)
    if abilities.addresses is None:
        addresses = "none: a single unit"
    else:
        addresses = f"{abilities.addresses[0]} to {abilities.addresses[1]}"
    rows: list[Row] = [
        ("addresses", addresses),
        ("read-back of", str(abilities.read_back or "nothing")),
        ("at rest within", f"{Decimal(abilities.settle_s)} s"),
        ("tells that relays move", "no" if profile.moving is None else "yes"),
        ("at power-up", profile.power_up or "unknown"),
        ("at loss of the link", profile.link_loss or "unknown"),
    ]
    yield Table("Relay unit", tuple(rows))
    banks = []
    for name, bank in bank_abilities(profile.banks).items():
        model = profile.banks[name]
        most = "" if model.most_source is None else f", at most {model.most_source} on source"
        first, last = bank.channels[0], bank.channels[-1]
        text = f"channels {first} to {last} ({bank.contact}), {'/'.join(model.roles)}{most}; "
        banks.append((name, text + rating_text(model.rating)))
    yield Table("Banks", tuple(banks))


def matrix_gaps(profile: MatrixProfile, locate: Locate) -> Iterator[Gap]:
    """What a matrix's profile leaves unsaid."""
    if profile.read_back is not ReadBackProof.CONTACT:
        told = "needs an exemption 'relay_position' in the station file; the record carries it"
        what = f"reads back {profile.read_back or 'nothing'}, not the contacts"
        yield Gap(what, told, locate("read_back") if profile.read_back else locate())
    if profile.moving is None:
        yield Gap("no query for moving relays", "the settle time is waited for instead", locate())
    if profile.chain is not None and profile.chain.switch is None:
        told = "station files give the address as a number"
        yield Gap("no picture of the address switch", told, locate("chain"))
    if profile.identify.simulated_serial is None:
        told = "always taken for a real instrument; no simulation of it can be used"
        yield Gap("no simulated_serial", told, locate("identify"))
    for name, bank in profile.banks.items():
        for word in ("ac_rms", "peak", "dc", "current"):
            if getattr(bank.rating, word) is None:
                told = "refused wherever it is asked"
                yield Gap(f"bank {name}: no {word} rating", told, locate("banks", name))
    yield from _unknowns(profile.power_up, profile.link_loss, locate)
