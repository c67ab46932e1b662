"""A tester's profile compiled: every template, rule and figure, checked, with places for faults."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.language.dialect import Dialect, TemplateError
from drivers.language.exchanges import CompiledExchange, Compiler, Place
from drivers.language.framing import WireFraming
from drivers.language.profile_common import Exchange
from drivers.language.profile_tester import Event, KindModel, TesterProfile
from drivers.language.state_rules import RuleError, StateRules
from drivers.language.templates import Template
from orchestrator.documents import Document
from orchestrator.model.words import (
    HIGH_VOLTAGE_KINDS,
    StepKind,
    TesterState,
)
from orchestrator.units import Dimension

_ACTS: Any = {"class": "acts"}
_VERDICT = re.compile(r"(?<!\{)\{verdict(?=[:|}])")


@dataclass(frozen=True, slots=True)
class CompiledKind:
    """One kind of test. ``causes``: result templates that read the verdict as a reason."""

    model: KindModel
    setup: tuple[CompiledExchange, ...]
    stored: CompiledExchange | None
    result: CompiledExchange | None
    live: CompiledExchange | None
    causes: tuple[Template, ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines that framing knows: acknowledge, refusals, busy."""

    acknowledge: tuple[Template, ...] = ()
    refusal: tuple[Template, ...] = ()
    busy: tuple[Template, ...] = ()


@dataclass(frozen=True, slots=True)
class CompiledCarry:
    """How another instrument's messages are carried. The reply that means silence, without the
    field ``{payload}``, is tried first."""

    exchange: CompiledExchange
    inner_end: bytes
    stripped: bool
    most: int | None


@dataclass(frozen=True, slots=True)
class CompiledTester:
    """A tester's profile, ready for use. ``given``: values that every message has."""

    profile: TesterProfile
    dialect: Dialect
    framing: WireFraming
    lines: Lines
    identify: CompiledExchange
    enter: tuple[CompiledExchange, ...]
    keep_alive: CompiledExchange | None
    arm: tuple[CompiledExchange, ...]
    clear: tuple[CompiledExchange, ...]
    reset: tuple[CompiledExchange, ...]
    errors: CompiledExchange | None
    clear_tail: tuple[CompiledExchange, ...]
    count: CompiledExchange | None
    kinds: Mapping[StepKind, CompiledKind]
    start: CompiledExchange
    stop_bytes: tuple[bytes, ...]
    status: CompiledExchange | None
    states: StateRules
    counter: CompiledExchange | None
    voltage: CompiledExchange | None
    discharged: StateRules | None
    interlock: CompiledExchange | None
    interlock_open: StateRules | None
    interlock_latched: StateRules | None
    events: tuple[tuple[Template, Event], ...]
    resync: CompiledExchange
    given: Mapping[str, Any]
    carry: CompiledCarry | None = None
    causes_of_events: Mapping[str, Template] = field(default_factory=dict)


def dimensions_of(kind: StepKind) -> Mapping[str, Dimension]:
    """Dimensions of the fields whose meaning depends on the kind of step."""
    voltage = kind in HIGH_VOLTAGE_KINDS
    level = Dimension.VOLTAGE if voltage else Dimension.CURRENT
    currents = kind in {StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC}
    main = Dimension.CURRENT if currents else Dimension.RESISTANCE
    return {
        "level": level,
        "level_reached": level,
        "peak_level": level,
        "at_least": main,
        "at_most": main,
        "reading": main,
        "live": main,
    }


def compile_tester(document: Document[TesterProfile], address: int | None = None) -> CompiledTester:
    """Compile a profile.

    Args:
        address: of the station, where the telegrams carry one; else the profile's own.

    Raises:
        Refused: every fault of its templates and rules, with line and column.
    """
    profile = document.model
    compiler = Compiler(profile, document.locate, address)
    compiled = _Builder(profile, compiler).build()
    compiler.done()
    return compiled


def compile_lines(compiler: Compiler) -> Lines:
    """The lines of a profile's framing."""
    framing = compiler.profile.framing
    return Lines(
        compiler.templates(framing.acknowledge, ("framing", "acknowledge")),
        compiler.templates(framing.refusal, ("framing", "refusal")),
        compiler.templates(framing.busy, ("framing", "busy")),
    )


