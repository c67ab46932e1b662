"""Whole orders sent through a set-up: range ends, off the grid, with and without limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from drivers.adapters.quantising import Quantiser, band_of, direct_fields
from drivers.language.abilities import named_fields
from drivers.language.checker_fields import Trouble
from drivers.language.derived import order_values
from drivers.language.exchanges import CompiledExchange, Place
from drivers.language.fields import FIELDS
from drivers.language.profile_common import Band
from drivers.language.profile_tester import KindModel
from drivers.language.templates import Template
from orchestrator.contract import CannotCarry
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, StepKind, Waveform

OFF_GRID = Decimal("0.37")
_LIMITS_OF_CURRENT = "current"


class OrderChecker:
    """Checks one kind of step. ``samples`` counts the messages rendered and read back.

    Args:
        relays: fields of a sample route, where the tester routes itself.
    """

    def __init__(
        self,
        kind: StepKind,
        model: KindModel,
        setup: tuple[CompiledExchange, ...],
        first_slot: int,
        relays: Mapping[str, Any] | None = None,
    ) -> None:
        # Samples take every set-point at its own end; what is reckoned of that has no range here.
        self._kind, self._model = kind, model.model_copy(update={"derived": {}})
        self._setup = setup
        self._place: Place = ("kinds", kind.value)
        self._first = first_slot
        self._relays = relays or {}
        self.samples = 0

    def troubles(self) -> Iterator[Trouble]:
        """Whatever doesn't come through: refused, changed, or not read back."""
        quantiser = Quantiser(self._model, self._sent, self._values)
        for what, asked in self._orders():
            try:
                order = quantiser.quantise(asked)
            except CannotCarry as error:
                yield self._trouble(what, f"{error.field} {error.found}: {error.remedy}")
                continue
            yield from self._moved(what, asked, order)
            yield from self._travels(what, order)

    # ---- orders

    def _orders(self) -> Iterator[tuple[str, StepOrder]]:
        model = self._model
        for waveform in model.waveforms:
            known = model.frequencies if waveform is Waveform.AC else ()
            frequencies: list[Decimal | None] = [f.value for f in known]
            for frequency in frequencies or [None]:
                base = self._order(0, waveform, frequency)
                yield f"lowest set-points, {waveform}", base
                yield f"highest set-points, {waveform}", self._order(1, waveform, frequency)
        base = self._order(0, model.waveforms[0], self._frequency())
        yield "set-points off the grid", self._order(2, base.waveform, base.frequency)
        for limit in self._limits():
            for what, pick in (("lowest", 0), ("highest", 1), ("off the grid", 2)):
                value = _pick(band_of(model, limit), pick)
                one = replace(limit, value=value)
                rest = tuple(other for other in base.limits if not _collide(other, one))
                told = f"{limit.quantity} {limit.edge}, {what}"
                yield told, replace(base, limits=(*rest, one))
        if model.limits_during_rise != "never":
            yield "limits in the rise", replace(base, limits_during_rise=True)
        if model.flash_over is not None:
            for pick in (0, 1, 2):
                yield "flash-over", replace(base, flash_over=_pick(model.flash_over, pick))

    def _frequency(self) -> Decimal | None:
        model = self._model
        alternating = model.waveforms[0] is Waveform.AC and model.frequencies
        return model.frequencies[0].value if alternating else None

    def _order(self, pick: int, waveform: Waveform, frequency: Decimal | None) -> StepOrder:
        model = self._model

        def maybe(band: Band | None) -> Decimal | None:
            return None if band is None else _pick(band, pick)

        bare = StepOrder(
            self._kind,
            level=_pick(model.level, pick),
            waveform=waveform,
            dwell=_pick(model.dwell, pick),
            rise=maybe(model.rise),
            fall=maybe(model.fall),
            frequency=frequency,
        )
        return replace(bare, limits=self._needed(bare, pick))

    def _needed(self, order: StepOrder, pick: int) -> tuple[LimitOrder, ...]:
        """Limits that the set-up can't do without."""
        found: list[LimitOrder] = []
        for limit in self._limits():
            text = f"{limit.quantity} {limit.edge}"
            open_ = {
                name
                for template in self._sent(self._values(order))
                for name in direct_fields(limit, order)
                if name in template.fields and not template.optional(name)
            }
            taken = any(_collide(other, limit) for other in found)
            if (text in self._model.required_limits or open_) and not taken:
                found.append(replace(limit, value=_pick(band_of(self._model, limit), pick)))
        return tuple(found)

    def _limits(self) -> Iterator[LimitOrder]:
        for quantity, limit in self._model.limits.items():
            for edge, band in ((Edge.AT_LEAST, limit.at_least), (Edge.AT_MOST, limit.at_most)):
                if band is not None:
                    yield LimitOrder(quantity, edge, _pick(band, 0))

    # ---- what became of them

    def _values(self, order: StepOrder) -> dict[str, Any]:
        return dict(order_values(order, first_slot=self._first, steps=1)) | dict(self._relays)

    def _sent(self, values: Any) -> tuple[Template, ...]:
        return tuple(e.send for e in self._applying(values) if e.send is not None)

    def _applying(self, values: Any) -> Iterator[CompiledExchange]:
        for exchange in self._setup:
            if exchange.applies(values):
                yield from exchange.select
                yield exchange

    def _moved(self, what: str, asked: StepOrder, order: StepOrder) -> Iterator[Trouble]:
        """Set-points may go up and limits may tighten, nothing else."""
        for name in ("level", "rise", "dwell", "fall"):
            before, after = getattr(asked, name), getattr(order, name)
            if before is not None and after is not None and after < before:
                yield self._trouble(what, f"{name} {before:f} carried as {after:f}")
        for old, new in zip(asked.limits, order.limits, strict=True):
            loosened = new.value < old.value if old.edge is Edge.AT_LEAST else new.value > old.value
            if loosened:
                told = f"{old.quantity} {old.edge} {old.value:f} carried as {new.value:f}"
                yield self._trouble(what, told)

    def _travels(self, what: str, order: StepOrder) -> Iterator[Trouble]:
        """Every message of the set-up, there and back, and the answer of its read-back."""
        values = self._values(order)
        for exchange in self._applying(values):
            templates = [] if exchange.send is None else [exchange.send]
            templates += [t for t in exchange.reply_templates() if set(t.fields) <= set(values)]
            for template in templates:
                if named_fields(template.text) & {"items"}:
                    continue
                yield from self._round_trip(what, template, values)

    def _round_trip(
        self, what: str, template: Template, values: dict[str, Any]
    ) -> Iterator[Trouble]:
        rounding = {name: FIELDS[name].rounding for name in template.fields}
        try:
            raw = template.render(values, rounding=rounding)
        except CannotCarry as error:
            yield self._trouble(what, f"{template.text!r}: {error}")
            return
        self.samples += 1
        read = template.parse(raw)
        if read is None:
            yield self._trouble(what, f"{raw!r}, which {template.text!r} doesn't read back")
            return
        for name in template.fields:
            derived = FIELDS[name].derived and FIELDS[name].dimension is not None
            if not derived and name in values and read[name] != values[name]:
                yield self._trouble(what, f"{raw!r}: {name} {read[name]} for {values[name]}")

    def _trouble(self, what: str, found: str) -> Trouble:
        expected = "set-points that travel to the wire and back"
        remedy = "widen the field, correct its unit, or narrow the range"
        return Trouble((*self._place, "setup"), f"{self._kind}, {what}", found, expected, remedy)


def _pick(band: Band | None, pick: int) -> Decimal:
    """0: lowest, 1: highest, 2: off the grid."""
    if band is None:
        return Decimal(1)
    if band.range is None:
        return Decimal(0) if band.fixed is None else band.fixed.value
    least, most = band.range[0].value, band.range[1].value
    if pick < 2:
        return (least, most)[pick]
    step = (most - least) / 100 if band.resolution is None else band.resolution.value
    return min(least + step * (1 + OFF_GRID), most)


def _collide(one: LimitOrder, other: LimitOrder) -> bool:
    """Whether two limits would have to share one place on the wire."""
    both = {one.quantity.value, other.quantity.value}
    currents = all(quantity.endswith(_LIMITS_OF_CURRENT) for quantity in both)
    return one.edge is other.edge and (one.quantity is other.quantity or currents)
