"""What a declared capacitance between the sides draws, charges and stores.

``capacitance`` of a step is the most that is expected there. Refused is only what can't work with
that much; the rest is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import Decimal

from orchestrator.binding.contact import Proved
from orchestrator.binding.context import Candidate
from orchestrator.binding.figures import about_amps, about_seconds, farads, joules, rise_s
from orchestrator.binding.proofs import bleeder_of, is_charging, needs_bleeder
from orchestrator.errors import Fault
from orchestrator.formulas.charging import charging_current_a, charging_time_s
from orchestrator.formulas.currents import capacitive_current_a, peak_v
from orchestrator.formulas.discharge import discharge_time_s, stored_energy_j
from orchestrator.formulas.hazard import SAFE_ENERGY_J
from orchestrator.model.amounts import amps, hertz, measured, seconds, volts
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import Edge, Measured, Waveform


def capacitance_f(chosen: Candidate) -> Decimal | None:
    """The step's declared capacitance (F)."""
    step = chosen.task.step
    declared = step.capacitance if isinstance(step, Proved) else None
    return None if declared is None else declared.value


def check_capacitance(chosen: Candidate, order: StepOrder) -> Iterator[Fault]:
    """Limits, source and rise against what the declared capacitance draws."""
    held = capacitance_f(chosen)
    if held is None:
        return
    if order.waveform is Waveform.AC:
        yield from _check_ac(chosen, order, held)
        return
    yield from _check_rise(chosen, order, held)
    yield from _check_source(chosen, order, held)
    yield from _check_bleeder(chosen, order, held)


def _upper(order: StepOrder) -> Decimal | None:
    return order.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)


def _drawn_a(order: StepOrder, held: Decimal) -> float | None:
    """Capacitive current (A rms) at the level."""
    if order.frequency is None:
        return None
    return capacitive_current_a(float(held), float(order.level), float(order.frequency))


