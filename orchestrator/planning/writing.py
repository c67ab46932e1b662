"""A plan as a program: the model, and the text with a comment on every step."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import Any

from orchestrator.documents import build
from orchestrator.errors import Refused
from orchestrator.model.amounts import shown
from orchestrator.model.demands import Demands
from orchestrator.model.program import Program
from orchestrator.model.words import CONTACT_KINDS, Measured, StepKind
from orchestrator.planning.contacts import LONGEST_REASON
from orchestrator.planning.naming import LONGEST
from orchestrator.planning.plan import Count, Plan, PlannedStep
from orchestrator.planning.search_keys import Searches
from orchestrator.planning.words import counted, kind_word, seconds
from orchestrator.quantities import Dimension, Quantity

WIDTH = 100
_UP = Context(prec=7, rounding=ROUND_CEILING)
_DOWN = Context(prec=7, rounding=ROUND_FLOOR)


def program_of(plan: Plan, demands: Demands) -> Program:
    """The plan as a program.

    Raises:
        Refused: the plan has gaps, or no steps.
    """
    if plan.gaps:
        raise Refused(plan.gaps)
    data: dict[str, Any] = {"name": _name(plan), "revision": plan.revision}
    if plan.no_protective_earth is not None:
        data["no_protective_earth"] = plan.no_protective_earth
    data["notes"] = _notes(plan, demands)
    data["runs_per_serial"] = str(demands.allowed.runs_per_serial)
    if demands.cautions:
        data["cautions"] = [_caution(text) for text in demands.cautions]
    searches = Searches(demands)
    data["steps"] = [_step(step, demands, searches) for step in plan.steps]
    return build(Program, data, f"plan of {plan.file}")


def program_text(plan: Plan, demands: Demands) -> str:
    """The plan as a program file, with comments that say what each step covers and why.

    Raises:
        Refused: the plan has gaps, or no steps.
    """
    program_of(plan, demands)  # refuses what no reader would take
    return "\n".join(_lines(plan, demands)) + "\n"


def _name(plan: Plan) -> str:
    return plan.product if len(plan.product) <= LONGEST else plan.product[: LONGEST - 1] + "…"


def _notes(plan: Plan, demands: Demands) -> str:
    made = f"planned from {demands.file} (sha256 {demands.sha256[:16]})"
    return " | ".join((made, *plan.notices))[:10_000]


def _caution(text: str) -> str:
    return text if len(text) <= LONGEST_REASON else text[: LONGEST_REASON - 1] + "…"


def _step(step: PlannedStep, demands: Demands, searches: Searches) -> dict[str, Any]:
    data: dict[str, Any] = {
        "name": step.name,
        "kind": str(step.kind),
        "apply_to": list(step.apply_to),
        "against": list(step.against),
    }
    level, ceiling = _on_paper(step.level, step.ceiling)
    dimension = Dimension.CURRENT if step.kind in CONTACT_KINDS else Dimension.VOLTAGE
    data["level"] = _exact(level, dimension)
    # A ceiling that equals the level is written too: left out, it would mean 3 % more.
    data["level_ceiling"] = _exact(ceiling, dimension)
    if step.kind is StepKind.BONDING:
        data["waveform"] = str(step.waveform)
    if step.frequency_hz is not None:
        data["frequency"] = _exact(step.frequency_hz, Dimension.FREQUENCY)
    times = (("rise", step.rise_s), ("dwell", step.dwell_s), ("fall", step.fall_s))
    for key, value in (*times, ("settle", step.settle_s)):
        if value is not None:
            data[key] = _exact(value, Dimension.TIME)
    if step.limits_during_rise:
        data["limits_during_rise"] = "yes"
    if step.flash_over_a is not None:
        data["flash_over"] = _exact(step.flash_over_a, Dimension.CURRENT)
    if step.capacitance_f is not None and step.capacitance_f >= Decimal("1e-12"):
        data["capacitance"] = _exact(step.capacitance_f, Dimension.CAPACITANCE)
    accept: dict[str, dict[str, str]] = {}
    for limit in step.limits:
        bounds = accept.setdefault(str(limit.quantity), {})
        resistance = limit.quantity is Measured.RESISTANCE
        unit = Dimension.RESISTANCE if resistance else Dimension.CURRENT
        bounds[str(limit.edge)] = _exact(limit.value, unit)
    data["accept"] = accept
    if demands.decision_rule != "simple":
        data["decision_rule"] = demands.decision_rule
    if step.kind in demands.take_out:
        data["take_out"] = "yes"
    if step.prove_contact:
        data["prove_contact"] = list(step.prove_contact)
    if step.unproved_contact is not None:
        data["unproved_contact"] = step.unproved_contact
    search = searches.of(step).keys
    if search is not None:
        data |= {"on_failure": "locate", "locate": search}
    return data


def _on_paper(level: Decimal, ceiling: Decimal) -> tuple[Decimal, Decimal]:
    """Seven digits, the level never lower, the ceiling never higher; all digits if they meet."""
    up, down = _UP.plus(level), _DOWN.plus(ceiling)
    return (up, down) if up <= down else (level, ceiling)


def _exact(value: Decimal, dimension: Dimension) -> str:
    return str(Quantity(value, dimension))


# ---- text ---------------------------------------------------------------------------------------


def _lines(plan: Plan, demands: Demands) -> Iterator[str]:
    yield from _comment(f"Program planned from {demands.file}: {plan.product}, {plan.revision}.")
    for notice in plan.notices:
        yield from _comment(f"NOTICE: {notice}")
    for count in plan.counts:
        yield from _comment(count_words(count))
    allowed = [proof for proof in plan.contacts if proof.how == "allowed"]
    for proof in allowed:
        yield from _comment(f"Contact of {proof.point!r} is not proved: {proof.words}.")
    yield from _comment(f"About {seconds(plan.estimated_s)} in all (estimate).")
    yield f"name: {_scalar(_name(plan))}"
    yield f"revision: {_scalar(plan.revision)}"
    if plan.no_protective_earth is not None:
        yield f"no_protective_earth: {_scalar(plan.no_protective_earth)}"
    yield f"notes: {_scalar(_notes(plan, demands))}"
    if demands.cautions:
        yield from _list("cautions", [_caution(text) for text in demands.cautions], indent=0)
    yield f"runs_per_serial: {demands.allowed.runs_per_serial}"
    yield "steps:"
    searches = Searches(demands)
    for step in plan.steps:
        yield ""
        yield from _step_lines(step, demands, searches)


def _step_lines(step: PlannedStep, demands: Demands, searches: Searches) -> Iterator[str]:
    for cover in step.covers:
        yield from _comment(f"Covers {_cover_words(step, cover.pairs, cover.of)}: {cover.told}.", 2)
    for reason in step.reasons:
        yield from _comment(f"{reason[0].upper()}{reason[1:]}.", 2)
    if demands.sheet is not None and not demands.sheet.checked:
        yield from _comment(f"Rule sheet {demands.sheet.name}: checked by nobody yet.", 2)
    told = searches.of(step).told
    if told:
        yield from _comment(f"{told[0].upper()}{told[1:]}.", 2)
    data = _step(step, demands, searches)
    yield f"  - name: {_scalar(data.pop('name'))}"
    for key, value in data.items():
        yield from _entry(key, value)


def _cover_words(step: PlannedStep, pairs: int, of: int) -> str:
    word = "contact" if step.kind in CONTACT_KINDS else "pair"
    return f"{counted(pairs, word)} of {of}"


def _entry(key: str, value: Any) -> Iterator[str]:
    if isinstance(value, dict) and any(isinstance(one, list) for one in value.values()):
        yield f"    {key}:"
        for inner_key, inner in value.items():
            if isinstance(inner, list):
                yield f"      {inner_key}:"
                for entry in inner:
                    yield from _declared(entry)
            else:
                yield f"      {inner_key}: {_flow(inner)}"
    elif isinstance(value, dict):
        inner = ", ".join(f"{k}: {_flow(v)}" for k, v in value.items())
        yield f"    {key}: {{{inner}}}"
    elif isinstance(value, list):
        yield from _list(key, value)
    else:
        yield f"    {key}: {_scalar(value)}"


def _declared(entry: dict[str, Any]) -> Iterator[str]:
    """One entry of ``locate``'s ``insulation``; its groups on as many lines as they need."""
    begin = "        - "
    for key, value in entry.items():
        if key == "groups":
            line = f"{begin}{key}: ["
            for place, group in enumerate(value):
                text = f"[{', '.join(_scalar(point) for point in group)}]"
                text += "," if place + 1 < len(value) else "]"
                room = " " if line.endswith(",") else ""
                if len(line) + len(room) + len(text) > WIDTH:
                    yield line
                    line, room = " " * 12, ""
                line += room + text
            yield line
        else:
            yield f"{begin}{key}: {_scalar(value)}"
        begin = "          "


