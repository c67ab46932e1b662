"""Sample values for every field of a template: range ends, off the grid, every word, tokens."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from drivers.adapters.contacts import Layout, Point
from drivers.language.abilities import measured_by
from drivers.language.checker_walk import Spot
from drivers.language.compiled_tester import CompiledTester
from drivers.language.dialect import Dialect
from drivers.language.fields import FIELDS, FieldKind, FieldSpec
from drivers.language.profile_banks import BankModel
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from drivers.language.templates import Template
from orchestrator.contract import CannotCarry
from orchestrator.model.record import Reading

_SMALL = {
    "count": (1, 2),
    "position": (1, 2),
    "steps": (1,),
    "counter": (1, 2),
    "code": (1, 2),
    "exponent": (0,),
    "exponent_2": (0,),
    "exponent_3": (0,),
}


@dataclass(frozen=True, slots=True)
class Sampler:
    """Makes samples for the templates of one profile."""

    profile: TesterProfile | MatrixProfile
    dialect: Dialect

    def values(self, template: Template, spot: Spot | None) -> Iterator[Mapping[str, Any]]:
        """A base message, then one field after the other moved through its samples."""
        choices = {name: self._choices(name, template, spot) for name in template.fields}
        if not all(choices.values()):
            return
        base: dict[str, Any] = {"skip": "A1"} if "{skip" in template.text else {}
        base |= {name: listed[0] for name, listed in choices.items()}
        yield base
        for name, listed in choices.items():
            for value in listed[1:]:
                yield {**base, name: value}

    def _choices(self, name: str, template: Template, spot: Spot | None) -> list[Any]:
        spec = template.spec_of(name)
        if spec.reading:
            found = self._readings(name, template, spot)
        elif spec.kind is FieldKind.QUANTITY:
            found = self._quantities(name, template, spot)
        elif spec.kind is FieldKind.WORD:
            found = [*self.dialect.wire_words(name)] or sorted(spec.words or {"word"})
            if spot is not None and spot.kind is not None and name == "kind":
                found = [spot.kind.value]
        else:
            found = self._others(name, spec)
        left_out = template.optional(name) and spec.kind is not FieldKind.LIST
        return [*found, None] if left_out else found

    # ---- one sort of field each

    def _readings(self, name: str, template: Template, spot: Spot | None) -> list[Any]:
        tops = [Decimal(0)]
        model = self._kind(spot)
        if model is not None and spot is not None and spot.kind is not None:
            band = model.level if name == "level_reached" else None
            if band is not None and band.range is not None:
                tops = [band.range[0].value, band.range[1].value]
            measured = measured_by(name, spot.kind)
            top = model.measures.get(measured) if measured else None
            if top is not None:
                tops.append(top.value)
        found: list[Any] = [Reading(value) for value in tops if _carries(template, name, value)]
        found = found or [Reading(Decimal(0))]
        for token in self.dialect.tokens:
            if token.exponent is not None and not template.has_power(name):
                continue
            width = template.fixed_length
            if token.prefix is None and (token.text is None or width is None):
                found.append(Reading(None, token.means))
        return found

    def _quantities(self, name: str, template: Template, spot: Spot | None) -> list[Any]:
        model = self._kind(spot)
        band = getattr(model, name, None) if model is not None else None
        if name == "frequency" and model is not None and model.frequencies:
            return [frequency.value for frequency in model.frequencies]
        wanted = [Decimal(1), Decimal(2)]
        if band is not None and getattr(band, "range", None):
            wanted = [band.range[0].value, band.range[1].value]
        found = []
        for value in wanted:
            try:
                found.append(template.carried(name, value, up=True))
            except CannotCarry:
                continue
        return found

    def _others(self, name: str, spec: FieldSpec) -> list[Any]:
        if spec.kind is FieldKind.TEXT:
            return ["A1"]
        if spec.kind is FieldKind.BITS:
            return [0, 1]
        if spec.kind is FieldKind.MASK:
            return [0, 1, (1 << self._channels()) - 1]
        if spec.kind is FieldKind.LIST:
            return [(), (1,), tuple(range(1, self._channels() + 1))]
        if spec.kind is FieldKind.ROLES:
            ends = ("source", *("open",) * (self._channels() - 2), "return")
            return [("open",) * self._channels(), ends]
        if name == "unit":
            chain = getattr(self.profile, "chain", None)
            return [1] if chain is None else [chain.addresses[0], chain.addresses[1]]
        if name == "channel":
            return self._numbers()
        if name in ("slot", "next_slot"):
            memory = getattr(self.profile, "memory", None)
            return [1] if memory is None else [memory.first, memory.first + memory.slots - 1]
        return [*_SMALL.get(name, (1,))]

    def _banks(self) -> Mapping[str, BankModel]:
        if isinstance(self.profile, MatrixProfile):
            return self.profile.banks
        return {} if self.profile.routing is None else self.profile.routing.banks

    def _channels(self) -> int:
        sizes = (b.channels[1] - b.channels[0] + 1 for b in self._banks().values())
        return max(sizes, default=1)

    def _numbers(self) -> list[int]:
        """The lowest and the highest number of a channel on the wire."""
        source = self.profile if isinstance(self.profile, MatrixProfile) else self.profile.routing
        numbering = None if source is None else source.numbering
        spans = [bank.channels for bank in self._banks().values()] or [(1, 1)]
        if numbering is None:
            return [min(s[0] for s in spans), max(s[1] for s in spans)]
        chain = None if source is None else source.chain
        units = 0 if chain is None else chain.addresses[1] - chain.addresses[0]
        offset = max(numbering.bank_offset.values(), default=0)
        offset += max(numbering.role_offset.values(), default=0)
        top = numbering.first + max(s[1] - s[0] for s in spans) + offset
        return [numbering.first, top + numbering.per_unit * units]

    def _kind(self, spot: Spot | None) -> Any:
        if spot is None or spot.kind is None or not isinstance(self.profile, TesterProfile):
            return None
        return self.profile.kinds[spot.kind]


def _carries(template: Template, name: str, value: Decimal) -> bool:
    try:
        template.carried(name, value, up=True)
    except CannotCarry:
        return False
    return True


def agrees(name: str, sent: Any, read: Any) -> bool:
    """Whether a sample came back as it went."""
    if FIELDS[name].reading:
        if sent is None:
            return isinstance(read, Reading) and read.bound == "none"
        if isinstance(sent, Reading) and isinstance(read, Reading) and sent.bound != "exact":
            return sent.bound == read.bound
        if isinstance(sent, Reading) and isinstance(read, Reading):
            return read.bound == "exact"
    if isinstance(sent, tuple) and FIELDS[name].kind is FieldKind.LIST:
        return sorted(sent) == sorted(read)
    return bool(sent == read)


def sample_route(compiled: CompiledTester) -> Mapping[str, Any]:
    """The fields of a route over the first bank, where the tester routes itself."""
    routing = compiled.profile.routing
    if routing is None:
        return {}
    layout = Layout(
        routing.banks,
        numbering=routing.numbering,
        chain=routing.chain,
        items=routing.items,
        dialect=compiled.dialect,
    )
    address = None if routing.chain is None else routing.chain.addresses[0]
    scope = next(layout.scopes(("unit", "bank"), (address,)))
    name, bank = next(iter(routing.banks.items()))
    first, last = bank.channels
    points = [Point(address, name, first, "source"), Point(address, name, last, "return")]
    return layout.values(scope, points)