def _check_ac(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[Fault]:
    drawn, task = _drawn_a(order, held), chosen.task
    if drawn is None:
        return
    draws = f"{about_amps(drawn)} through {farads(held)} at {volts(order.level)}"
    what = f"{task.what}, capacitance on {chosen.tester}"
    limit, source = _upper(order), chosen.ability.source_current_a
    if limit is not None and drawn > limit:
        expected = f"at most {measured(Measured.TOTAL_CURRENT, limit)} (total_current at_most)"
        remedy = "raise the limit, test fewer points at once, or test with DC"
        at = task.at("accept", "total_current", "at_most")
        yield Fault(what, draws, expected, remedy, at)
    if source is not None and drawn > source:
        expected = f"at most {amps(source)} (the tester's source_current)"
        remedy = "test fewer points at once, test with DC, or use a stronger tester"
        yield Fault(what, draws, expected, remedy, task.at("level"))


def _limits_act(chosen: Candidate, order: StepOrder) -> bool:
    can = chosen.ability.limits_during_rise
    return can == "always" or (can == "settable" and order.limits_during_rise)


def _check_rise(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[Fault]:
    """Charging within the rise breaks no limit that acts in the rise."""
    limit, rise = _upper(order), rise_s(chosen, order)
    if limit is None or limit == 0 or not _limits_act(chosen, order):
        return
    current = None if rise == 0 else charging_current_a(held, order.level, rise)
    if current is not None and current <= limit:
        return
    charging = "a jump" if current is None else about_amps(current)
    shortest = about_seconds(_up(charging_time_s(held, order.level, limit)))
    task = chosen.task
    found = f"{charging} to charge {farads(held)} to {volts(order.level)} in {seconds(rise)}"
    limit_told = measured(Measured.TOTAL_CURRENT, limit)
    expected = f"at most {limit_told} (total_current at_most acts in the rise)"
    remedy = f"rise in at least {shortest}, or leave limits_during_rise out"
    if chosen.ability.rise is None:
        remedy = f"raise the limit; this tester's rise of {seconds(rise)} can't be set"
    elif chosen.ability.limits_during_rise == "always":
        remedy = f"rise in at least {shortest}, or raise the limit"
    yield Fault(f"{task.what}, rise on {chosen.tester}", found, expected, remedy, task.at("rise"))


def _up(value: Decimal) -> Decimal:
    """Rounded up to three digits, so that what the remedy says holds."""
    return value.quantize(Decimal(1).scaleb(value.adjusted() - 2), rounding="ROUND_CEILING")


def _charging_s(chosen: Candidate, order: StepOrder, held: Decimal) -> Decimal | None:
    """Time (s) that the source's largest current needs to the level."""
    source = chosen.ability.source_current_a
    if source is None or source == 0:
        return None
    return charging_time_s(held, order.level, source)


def _check_source(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[Fault]:
    """A source so weak that the level isn't reached before the dwell is over."""
    time_s = _charging_s(chosen, order, held)
    before = rise_s(chosen, order) + order.dwell
    if time_s is None or time_s <= before:
        return
    task, source = chosen.task, chosen.ability.source_current_a or Decimal(0)
    found = (
        f"{about_seconds(time_s)} for {amps(source)} to charge {farads(held)} to "
        f"{volts(order.level)}"
    )
    expected = f"less than rise and dwell, {seconds(before)}"
    remedy = f"rise in at least {about_seconds(_up(time_s))}, or use a stronger tester"
    yield Fault(f"{task.what}, rise on {chosen.tester}", found, expected, remedy, task.at("rise"))


def _check_bleeder(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[Fault]:
    """The evidence of discharge was reckoned with a smaller capacitance than the step has."""
    bleeder = bleeder_of(chosen)
    if bleeder is None or not needs_bleeder(chosen, order):
        return
    if held > bleeder.worst_capacitance.value:
        found = f"{farads(held)}, with a bleeder reckoned for {bleeder.worst_capacitance}"
        expected = f"at most {bleeder.worst_capacitance}"
        remedy = f"correct worst_capacitance of the bleeder on {chosen.tester}, or capacitance"
        task = chosen.task
        what = f"{task.what}, discharge of {chosen.tester}"
        yield Fault(what, found, expected, remedy, task.at("capacitance"))


# ---- reasons and warnings -----------------------------------------------------------------------


def capacitance_warnings(chosen: Candidate, order: StepOrder) -> Iterator[str]:
    """Where charging outlasts the rise: the level is reached late."""
    held = capacitance_f(chosen)
    if held is None or not is_charging(chosen, order):
        return
    time_s, rise = _charging_s(chosen, order, held), rise_s(chosen, order)
    if time_s is not None and time_s > rise:
        source = amps(chosen.ability.source_current_a or Decimal(0))
        yield (
            f"{chosen.task.what}: {source} need {about_seconds(time_s)} to charge {farads(held)}, "
            f"longer than the rise of {seconds(rise)}: the level is reached late, if at all in time"
        )


def explain_capacitance(chosen: Candidate, order: StepOrder) -> Iterator[str]:
    """Currents, energy and discharge of the declared capacitance."""
    held = capacitance_f(chosen)
    if held is None:
        return
    if order.waveform is Waveform.AC:
        yield from _explain_ac(order, held)
    else:
        yield from _explain_charging(chosen, order, held)
    yield from _explain_stored(chosen, order, held)


def _explain_ac(order: StepOrder, held: Decimal) -> Iterator[str]:
    drawn = _drawn_a(order, held)
    if drawn is None or order.frequency is None:
        return
    limit = _upper(order)
    against = "no upper limit of total current" if limit is None else f"the limit {amps(limit)}"
    at = f"{volts(order.level)}, {hertz(order.frequency)}"
    yield f"{farads(held)} draw {about_amps(drawn)} at {at} [2πfCU]; against it {against}."


def _explain_charging(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[str]:
    rise, limit = rise_s(chosen, order), _upper(order)
    if rise > 0:
        current = about_amps(charging_current_a(held, order.level, rise))
        acts = "acts" if _limits_act(chosen, order) else "doesn't act"
        bound = "no upper limit of total current is set"
        if limit is not None:
            bound = f"the limit {amps(limit)} {acts} in the rise"
        yield f"Charging {farads(held)} in {seconds(rise)} takes {current} [C·U/t]; {bound}."
    time_s = _charging_s(chosen, order, held)
    if time_s is None:
        yield "The source's largest current is not stated: time to charge unchecked."
        return
    source = amps(chosen.ability.source_current_a or Decimal(0))
    yield (
        f"With {source} from the source {volts(order.level)} are reached after "
        f"{about_seconds(time_s)} at the earliest [C·U/I, profile]."
    )


def _explain_stored(chosen: Candidate, order: StepOrder, held: Decimal) -> Iterator[str]:
    ac = order.waveform is Waveform.AC
    level = float(peak_v(order.level) if ac else order.level)
    energy = stored_energy_j(float(held), level)
    mark = joules(SAFE_ENERGY_J)
    side = (
        "not above" if energy <= SAFE_ENERGY_J or math.isclose(energy, SAFE_ENERGY_J) else "above"
    )
    at = " at the peak" if ac else ""
    yield (
        f"{farads(held)} store {joules(energy)}{at} [½CU²], {side} the {mark} of EN 50191:2010, "
        "clause 1.2 (d)."
    )
    if not is_charging(chosen, order):
        return
    bleeder, safe = bleeder_of(chosen), chosen.task.context.station.model.safe_level.dc
    if bleeder is None:
        yield "Discharged by the tester itself: no bleeder is declared, so no time is reckoned."
        return
    time_s = discharge_time_s(
        float(bleeder.resistance), float(held), float(order.level), float(safe.value)
    )
    yield (
        f"Its bleeder of {bleeder.resistance} takes it to {safe} in {about_seconds(time_s)} "
        "[R·C·ln(U0/U1), without dielectric absorption]."
    )
