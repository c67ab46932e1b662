"""Lines that could be taken for one another, state rules that overlap or leave gaps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.language.checker_fields import Trouble
from drivers.language.checker_report import Gap
from drivers.language.compiled_tester import Lines
from drivers.language.exchanges import Place
from drivers.language.profile_tester import TesterProfile
from drivers.language.state_rules import StateRules
from drivers.language.templates import UNKNOWN, Template

Patterns = tuple[Template, ...]


def takes(template: Template, body: bytes) -> bool:
    """Whether a line would be read as this template."""
    fields = template.parse(body)
    return fields is not None and UNKNOWN not in fields.values()


def line_troubles(
    lines: Lines,
    events: Patterns,
    sample: dict[str, tuple[bytes, ...]],
    conditional: frozenset[str] = frozenset(),
) -> Iterator[Trouble]:
    """Patterns that never come to be seen, because an earlier one takes every such line.

    Events whose texts are `conditional` take a line only at times; they cover nothing.
    """
    order: list[tuple[str, Patterns]] = [
        ("events", events),
        ("framing.busy", lines.busy),
        ("framing.refusal", lines.refusal),
    ]
    seen: list[tuple[str, Template]] = []
    for name, patterns in order:
        for number, pattern in enumerate(patterns):
            covering = _covering(pattern, seen, sample)
            if covering is not None:
                place: Place = (*name.split("."), number)
                if name == "events":
                    place = (*place, "line")
                yield Trouble(
                    place,
                    name,
                    f"{pattern.text!r}, which is never reached: {covering!r} takes all its lines",
                    "patterns that are reached",
                    "put the narrower pattern first, or drop it",
                )
            if name != "events" or pattern.text not in conditional:
                seen.append((name, pattern))
    for pattern in lines.acknowledge:
        if (covering := _covering(pattern, seen, sample)) is not None:
            yield Trouble(
                ("framing", "acknowledge"),
                "framing.acknowledge",
                f"{pattern.text!r}, which {covering!r} takes",
                "an acknowledge apart from refusals and events",
                "make the refusal or event pattern narrower",
            )


def _covering(
    pattern: Template, seen: list[tuple[str, Template]], sample: dict[str, tuple[bytes, ...]]
) -> str | None:
    bodies = sample.get(pattern.text, ())
    if not bodies:
        return None
    for _, earlier in seen:
        if all(takes(earlier, body) for body in bodies):
            return earlier.text
    return None


def reply_troubles(
    place: Place,
    replies: Iterable[tuple[Template, tuple[bytes, ...]]],
    lines: Lines,
    events: Patterns,
) -> Iterator[Trouble]:
    """Data lines that would be taken for a refusal, a busy line or an event."""
    others = (
        [("an event", t) for t in events]
        + [("busy", t) for t in lines.busy]
        + [("a refusal", t) for t in lines.refusal]
    )
    for number, (template, bodies) in enumerate(replies):
        for meaning, other in others:
            taken = next((body for body in bodies if takes(other, body)), None)
            if taken is not None:
                yield Trouble(
                    (*place, "reply", number),
                    "reply",
                    f"{taken!r}, which {other.text!r} takes for {meaning}",
                    "data lines apart from the others",
                    "make that pattern narrower",
                )
        for earlier, _ in list(replies)[:number]:
            if bodies and all(takes(earlier, body) for body in bodies):
                yield Trouble(
                    (*place, "reply", number),
                    "reply",
                    f"{template.text!r}, which is never reached: {earlier.text!r} takes its lines",
                    "the narrower alternative first",
                    "change their order, or drop one",
                )


def rule_notes(rules: StateRules) -> Iterator[Gap]:
    """Overlaps and gaps: allowed, but worth a look."""
    if not rules.rules:
        return
    for text in rules.overlaps():
        yield Gap("states overlap", text)
    for text in rules.gaps():
        yield Gap("states leave a gap", f"{text}: reads as unknown, that is energised")


def end_troubles(profile: TesterProfile) -> Iterator[Trouble]:
    """A tester that never says that a run went to its end: no step would have a verdict."""
    told: set[str] = {rule.state.value for rule in profile.states}
    told |= {meaning for event in profile.events for meaning in event.means}
    if "complete" not in told:
        yield Trouble(
            ("states",) if profile.states else ("events",),
            "the end of a run",
            "neither a state nor an event 'complete'",
            "one of them, since no step has a verdict without",
            "add a state 'complete', or means: [result, complete] to the event of the result",
        )


def rule_troubles(rules: StateRules) -> Iterator[Trouble]:
    """Rules that never decide."""
    for text in rules.unreachable():
        if text.startswith("too many"):
            continue
        yield Trouble(
            ("states",), "states", text, "rules that are reached", "put it earlier, or drop it"
        )
