"""Made-up orders for a trial: values within the profile's ranges, told apart on the wire.

They are sent as set-ups and never started. Rise, dwell, fall and limits differ from each other, so
that two fields that are changed over show.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Context, Decimal

from drivers.language.derived import main_quantity
from drivers.language.profile_common import Band
from drivers.language.profile_tester import KindModel, LimitModel
from orchestrator.contract import CannotCarry
from orchestrator.model.schedule import LimitOrder, Route, StepOrder
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

_CONTEXT = Context(prec=30)
_TWO = Context(prec=2)
NO_ROUTE = Route()
RISE_S, DWELL_S, FALL_S = Decimal("1.3"), Decimal("2.7"), Decimal("1.9")


def trial_orders(
    kind: StepKind,
    model: KindModel,
    quantise: Callable[[StepOrder], StepOrder],
    route: Route = NO_ROUTE,
) -> Iterator[tuple[str, StepOrder | CannotCarry]]:
    """Label and order: in the middle of every range, then the level at either end of its own.

    Where no order fits the wire, the reason stands in its place.
    """
    for label, level in _levels(model.level):
        yield label, _first_that_fits(_candidates(kind, model, level, route), quantise)


def _levels(band: Band) -> Iterator[tuple[str, Decimal]]:
    if band.range is None:
        if band.fixed is not None:
            yield "fixed level", band.fixed.value
        return
    low, high = band.range[0].value, band.range[1].value
    yield "level in the middle", _middle(low, high)
    yield "level at its lowest", low
    yield "level at its highest", high


def _first_that_fits(
    candidates: Iterator[StepOrder], quantise: Callable[[StepOrder], StepOrder]
) -> StepOrder | CannotCarry:
    why = CannotCarry("level", "no candidate", "an order within the ranges", "check the ranges")
    first = True
    for candidate in candidates:
        try:
            return quantise(candidate)
        except CannotCarry as error:
            why, first = (error if first else why), False
    return why


def _candidates(
    kind: StepKind, model: KindModel, level: Decimal, route: Route
) -> Iterator[StepOrder]:
    """The fullest order first; then with less, for instruments that take no more."""
    waveform = model.waveforms[0]
    base = StepOrder(
        kind=kind,
        level=level,
        waveform=waveform,
        dwell=_time(model.dwell, DWELL_S) or DWELL_S,
        rise=_time(model.rise, RISE_S),
        fall=_time(model.fall, FALL_S),
        frequency=model.frequencies[0].value
        if model.frequencies and waveform is Waveform.AC
        else None,
        route=route,
    )
    for limits in _limit_sets(kind, model):
        for rise in dict.fromkeys((base.rise, *_other_rises(model, level), None)):
            order = replace(base, limits=limits, rise=rise)
            yield order
            if order.fall is not None:
                yield replace(order, fall=None)
            if model.flash_over is not None and model.flash_over.range is not None:
                low, high = model.flash_over.range
                yield replace(order, flash_over=_middle(low.value, high.value))


def _other_rises(model: KindModel, level: Decimal) -> Iterator[Decimal]:
    """Rises that keep a slope in its range."""
    band = model.derived.get("slope")
    if band is not None and band.range is not None:
        slope = _middle(band.range[0].value, band.range[1].value)
        yield _CONTEXT.divide(level, slope).quantize(Decimal("0.1"))
    if model.rise is not None and model.rise.range is not None:
        yield model.rise.range[1].value
        yield model.rise.range[0].value


def _limit_sets(kind: StepKind, model: KindModel) -> Iterator[tuple[LimitOrder, ...]]:
    main = main_quantity(kind)
    required = {tuple(text.split(" ")) for text in model.required_limits}
    both = [
        (quantity, edge)
        for quantity, limits in model.limits.items()
        for edge in Edge
        if getattr(limits, edge.value) is not None
    ]
    needed = [pair for pair in both if (str(pair[0]), str(pair[1])) in required]
    mains = [pair for pair in both if pair[0] is main]
    choices = [mains + [pair for pair in needed if pair not in mains], needed]
    choices += [[*needed, pair] for pair in both if pair not in needed]
    for chosen in choices:
        yield tuple(_limit(model.limits[quantity], quantity, edge) for quantity, edge in chosen)


def _limit(limits: LimitModel, quantity: Measured, edge: Edge) -> LimitOrder:
    """At least lies a third of the way up its range (by factors), at most two thirds."""
    band = limits.at_least if edge is Edge.AT_LEAST else limits.at_most
    if band is None:
        raise ValueError(f"{quantity} has no limit {edge}")
    if band.range is None:
        return LimitOrder(quantity, edge, Decimal(0) if band.fixed is None else band.fixed.value)
    low, high = band.range[0].value, band.range[1].value
    middle = _middle(low, high)
    value = _middle(low, middle) if edge is Edge.AT_LEAST else _middle(middle, high)
    return LimitOrder(quantity, edge, value)


def _time(band: Band | None, wish: Decimal) -> Decimal | None:
    if band is None:
        return None
    if band.range is None:
        return None if band.fixed is None else band.fixed.value
    return min(max(wish, band.range[0].value), band.range[1].value)


def _middle(low: Decimal, high: Decimal) -> Decimal:
    """Between the two by factors, with two digits; never outside of them."""
    if low <= 0 or low == high:
        value = _CONTEXT.divide(_CONTEXT.add(low, high), Decimal(2))
    else:
        value = _CONTEXT.sqrt(_CONTEXT.multiply(low, high))
    rounded = _TWO.plus(value)
    return rounded if low <= rounded <= high else value
