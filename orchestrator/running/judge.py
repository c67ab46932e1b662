"""The verdict on one step: our own judgement beside the tester's, and the proof it needs.

Pure. A pass must be proved; anything unproved is ``no_verdict``, never a pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from orchestrator.model.abilities import Abilities, KindAbility
from orchestrator.model.amounts import measured
from orchestrator.model.record import Reading, TesterReading
from orchestrator.model.schedule import BoundStep, LimitOrder
from orchestrator.model.words import CONTACT_KINDS, Edge, Measured, Outcome, StepKind

OWN_CLOCK_SLACK = 0.05
"""Our clock and the tester's may differ by this part of the time ordered..."""
OWN_CLOCK_SLACK_S = 0.15
"""...and by polling and command latency."""

LEVEL_OVER = Decimal("1.03")
"""How far a withstand level may be exceeded besides the accuracy of its reading: what the default
ceiling of a step allows (common practice, no source)."""

_WITHSTAND = frozenset({StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC})


@dataclass(frozen=True, slots=True)
class Facts:
    """What the sequence saw. ``complete``: the tester said that it ran to its end.

    ``elapsed_s``: from the start command to the end as seen here. ``exempt``: rules that the
    station file excuses for this tester or its chains.
    """

    setup_proved: bool
    route_proved: bool
    fresh: bool
    interlock_closed: bool
    complete: bool
    elapsed_s: float
    exempt: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Judgement:
    """An outcome, and why it isn't a pass."""

    outcome: Outcome
    reason: str = ""


def judge(step: BoundStep, reading: TesterReading, facts: Facts, abilities: Abilities) -> Judgement:
    """Judge one step from the tester's result and what was seen."""
    gap = _missing_basis(facts)
    if gap:
        return Judgement(Outcome.NO_VERDICT, gap)
    verdicts = [
        (limit, kept(limit, reading.values.get(limit.quantity))) for limit in step.order.limits
    ]
    broken = [limit for limit, state in verdicts if state == "broken"]
    if reading.verdict == "breakdown":
        return Judgement(Outcome.FAIL, _say("breakdown", reading, broken))
    if reading.verdict == "fail":
        return _tester_says_fail(reading, broken, _reached(step, reading, abilities))
    if reading.verdict == "overloaded":
        return _overloaded(reading, broken, facts)
    if reading.verdict is None:
        cause = f" ({reading.cause})" if reading.cause else ""
        return Judgement(Outcome.NO_VERDICT, f"the tester gave no verdict{cause}")
    if broken:
        return Judgement(
            Outcome.NO_VERDICT,
            f"the tester says pass, but its reading breaks {_limits(broken)}: {_shown(reading)}",
        )
    unknown = [limit for limit, state in verdicts if state == "unknown"]
    if unknown:
        return Judgement(
            Outcome.NO_VERDICT, f"no reading proves {_limits(unknown)}: {_shown(reading)}"
        )
    untrue = [x for x in step.plausible if kept(x, reading.values.get(x.quantity)) == "broken"]
    if untrue:
        return Judgement(Outcome.NO_VERDICT, _offset_untrue(untrue, reading))
    shortfall = _unproved_stress(step, reading, facts, abilities)
    if shortfall:
        return Judgement(Outcome.NO_VERDICT, shortfall)
    return Judgement(Outcome.PASS)


def kept(limit: LimitOrder, reading: Reading | None) -> Literal["kept", "broken", "unknown"]:
    """Whether a reading, exact or only a bound, keeps a limit, breaks it or doesn't tell."""
    if reading is None or reading.bound == "none" or reading.value is None:
        return "unknown"
    value, bound = reading.value, reading.bound
    at_most = limit.edge is Edge.AT_MOST
    if bound == "exact":
        inside = value <= limit.value if at_most else value >= limit.value
        return "kept" if inside else "broken"
    if bound == "above":
        if at_most:
            return "broken" if value >= limit.value else "unknown"
        return "kept" if value >= limit.value else "unknown"
    if at_most:
        return "kept" if value <= limit.value else "unknown"
    return "broken" if value <= limit.value else "unknown"


def _missing_basis(facts: Facts) -> str:
    if not facts.interlock_closed:
        return "the interlock was not closed throughout"
    if not facts.setup_proved and "setup_check" not in facts.exempt:
        return "it is not proved that the tester accepted the set-up"
    if not facts.route_proved and "relay_position" not in facts.exempt:
        return "the relay positions are not proved"
    if not facts.fresh and "freshness" not in facts.exempt:
        return "the result is not proved to belong to this start"
    return ""


def _tester_says_fail(
    reading: TesterReading, broken: list[LimitOrder], reached: list[LimitOrder]
) -> Judgement:
    """A tester that trips as the level rises through a limit reads no more than about the limit."""
    if broken:
        return Judgement(Outcome.FAIL, _say("limit broken", reading, broken))
    if reached:
        return Judgement(Outcome.FAIL, _say("limit reached", reading, reached))
    return Judgement(
        Outcome.NO_VERDICT,
        f"the tester says fail ({reading.cause}), but no limit is broken by its reading: "
        f"{_shown(reading)}",
    )


