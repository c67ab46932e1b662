"""Set-points as the wire and the instrument carry them: the wire's rounding is the truth.

Levels and times go up to the next value that can be carried, limits tighten. A value that travels
in several messages must come out the same in all of them. Figures that are sent derived (a slope,
a limit on current for a limit on resistance) are rounded in their own quantity to the safe side
and reckoned back, so that the order says what the instrument will really do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Context, Decimal
from typing import Any

from drivers.language.derived import main_quantity, order_values
from drivers.language.fields import FIELDS
from drivers.language.profile_common import Band
from drivers.language.profile_tester import KindModel
from drivers.language.templates import Template
from orchestrator.contract import CannotCarry
from orchestrator.model.schedule import LimitOrder, StepOrder
from orchestrator.model.words import Edge, Measured, Waveform

_EXACT = Context(prec=200)
_FLOOR, _CEILING = Context(prec=28, rounding=ROUND_FLOOR), Context(prec=28, rounding=ROUND_CEILING)
_PASSES = 8

Templates = Callable[[Mapping[str, Any]], tuple[Template, ...]]


@dataclass(frozen=True, slots=True)
class Quantiser:
    """Quantises orders of one kind.

    Args:
        templates: those that go out for an order with these values.
        values: every value of an order, the route's included.
    """

    model: KindModel
    templates: Templates
    values: Callable[[StepOrder], Mapping[str, Any]] = order_values

    def quantise(self, order: StepOrder) -> StepOrder:
        """The order as it will be carried. Raises CannotCarry."""
        self._check_asked(order)
        order = self._with_fixed_times(order)
        for _ in range(_PASSES):
            carried = self._pass(order)
            if carried == order:
                break
            order = carried
        else:
            expected = "values that all messages of the set-up can carry alike"
            raise CannotCarry("level", "values that never agree", expected, "correct the profile")
        self._check_ranges(order)
        values = self.values(order)
        for template in self.templates(values):
            _told(order, lambda template=template: template.render(values))  # type: ignore[misc]
        return order

    def _with_fixed_times(self, order: StepOrder) -> StepOrder:
        """A whole time on the wire holds the fixed times too, whether asked for or not."""
        if not any("total_time" in template.fields for template in self._sent(order)):
            return order
        rise, fall = self.model.rise, self.model.fall
        if order.rise is None and rise is not None and rise.fixed is not None:
            order = replace(order, rise=rise.fixed.value)
        if order.fall is None and fall is not None and fall.fixed is not None:
            order = replace(order, fall=fall.fixed.value)
        return order

    # ---- one pass

    def _pass(self, order: StepOrder) -> StepOrder:
        model = self.model
        order = replace(order, level=self._up("level", order.level, model.level, order))
        order = self._derived_times(order)
        order = replace(
            order,
            rise=self._time("rise", order.rise, model.rise, order),
            dwell=self._up("dwell", order.dwell, model.dwell, order),
            fall=self._time("fall", order.fall, model.fall, order),
            settle=self._settle(order),
            flash_over=self._flash_over(order),
        )
        return replace(order, limits=tuple(self._limit(limit, order) for limit in order.limits))

    def _up(self, name: str, value: Decimal, band: Band | None, order: StepOrder) -> Decimal:
        if band is not None and band.fixed is not None:
            if value > band.fixed.value:
                raise CannotCarry(name, f"{value:f}", f"at most {band.fixed}, fixed", "lower it")
            value = band.fixed.value
        return self._carried(name, value, _step(band), order, up=True)

    def _time(
        self, name: str, value: Decimal | None, band: Band | None, order: StepOrder
    ) -> Decimal | None:
        return None if value is None else self._up(name, value, band, order)

    def _settle(self, order: StepOrder) -> Decimal | None:
        if order.settle is None:
            return None
        return self._carried("settle", order.settle, None, order, up=True)

    def _flash_over(self, order: StepOrder) -> Decimal | None:
        if order.flash_over is None:
            return None
        step = _step(self.model.flash_over)
        return self._carried("flash_over", order.flash_over, step, order, up=False)

    def _limit(self, limit: LimitOrder, order: StepOrder) -> LimitOrder:
        up = limit.edge is Edge.AT_LEAST
        step = _step(band_of(self.model, limit))
        value = limit.value
        for name in direct_fields(limit, order):
            value = _told(order, self._carrying(name, value, step, order, up=up), limit)
        for name in derived_fields(limit):
            value = self._reckoned(name, value, order, limit)
        return replace(limit, value=value)

    def _carrying(
        self, name: str, value: Decimal, step: Decimal | None, order: StepOrder, *, up: bool
    ) -> Callable[[], Decimal]:
        return lambda: self._carried(name, value, step, order, up=up)

    def _carried(
        self, name: str, value: Decimal, step: Decimal | None, order: StepOrder, *, up: bool
    ) -> Decimal:
        """The next value that the instrument and every message can carry."""
        carriers = [t for t in self._sent(order) if name in t.fields]
        for _ in range(_PASSES):
            before = value
            value = _on_step(value, step, up=up)
            for template in carriers:
                value = template.carried(name, value, up=up)
            if value == before:
                return value
        expected = "a value that all messages of the set-up carry alike"
        raise CannotCarry(name, f"{value:f}", expected, "ask for a rounder value")

    def _sent(self, order: StepOrder) -> tuple[Template, ...]:
        return self.templates(self.values(order))

    # ---- derived figures

    def _reckoned(self, name: str, value: Decimal, order: StepOrder, limit: LimitOrder) -> Decimal:
        """A limit out of what the wire carries in its place."""
        moved = replace(order, limits=(replace(limit, value=value),))
        figure = order_values(moved)[name]
        if not isinstance(figure, Decimal) or not any(name in t.fields for t in self._sent(order)):
            return value
        up = FIELDS[name].rounding == "up"
        wire = _told(order, self._carrying(name, figure, None, order, up=up), limit)
        if wire == figure:
            return value
        if not wire:
            expected = "a limit that doesn't vanish on the wire"
            raise CannotCarry(_name(limit), f"{value:f}", expected, "move the limit")
        product = name.startswith("limit_drop")
        # Rounded so that reckoning forward again lands on the wire's figure, not one beside it.
        context = _CEILING if up is not product else _FLOOR
        dividend, divisor = (wire, order.level) if product else (order.level, wire)
        return context.divide(dividend, divisor)

    def _derived_times(self, order: StepOrder) -> StepOrder:
        values = order_values(order)
        sent = {name for template in self._sent(order) for name in template.fields}
        if "peak_level" in sent and order.waveform is Waveform.AC:
            peak = values["peak_level"]
            wire = self._carried("peak_level", peak, None, order, up=True)
            if wire != peak:
                order = replace(order, level=_FLOOR.divide(wire, _EXACT.sqrt(Decimal(2))))
        for name, attribute in (("slope", "rise"), ("fall_slope", "fall")):
            slope = values[name]
            if name in sent and slope is not None:
                wire = self._carried(name, slope, None, order, up=False)
                if not wire:
                    remedy = f"shorten {attribute}"
                    raise CannotCarry(attribute, f"{slope:f} V/s", "a slope above 0", remedy)
                if wire != slope:
                    time = _FLOOR.divide(order.level, wire)
                    rising = attribute == "rise"
                    order = replace(order, rise=time) if rising else replace(order, fall=time)
        if "total_time" in sent:
            total = order_values(order)["total_time"]  # with the rise that the slope makes
            wire = self._carried("total_time", total, None, order, up=True)
            longer = _EXACT.subtract(wire, total)
            order = replace(order, dwell=_EXACT.add(order.dwell, longer))
        return order

    # ---- what can't be carried at all

    def _check_asked(self, order: StepOrder) -> None:
        model = self.model
        if order.waveform not in model.waveforms:
            expected = " or ".join(model.waveforms)
            raise CannotCarry("waveform", order.waveform, expected, "choose another waveform")
        if order.waveform is Waveform.AC and model.frequencies:
            known = [f.value for f in model.frequencies]
            if order.frequency not in known:
                expected = " or ".join(map(str, model.frequencies))
                found = "none" if order.frequency is None else f"{order.frequency:f} Hz"
                raise CannotCarry("frequency", found, expected, "choose one of these")
        if order.limits_during_rise and model.limits_during_rise == "never":
            remedy = "take limits_during_rise out, or use another tester"
            raise CannotCarry("limits_during_rise", "yes", "no: it can't judge the rise", remedy)
        for text in model.required_limits:
            quantity, _, edge = text.partition(" ")
            if order.limit(Measured(quantity), Edge(edge)) is None:
                what = f"accept.{quantity}.{edge}"
                raise CannotCarry(what, "no limit", "a limit, which this tester needs", "add it")
        self._check_carriers(order)

    def _check_carriers(self, order: StepOrder) -> None:
        """Nothing asked may get lost because no message has a place for it."""
        sent = {name for template in self._sent(order) for name in template.fields}
        for limit in order.limits:
            names = {*direct_fields(limit, order), *derived_fields(limit)}
            if not names & sent:
                remedy = "drop the limit or use a tester that judges it"
                raise CannotCarry(_name(limit), f"{limit.value:f}", "no such limit", remedy)
        for name, value, band, names in (
            ("rise", order.rise, self.model.rise, {"rise", "slope", "total_time"}),
            ("fall", order.fall, self.model.fall, {"fall", "fall_slope", "total_time"}),
            ("flash_over", order.flash_over, self.model.flash_over, {"flash_over"}),
        ):
            fixed = band is not None and band.fixed is not None
            if value is not None and not names & sent and not fixed:
                raise CannotCarry(name, f"{value:f}", "nothing: it can't be set", "leave it out")

    def _check_ranges(self, order: StepOrder) -> None:
        model = self.model
        for name, value, band in (
            ("level", order.level, model.level),
            ("rise", order.rise, model.rise),
            ("dwell", order.dwell, model.dwell),
            ("fall", order.fall, model.fall),
            ("flash_over", order.flash_over, model.flash_over),
        ):
            _in_range(name, value, band)
        if model.indefinite_dwell is not None and order.dwell == model.indefinite_dwell.value:
            raise CannotCarry("dwell", f"{order.dwell:f} s", "a definite dwell", "set a dwell")
        for limit in order.limits:
            _in_range(_name(limit), limit.value, band_of(model, limit))
        reckoned = order_values(order)
        for name, band in model.derived.items():
            _told(order, lambda n=name, b=band: _in_range(n, reckoned[n], b))  # type: ignore[misc]


def band_of(model: KindModel, limit: LimitOrder) -> Band | None:
    """The declared range of a limit."""
    limits = model.limits.get(limit.quantity)
    if limits is None:
        return None
    return limits.at_least if limit.edge is Edge.AT_LEAST else limits.at_most


def direct_fields(limit: LimitOrder, order: StepOrder) -> tuple[str, ...]:
    """Fields that carry a limit as it is."""
    names = [f"{limit.quantity}_{limit.edge}"]
    if limit.quantity is main_quantity(order.kind):
        names.append(limit.edge.value)
    if limit.quantity in {Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT}:
        names.append(f"judged_current_{limit.edge}")
    return tuple(names)


def derived_fields(limit: LimitOrder) -> tuple[str, ...]:
    """Fields that carry a limit as another quantity."""
    other = Edge.AT_MOST if limit.edge is Edge.AT_LEAST else Edge.AT_LEAST
    if limit.quantity is Measured.RESISTANCE:
        return (f"limit_current_{other}", f"limit_drop_{limit.edge}")
    if limit.quantity is Measured.TOTAL_CURRENT:
        return (f"limit_resistance_{other}",)
    return ()


def _name(limit: LimitOrder) -> str:
    return f"accept.{limit.quantity}.{limit.edge}"


def _step(band: Band | None) -> Decimal | None:
    return None if band is None or band.resolution is None else band.resolution.value


def _on_step(value: Decimal, step: Decimal | None, *, up: bool) -> Decimal:
    if not step:
        return value
    mode = ROUND_CEILING if up else ROUND_FLOOR
    count = _EXACT.divide(value, step).quantize(Decimal(1), rounding=mode, context=_EXACT)
    return _EXACT.multiply(count, step)


def _in_range(name: str, value: Decimal | None, band: Band | None) -> None:
    if value is None or band is None or band.range is None:
        return
    least, most = band.range
    if not least.value <= value <= most.value:
        remedy = "choose a value within the instrument's range"
        raise CannotCarry(name, f"{value:f}", f"{least} to {most}", remedy)


def _told(order: StepOrder, act: Callable[[], Any], limit: LimitOrder | None = None) -> Any:
    """Names the program's own limit where a field of the wire was at fault."""
    try:
        return act()
    except CannotCarry as error:
        limits: Iterable[LimitOrder] = order.limits if limit is None else (limit,)
        for one in limits:
            if error.field in {*direct_fields(one, order), *derived_fields(one)}:
                name = _name(one)
                raise CannotCarry(name, error.found, error.expected, error.remedy) from error
        raise