def _flow(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k}: {_flow(v)}" for k, v in value.items()) + "}"
    return _scalar(value)


def _list(key: str, values: Sequence[str], indent: int = 4) -> Iterator[str]:
    """A list in brackets, on as many lines as it needs."""
    line, begin = f"{' ' * indent}{key}: [", True
    for place, value in enumerate(values):
        text = _scalar(value) + ("," if place + 1 < len(values) else "]")
        if not begin and len(line) + 1 + len(text) > WIDTH:
            yield line
            line, begin = " " * (indent + 2) + text, False
            continue
        line += text if begin else f" {text}"
        begin = False
    yield line


_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ")
_WITHIN = _PLAIN | frozenset("0123456789 ._-/()+")
_WORDS = frozenset({"yes", "no", "true", "false", "null", "on", "off", "y", "n"})


def _scalar(text: str) -> str:
    """Plain where nothing in it has a meaning in YAML; else in double quotes."""
    plain = bool(text) and text[0] in _PLAIN | frozenset("0123456789") and set(text) <= _WITHIN
    number = text[:1].isdigit() and " " not in text
    if plain and not number and text.lower() not in _WORDS and text == text.strip():
        return text
    if text in ("yes", "no"):
        return text
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _comment(text: str, indent: int = 0) -> Iterator[str]:
    room = " " * indent + "# "
    line = room
    for word in text.split():
        if line != room and len(line) + 1 + len(word) > WIDTH:
            yield line
            line = room
        line += word if line == room else f" {word}"
    yield line


def count_words(count: Count) -> str:
    """'Insulation: 6 tests, 4.2 s in all; proved: at least 6 (…); one by one it would take 63.'"""
    word = kind_word(count.kind)
    hertz = ""
    if count.frequency_hz is not None:
        hertz = f" {shown(count.frequency_hz, Dimension.FREQUENCY)}"
    gap = "" if count.gap == 0 else "; whether fewer would do isn't known"
    split = "" if count.unsplit is None else f" Without budgets {count.unsplit} would do."
    return (
        f"{word[0].upper()}{word[1:]}{hertz}: {counted(count.tests, 'test')}, "
        f"{seconds(count.predicted_s)} in all; proved: at least {count.least} ({count.proof})"
        f"{gap}; each group of nets against all others would take {count.one_by_one}.{split}"
    )
