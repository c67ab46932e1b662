"""Every contact and terminal on an energised net against its rating.

A rating that isn't stated counts as too low. AC needs the rms rating and, for its peak
(√2 times the rms value), the peak rating; DC needs the DC rating and the peak rating.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from orchestrator.binding.context import Candidate
from orchestrator.binding.nets import Burden
from orchestrator.errors import Fault
from orchestrator.formulas.currents import peak_v
from orchestrator.model.abilities import Rating
from orchestrator.model.amounts import amps, volts
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, Waveform


@dataclass(frozen=True, slots=True)
class Stress:
    """What a step brings at full level; ``None`` where the profile doesn't say."""

    waveform: Waveform
    voltage_v: Decimal | None
    current_a: Decimal | None


def stress_of(candidate: Candidate, order: StepOrder) -> Stress:
    """Voltage and current at full level.

    Bonding and continuity drive the level and show at most their compliance voltage. A voltage
    step drives at most its upper limit of total current, or what the source can feed.
    """
    ability = candidate.ability
    if order.kind in CONTACT_KINDS:
        return Stress(order.waveform, ability.compliance_v, order.level)
    most = order.limit(Measured.TOTAL_CURRENT, Edge.AT_MOST)
    return Stress(order.waveform, order.level, ability.source_current_a if most is None else most)


def check_ratings(
    candidate: Candidate, loaded: Iterable[Burden], stress: Stress
) -> Iterator[Fault]:
    """A fault for every rating that is too low or not stated."""
    task = candidate.task
    seen_unknown: set[str] = set()
    for burden in loaded:
        for found, expected in shortfalls(burden, stress):
            remedy = "lower the level, or wire these points through contacts that stand it"
            yield Fault(f"{task.what}, {burden.what}", found, expected, remedy, task.at("level"))
        seen_unknown |= set(_unknown(burden, stress))
    for unknown in sorted(seen_unknown):
        expected = "a figure: unknown counts as too much for any contact"
        remedy = "state it in the tester's profile"
        what = f"{task.what}, {unknown} of {candidate.tester}"
        yield Fault(what, "not stated", expected, remedy, task.at("level"))


def _unknown(burden: Burden, stress: Stress) -> Iterator[str]:
    """What must be known of the source to judge a burden that isn't the tester's own."""
    if burden.own:
        return
    if burden.stands and stress.voltage_v is None:
        yield "largest voltage (compliance)"
    if burden.carries and stress.current_a is None:
        yield "largest current (source_current)"


def shortfalls(burden: Burden, stress: Stress) -> Iterator[tuple[str, str]]:
    """(found, expected) for each rating of a burden that the stress exceeds.

    A terminal's voltage rating is what it stands when idle; in use it is covered by the range of
    the level. Its current rating counts where it is stated.
    """
    if burden.stands and not burden.own and stress.voltage_v is not None:
        for word, rating, needed in _voltages(burden.rating, stress.waveform, stress.voltage_v):
            if rating is None:
                yield f"{word} rating not stated", f"at least {volts(needed)}"
            elif rating < needed:
                yield f"{word} rating {volts(rating)}", f"at least {volts(needed)}"
    if burden.carries and stress.current_a is not None:
        carry_a = burden.rating.carry_a
        if carry_a is None and not burden.own:
            yield "current rating not stated", f"at least {amps(stress.current_a)}"
        elif carry_a is not None and carry_a < stress.current_a:
            yield f"current rating {amps(carry_a)}", f"at least {amps(stress.current_a)}"


def _voltages(
    rating: Rating, waveform: Waveform, voltage_v: Decimal
) -> tuple[tuple[str, Decimal | None, Decimal], ...]:
    """Each voltage rating that counts, with what it must be."""
    if waveform is Waveform.AC:
        return (
            ("AC (rms)", rating.ac_rms_v, voltage_v),
            ("peak", rating.peak_v, peak_v(voltage_v)),
        )
    return ("DC", rating.dc_v, voltage_v), ("peak", rating.peak_v, voltage_v)