class _Builder:
    """Compiles the parts of a tester's profile one by one."""

    def __init__(self, profile: TesterProfile, compiler: Compiler) -> None:
        self._profile = profile
        self._given = compiler.given
        self._compiler = compiler

    def build(self) -> CompiledTester:
        p, c = self._profile, self._compiler
        interlock = p.interlock
        identify = c.exchange(p.identify, ("identify",))
        memory = p.memory
        lines, events = compile_lines(c), self._events()
        return CompiledTester(
            profile=p,
            dialect=c.dialect,
            framing=c.framing,
            lines=lines,
            identify=identify,
            enter=c.exchanges(p.enter, ("enter",)),
            keep_alive=c.maybe(p.keep_alive, ("keep_alive",)),
            arm=c.exchanges(p.arm, ("arm",)),
            clear=c.exchanges(p.clear.exchanges if p.clear else (), ("clear", "exchanges")),
            reset=c.exchanges(p.reset, ("reset",)),
            errors=c.maybe(p.errors.ask if p.errors else None, ("errors", "ask")),
            clear_tail=c.exchanges(memory.clear_tail if memory else (), ("memory", "clear_tail")),
            count=c.maybe(memory.count if memory else None, ("memory", "count")),
            kinds={kind: self._kind(kind, model) for kind, model in p.kinds.items()},
            start=c.exchange(p.start, ("start",)),
            stop_bytes=self._stop_bytes(),
            status=c.maybe(p.status, ("status",)),
            states=self._rules(
                [(rule.state, rule.when) for rule in p.states], ("states",), listed=True
            ),
            counter=c.maybe(p.counter, ("counter",)),
            voltage=c.maybe(p.off.voltage, ("off", "voltage")),
            discharged=self._condition(p.off.discharged_when, ("off", "discharged_when")),
            interlock=c.maybe(interlock.ask if interlock else None, ("interlock", "ask")),
            interlock_open=self._condition(
                interlock.open_when if interlock else {}, ("interlock", "open_when")
            ),
            interlock_latched=self._condition(
                interlock.latched_when if interlock else {}, ("interlock", "latched_when")
            ),
            events=events,
            resync=identify if p.resync is None else c.exchange(p.resync, ("resync",)),
            given=self._given,
            carry=self._carry(),
            causes_of_events=self._event_causes(),
        )

    def _kind(self, kind: StepKind, model: KindModel) -> CompiledKind:
        c, p, dims = self._compiler, self._profile, dimensions_of(kind)
        place: Place = ("kinds", kind.value)
        stored = model.stored or (p.memory.stored if p.memory else None)
        result = model.result or p.result
        own = place if model.result else ()
        compiled = c.maybe(result, (*own, "result"), dims)
        return CompiledKind(
            model=model,
            setup=c.exchanges(model.setup, (*place, "setup"), dims),
            stored=c.maybe(
                stored, (*place, "stored") if model.stored else ("memory", "stored"), dims
            ),
            result=compiled,
            live=c.maybe(model.live or p.live, (*(place if model.live else ()), "live"), dims),
            causes=self._causes(result),
        )

    def _causes(self, result: Exchange | None) -> tuple[Template, ...]:
        texts = () if result is None else result.reply
        made = (self._cause(text) for text in texts)
        return tuple(template for template in made if template is not None)

    def _cause(self, text: str) -> Template | None:
        """The same text with the verdict read as a reason; ``None`` where that can't be told."""
        other, count = _VERDICT.subn("{cause", text)
        if not count:
            return None
        try:
            return Template.compile(other, self._compiler.dialect, sending=False)
        except TemplateError:
            return None  # e.g. reasons of different width in a fixed telegram: no reason is told

    def _event_causes(self) -> Mapping[str, Template]:
        made = {event.line: self._cause(event.line) for event in self._profile.events}
        return {line: template for line, template in made.items() if template is not None}

    def _events(self) -> tuple[tuple[Template, Event], ...]:
        made = []
        for number, event in enumerate(self._profile.events):
            template = self._compiler.template(
                event.line, ("events", number, "line"), sending=False
            )
            if template is not None:
                made.append((template, event))
        return tuple(made)

    def _stop_bytes(self) -> tuple[bytes, ...]:
        made = []
        for number, model in enumerate(self._profile.stop):
            place: Place = ("stop", number)
            exchange = self._compiler.exchange(model, place)
            if exchange.raw is not None:
                made.append(exchange.raw)
            elif exchange.send is not None:
                try:
                    body = exchange.send.render(self._given)
                    made.append(self._compiler.framing.wrap(body, self._given))
                except ValueError as error:  # CannotCarry: a field that only a step could fill
                    self._compiler.fault(error, (*place, "send"))
        return tuple(made)

    def _carry(self) -> CompiledCarry | None:
        carry, c = self._profile.carry, self._compiler
        if carry is None:
            return None
        replies = [carry.reply] if carry.silent is None else [carry.silent, carry.reply]
        model = Exchange(send=carry.send, reply=tuple(replies), within=carry.within, **_ACTS)
        return CompiledCarry(
            exchange=c.exchange(model, ("carry",)),
            inner_end=carry.inner_end.encode("latin-1"),
            stripped=carry.stripped,
            most=carry.most,
        )

    def _condition(self, when: Mapping[str, str], place: Place) -> StateRules | None:
        """Conditions apart from a state: the rules hold one, under a neutral name."""
        return self._rules([(TesterState.OFF, when)], place, listed=False) if when else None

    def _rules(
        self, rules: list[tuple[TesterState, Mapping[str, str]]], place: Place, *, listed: bool
    ) -> StateRules:
        words = {name: frozenset(listing) for name, listing in self._compiler.dialect.words.items()}
        try:
            return StateRules.compile(rules, words)
        except RuleError as error:
            self._compiler.fault(error, (*place, error.rule) if listed else place)
            return StateRules((), ())


def condition_holds(rules: StateRules, fields: Mapping[str, object]) -> bool:
    """Whether the one condition compiled into these rules holds."""
    return any(rule.holds(fields) for rule in rules.rules)


__all__ = [
    "CompiledCarry",
    "CompiledKind",
    "CompiledTester",
    "Lines",
    "compile_lines",
    "compile_tester",
    "condition_holds",
    "dimensions_of",
]
