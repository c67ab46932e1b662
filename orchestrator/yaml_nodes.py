"""YAML text to nodes that know their line and column; every scalar stays the text it was.

Only the plain part of YAML is taken: mappings, sequences, scalars. Anchors, aliases, merge keys,
tags and several documents in a file are refused: a file that hides what it says in another place
can't be checked by reading it. Built on the event stream, not on the composer, so that nothing is
expanded and a hostile file can't exhaust memory or stack.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from orchestrator.errors import Fault, Position

try:
    from yaml import CSafeLoader as _Loader
except ImportError:  # PyYAML built without its C library: slower, same events
    from yaml import SafeLoader as _Loader  # type: ignore[assignment]

DEEPEST = 32
"""Levels of nesting; no file of ours needs more than a third of it."""

MOST_FAULTS = 200
"""Faults collected from one file's structure before reading stops."""

_NO_VALUE = frozenset({"", "~", "null"})
_NOT_YAML = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


@dataclass(slots=True)
class Node:
    """One value of a file. Exactly one of the three contents is meant, by `kind`."""

    kind: str  # "scalar", "list" or "mapping"
    position: Position
    text: str | None = None
    items: list[Node] = field(default_factory=list)
    entries: dict[str, tuple[Node, Node]] = field(default_factory=dict)

    def plain(self) -> Any:
        """The value as dicts, lists, strings and None."""
        if self.kind == "mapping":
            return {key: value.plain() for key, (_, value) in self.entries.items()}
        if self.kind == "list":
            return [item.plain() for item in self.items]
        return self.text


class _Stop(Exception):
    """Ends the walk after a fault that forbids going on."""


def read_nodes(text: str, name: str) -> tuple[Node | None, tuple[Fault, ...]]:
    """Read one document.

    Returns:
        The root node, or None where the file couldn't be read to its end, and all faults found.
        A root with faults is for finding further faults only.
    """
    text = text.removeprefix("\ufeff")  # some editors put a byte-order mark first
    if (bad := _NOT_YAML.search(text)) is not None:
        return None, (_bad_character(text, bad.start(), name),)
    builder = _Builder(name)
    try:
        root = builder.document(text)
    except _Stop:
        root = None
    except yaml.MarkedYAMLError as error:
        builder.faults.append(_syntax_fault(error, name))
        root = None
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # The two others: impossible character codes in escapes, from the loader without C.
        fault = Fault("the file", str(error), "YAML", "correct the file's text", Position(name))
        builder.faults.append(fault)
        root = None
    return root, tuple(builder.faults)


