"""Checks a profile: what it can do, what it leaves unsaid, and whether its messages hold.

A template is rendered and read back on samples at the ends of every range and off its grid; rules
and patterns are compared with one another; every fault has its place in the file.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import cast

from drivers.language.checker_contacts import contact_troubles
from drivers.language.checker_fields import (
    Trouble,
    carried_troubles,
    compulsory,
    exchange_troubles,
    sticking,
    text_troubles,
)
from drivers.language.checker_lines import (
    end_troubles,
    line_troubles,
    reply_troubles,
    rule_notes,
    rule_troubles,
)
from drivers.language.checker_orders import OrderChecker
from drivers.language.checker_report import Gap, ProfileReport, Table, render_report
from drivers.language.checker_samples import Sampler, agrees, sample_route
from drivers.language.checker_tables import matrix_gaps, matrix_tables, tester_gaps, tester_tables
from drivers.language.checker_walk import Spot, spots_of
from drivers.language.compiled_matrix import CompiledMatrix, compile_matrix
from drivers.language.compiled_tester import CompiledTester, compile_tester
from drivers.language.exchanges import CompiledExchange, Compiler, Place
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from drivers.language.templates import Template
from orchestrator.contract import CannotCarry
from orchestrator.documents import Document
from orchestrator.errors import Fault, Refused

AnyDocument = Document[TesterProfile] | Document[MatrixProfile]


def check_profile(document: AnyDocument) -> ProfileReport:
    """Check one profile that has been loaded.

    Never raises for a fault of the profile: the report carries it.
    """
    return _Check(document).report()


class _Check:
    """One check under way."""

    def __init__(self, document: AnyDocument) -> None:
        self._document = document
        self._profile: TesterProfile | MatrixProfile = document.model
        self._faults: list[Fault] = []
        self._notes: list[Gap] = []
        self._missing: list[Gap] = []
        self._samples = 0

    def report(self) -> ProfileReport:
        profile = self._profile
        compiled: CompiledTester | CompiledMatrix | None = None
        tables: tuple[Table, ...]
        try:
            if isinstance(profile, TesterProfile):
                compiled = compile_tester(cast(Document[TesterProfile], self._document))
            else:
                compiled = compile_matrix(cast(Document[MatrixProfile], self._document))
        except Refused as refused:
            self._faults += refused.faults
        if isinstance(profile, TesterProfile):
            tables = tuple(tester_tables(profile))
            self._missing += tester_gaps(profile, self._document.locate)
            self._note(carried_troubles(profile))
            self._missing += [self._placed(*entry) for entry in sticking(profile)]
        else:
            tables = tuple(matrix_tables(profile))
            self._missing += matrix_gaps(profile, self._document.locate)
        self._note(text_troubles(profile))
        self._note(contact_troubles(profile))
        words = {name: frozenset(listed) for name, listed in profile.words.items()}
        for spot in spots_of(profile):
            self._note(exchange_troubles(spot, words))
        if compiled is not None:
            self._messages(compiled)
        if isinstance(compiled, CompiledTester):
            self._tester(compiled)
        return ProfileReport(
            name=profile.name,
            kind=profile.kind,
            file=self._document.file,
            tables=tables,
            faults=tuple(dict.fromkeys(self._faults)),
            missing=tuple(dict.fromkeys(self._missing)),
            notes=tuple(dict.fromkeys(self._notes)),
            samples=self._samples,
        )

    # ---- parts of a check

    def _tester(self, compiled: CompiledTester) -> None:
        self._notes += rule_notes(compiled.states)
        self._note(rule_troubles(compiled.states))
        self._note(end_troubles(compiled.profile))
        memory, relays = compiled.profile.memory, sample_route(compiled)
        for kind, made in compiled.kinds.items():
            first = 0 if memory is None else memory.first
            orders = OrderChecker(kind, made.model, made.setup, first, relays)
            self._note(orders.troubles())
            self._samples += orders.samples

    def _messages(self, compiled: CompiledTester | CompiledMatrix) -> None:
        """Every template there and back; lines that could be taken for one another."""
        compiler = Compiler(self._profile, self._document.locate)
        sampler = Sampler(self._profile, compiled.dialect)
        lines = compiled.lines
        events = (
            tuple(template for template, _ in compiled.events)
            if isinstance(compiled, CompiledTester)
            else ()
        )
        patterns = (*lines.acknowledge, *lines.refusal, *lines.busy, *events)
        bodies = {t.text: self._bodies(t, None, ("framing",), sampler) for t in patterns}
        given = self._profile.events if isinstance(self._profile, TesterProfile) else ()
        conditional = frozenset(event.line for event in given if event.when)
        self._note(line_troubles(lines, events, bodies, conditional))
        for spot in spots_of(self._profile):
            made = compiler.exchange(spot.model, spot.place, spot.dimensions)
            self._exchange(spot, made, sampler)
            replies = [(t, self._bodies(t, spot, spot.place, sampler)) for t in made.replies]
            self._note(reply_troubles(spot.place, replies, lines, events))

    def _exchange(self, spot: Spot, made: CompiledExchange, sampler: Sampler) -> None:
        back = () if made.read_back is None else (made.read_back.send, *made.read_back.replies)
        if spot.block != "setup":  # set-ups travel as whole orders
            for template in (made.send, *back):
                if template is not None:
                    self._bodies(template, spot, spot.place, sampler)
        if isinstance(self._profile, TesterProfile) and made.send is not None:
            optional = {name: made.send.optional(name) for name in made.send.fields}
            self._notes += [
                self._placed(*entry) for entry in compulsory(self._profile, spot, optional)
            ]

    def _bodies(
        self, template: Template, spot: Spot | None, place: Place, sampler: Sampler
    ) -> tuple[bytes, ...]:
        """Rendered samples; what doesn't come back is a fault."""
        found: list[bytes] = []
        wrong: set[tuple[str, str]] = set()
        for values in sampler.values(template, spot):
            try:
                raw = template.render(values)
            except CannotCarry as error:
                told = f"{error.field} {error.found}, expected {error.expected}"
                self._fault(place, repr(template.text), told, error.remedy)
                continue
            self._samples += 1
            read = template.parse(raw)
            if read is None:
                told = f"{raw!r}, which it doesn't read back"
                remedy = "give its fields a fixed width, or other text between them"
                self._fault(place, repr(template.text), told, remedy)
                continue
            for name, sent in values.items():
                if name in {"skip", *template.exponents} or agrees(name, sent, read.get(name)):
                    continue
                if (template.text, name) not in wrong:  # the first sample says it
                    wrong.add((template.text, name))
                    told = f"{raw!r}: {name} {read.get(name)} for {sent}"
                    self._fault(place, repr(template.text), told, "correct the field's format")
            found.append(raw)
        return tuple(found)

    # ---- noting

    def _placed(self, place: Place, gap: Gap) -> Gap:
        return replace(gap, position=self._document.locate(*place))

    def _note(self, troubles: Iterable[Trouble]) -> None:
        for t in troubles:
            at = self._document.locate(*t.place)
            self._faults.append(Fault(t.what, t.found, t.expected, t.remedy, at))

    def _fault(self, place: Place, what: str, found: str, remedy: str) -> None:
        at = self._document.locate(*place)
        self._faults.append(Fault(what, found, "a message that can be read back", remedy, at))


__all__ = ["Gap", "ProfileReport", "Table", "check_profile", "render_report"]