def _reached(step: BoundStep, reading: TesterReading, abilities: Abilities) -> list[LimitOrder]:
    """Limits that a reading keeps by no more than the tester's stated accuracy and resolution."""
    kind = abilities.kinds[step.order.kind]
    found = []
    for limit in step.order.limits:
        got = reading.values.get(limit.quantity)
        if got is None or got.value is None or got.bound == "none":
            continue
        stated = kind.accuracy.get(limit.quantity)
        doubt = stated.percent / 100 * limit.value + stated.plus if stated else Decimal(0)
        span = kind.limits.get((limit.quantity, limit.edge))
        doubt += (span.resolution if span and span.resolution else None) or Decimal(0)
        if abs(got.value - limit.value) <= doubt:
            found.append(limit)
    return found


def _overloaded(reading: TesterReading, broken: list[LimitOrder], facts: Facts) -> Judgement:
    """The unit takes all that the tester gives: a fail where the reading breaks a limit."""
    if broken and facts.complete:
        what = "the unit takes all that the tester gives, the level isn't held; limit broken"
        return Judgement(Outcome.FAIL, _say(what, reading, broken))
    cause = f" ({reading.cause})" if reading.cause else ""
    return Judgement(
        Outcome.NO_VERDICT,
        f"the level was not reached or lost{cause}, and the reading breaks no limit: "
        f"{_shown(reading)}",
    )


def _unproved_stress(
    step: BoundStep, reading: TesterReading, facts: Facts, abilities: Abilities
) -> str:
    """Why level and dwell aren't proved, '' if they are."""
    if not facts.complete:
        return "the tester did not report that it ran to its end"
    kind = abilities.kinds[step.order.kind]
    level = _level_problem(step, reading, kind, facts)
    return level or _time_problem(step, reading, kind, facts, abilities)


def _level_problem(step: BoundStep, reading: TesterReading, kind: KindAbility, facts: Facts) -> str:
    quantity = Measured.CURRENT if step.order.kind in CONTACT_KINDS else Measured.VOLTAGE
    got = reading.values.get(quantity)
    if got is None or got.value is None or got.bound == "none":
        return "" if "level_reading" in facts.exempt else "the tester reported no level"
    stated = kind.accuracy.get(quantity)
    slack = (
        stated.percent / 100 * step.order.level + stated.plus
        if stated
        else step.order.level * Decimal("0.03")
    )
    if got.bound == "below" or got.value < step.order.level - slack:
        reached, asked = measured(quantity, got.value), measured(quantity, step.order.level)
        return f"level not reached: {reached} of {asked}"
    most = step.order.level * LEVEL_OVER + slack
    if step.order.kind in _WITHSTAND and got.value > most:
        reached, asked = measured(quantity, got.value), measured(quantity, step.order.level)
        return f"level exceeded: {reached} for {asked}; the unit may have been overstressed"
    return ""


def _time_problem(
    step: BoundStep, reading: TesterReading, kind: KindAbility, facts: Facts, abilities: Abilities
) -> str:
    order = step.order
    got = reading.values.get(Measured.TIME)
    if got is not None and got.value is not None:
        slack = kind.dwell.resolution or Decimal("0.05")
        if got.bound in {"below", "none"} or got.value < order.dwell - slack:
            return f"dwell cut short by the tester's figures: {got.value:f} s of {order.dwell:f} s"
    elif abilities.reports_dwell or "elapsed_time" not in facts.exempt:
        return "the tester did not report how long the level was held"
    wanted_s = float((order.rise or kind.fixed_rise_s) + order.dwell)
    if facts.elapsed_s < wanted_s * (1 - OWN_CLOCK_SLACK) - OWN_CLOCK_SLACK_S:
        return f"ended too early by our clock: {facts.elapsed_s:.2f} s of {wanted_s:.2f} s"
    return ""


def _offset_untrue(untrue: list[LimitOrder], reading: TesterReading) -> str:
    return (
        f"what is taken out of the reading can't be true: the empty fixture alone would read "
        f"{_limits(untrue)}, but {_shown(reading)}; measure the empty fixture again"
    )


def _limits(limits: list[LimitOrder]) -> str:
    return " and ".join(
        f"{_word(x.quantity)} {_word(x.edge)} {measured(x.quantity, x.value)}" for x in limits
    )


def _shown(reading: TesterReading) -> str:
    shown = []
    for quantity, got in reading.values.items():
        sign = {"exact": "", "above": "above ", "below": "below ", "none": "no "}[got.bound]
        value = "reading" if got.value is None else measured(quantity, got.value)
        shown.append(f"{_word(quantity)} {sign}{value}")
    return ", ".join(shown) or "no reading"


def _word(name: Measured | Edge) -> str:
    return name.value.replace("_", " ")


def _say(what: str, reading: TesterReading, broken: list[LimitOrder]) -> str:
    limits = f": {_limits(broken)}" if broken else ""
    cause = f" (tester: {reading.cause})" if reading.cause else ""
    return f"{what}{limits}{cause}; {_shown(reading)}"