class _Builder:
    """Turns the parser's events into nodes and collects what is refused on the way."""

    def __init__(self, name: str) -> None:
        self._name = name
        self.faults: list[Fault] = []

    def document(self, text: str) -> Node | None:
        events = iter(yaml.parse(text, Loader=_Loader))
        root: Node | None = None
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._refuse(
                        event,
                        "a second document ('---')",
                        "one document in a file",
                        "put it into a file of its own",
                    )
                    raise _Stop
            elif isinstance(event, yaml.NodeEvent):
                root = self._node(event, events, 0)
        if root is None or (root.kind == "scalar" and root.text is None):
            self.faults.append(
                Fault(
                    "the file",
                    "nothing in it",
                    "keys with values",
                    "fill it in, or take a file from the examples",
                    Position(self._name),
                )
            )
            return None
        return root

    def _node(self, event: yaml.NodeEvent, events: Iterator[Any], depth: int) -> Node:
        position = self._position(event)
        if depth > DEEPEST:
            self.faults.append(_too_deep(position))
            raise _Stop
        if isinstance(event, yaml.AliasEvent):
            self._refuse(
                event,
                f"an alias ('*{event.anchor}')",
                "the value itself",
                "write the value out here",
            )
            return Node("scalar", position)
        if event.anchor is not None:
            self._refuse(
                event,
                f"an anchor ('&{event.anchor}')",
                "the value alone",
                "remove the anchor; repeat the value where it is needed",
            )
        tag: str | None = getattr(event, "tag", None)
        if tag is not None:
            self._refuse(event, f"a tag ({tag!r})", "the value alone", "remove the tag")
        if isinstance(event, yaml.MappingStartEvent):
            return self._mapping(position, events, depth, flow=bool(event.flow_style))
        if isinstance(event, yaml.SequenceStartEvent):
            return self._list(position, events, depth)
        if not isinstance(event, yaml.ScalarEvent):
            raise TypeError(f"unexpected event {event!r}")
        nothing = event.style in (None, "") and event.value in _NO_VALUE
        return Node("scalar", position, None if nothing else event.value)

    def _list(self, position: Position, events: Iterator[Any], depth: int) -> Node:
        node = Node("list", position)
        for event in events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            node.items.append(self._node(event, events, depth + 1))
        return node

    def _decimal_comma(self, value: Node, rest: Node) -> None:
        """Told at the value's place, so that nothing else is said of it; the rest is no key."""
        text = f"{value.text},{rest.text}"
        found, expected = repr(text), "a number with a decimal point"
        remedy = _pointed(text)
        if self.faults and self.faults[-1].position == value.position:  # cut more than once
            found = f"{self.faults.pop().found[:-1]},{rest.text}'"
            remedy = "write the digits without separators and the decimal sign as a point"
        self.faults.append(Fault("the number", found, expected, remedy, value.position))
        if len(self.faults) >= MOST_FAULTS:
            raise _Stop

    def _mapping(
        self, position: Position, events: Iterator[Any], depth: int, *, flow: bool
    ) -> Node:
        node = Node("mapping", position)
        before: Node | None = None  # the value before, where a decimal comma may have cut it
        for event in events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key = self._node(event, events, depth + 1)
            value = self._node(next(events), events, depth + 1)
            if flow and before is not None and _cut_apart(before, key, value):
                self._decimal_comma(before, key)
                continue
            before = value
            if key.kind != "scalar" or not key.text:
                self._refuse(
                    event, "a key that isn't a word", "a word as key", "write 'key: value'"
                )
            elif key.text == "<<" and event.style in (None, ""):
                self._refuse(
                    event, "a merge key ('<<')", "the keys themselves", "write the keys out here"
                )
            elif key.text in node.entries:
                first = node.entries[key.text][0].position
                self._refuse(
                    event,
                    f"the key {key.text!r} a second time",
                    "each key once",
                    f"remove one; the first stands in line {first.line}",
                )
            else:
                node.entries[key.text] = (key, value)
        return node

    def _position(self, event: yaml.Event) -> Position:
        mark = event.start_mark
        if mark is None:
            return Position(self._name)
        return Position(self._name, mark.line + 1, mark.column + 1)

    def _refuse(self, event: yaml.Event, found: str, expected: str, remedy: str) -> None:
        self.faults.append(Fault("YAML", found, expected, remedy, self._position(event)))
        if len(self.faults) >= MOST_FAULTS:
            raise _Stop


def _cut_apart(value: Node, key: Node, nothing: Node) -> bool:
    """Whether '{dwell: 1,5 s}' was read as dwell: 1 and a key '5 s' with no value."""
    return (
        value.kind == key.kind == nothing.kind == "scalar"
        and nothing.text is None
        and re.fullmatch(r"[+-]?[0-9]+", value.text or "") is not None
        and re.match(r"[0-9]", key.text or "") is not None
    )


def _pointed(text: str) -> str:
    point = text.replace(",", ".")
    if re.search(r",[0-9]{3}(?![0-9])", text):  # may be thousands: never guess by a factor of 1000
        return f"write {point!r} if the comma is the decimal sign, {text.replace(',', '')!r} if not"
    unit = "" if re.search(r"[^0-9.+-]", point) else " and its unit"
    return f"write {point!r}{unit}: the decimal sign is a point"


def _too_deep(position: Position) -> Fault:
    found, expected = f"more than {DEEPEST} levels of nesting", f"at most {DEEPEST} levels"
    return Fault("YAML", found, expected, "write it flatter", position)


def _bad_character(text: str, index: int, name: str) -> Fault:
    before = text[:index]
    line = before.count("\n") + 1
    column = index - (before.rfind("\n") + 1) + 1
    found = f"the character U+{ord(text[index]):04X}"
    return Fault("the text", found, "printable text", "remove it", Position(name, line, column))


def _syntax_fault(error: yaml.MarkedYAMLError, name: str) -> Fault:
    mark = error.problem_mark or error.context_mark
    position = Position(name) if mark is None else Position(name, mark.line + 1, mark.column + 1)
    problem = error.problem or "something unreadable"
    context = f" ({error.context})" if error.context else ""
    if "\\t" in problem or "'\t'" in problem or "tab" in problem:
        return Fault("YAML", "a tab", "blanks", "indent with blanks, not with tabs", position)
    if "nesting depth" in problem:  # the C library's own limit, met while it looks ahead
        return _too_deep(position)
    remedy = "check indentation, colons, quotes and brackets here and in the line above"
    return Fault("YAML", f"{problem}{context}", "valid YAML", remedy, position)
