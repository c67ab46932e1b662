"""The bytes that a bound program would send: what a person checks against the manual.

Nothing is sent. Queries (status, results, errors) are left out, except those that read a setting
back; so is whatever depends on an answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from drivers.adapters.contacts import Layout, Point, Scope
from drivers.language.compiled_matrix import CompiledMatrix, compile_matrix
from drivers.language.compiled_tester import CompiledTester, compile_tester
from drivers.language.derived import order_values
from drivers.language.exchanges import CompiledExchange
from drivers.language.framing import WireFraming
from drivers.language.profile_matrix import ListCommand, MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.documents import Document
from orchestrator.model.schedule import Batch, Route, Schedule, StepOrder

Line = tuple[str, bytes]
_ON: Mapping[str, Any] = {"armed": "on", "remote": "on", "switch": "on"}


@dataclass(frozen=True)
class FittedTester:
    """A tester as the station uses it. ``units``: of the relays that it switches itself."""

    document: Document[TesterProfile]
    units: Mapping[str, int | None] = field(default_factory=dict)


@dataclass(frozen=True)
class FittedChain:
    """A chain of relay units: unit → address; ``carried_by``: the tester that carries it."""

    document: Document[MatrixProfile]
    units: Mapping[str, int | None]
    carried_by: str | None = None


def wire_preview(
    testers: Mapping[str, FittedTester], chains: Mapping[str, FittedChain], schedule: Schedule
) -> list[Line]:
    """Name of the exchange and its bytes, batch by batch: set-up, routes, start, stop.

    Raises:
        Refused: a profile that doesn't compile. CannotCarry: an order that wasn't quantised.
    """
    made = {name: compile_tester(fitted.document) for name, fitted in testers.items()}
    lines: list[Line] = []
    for name in sorted({batch.tester for batch in schedule.batches}):
        lines += _once(name, made[name])
    for number, batch in enumerate(schedule.batches, 1):
        before = f"batch {number}, "
        tester = made[batch.tester]
        units = testers[batch.tester].units
        lines += [(before + what, data) for what, data in _set_up(tester, units, batch)]
        for chain, fitted in chains.items():
            carrier = None if fitted.carried_by is None else made[fitted.carried_by]
            for what, data in _route(chain, fitted, batch.route):
                lines.append((before + what, data if carrier is None else _carried(carrier, data)))
        lines += [(before + what, data) for what, data in _run(batch.tester, tester, batch)]
    return lines


@dataclass(frozen=True)
class _Wire:
    """Framing, with what every message of an instrument carries (its station address)."""

    framing: WireFraming
    given: Mapping[str, Any] = field(default_factory=dict)

    def wrap(self, body: bytes, values: Mapping[str, Any]) -> bytes:
        return self.framing.wrap(body, {**self.given, **values})


def _wire(made: CompiledTester) -> _Wire:
    address = made.profile.link.address
    return _Wire(made.framing, {} if address is None else {"unit": address})


def _message(framing: _Wire, exchange: CompiledExchange, values: Mapping[str, Any]) -> bytes:
    if exchange.raw is not None or exchange.send is None:
        return exchange.raw or b""
    return framing.wrap(exchange.send.render(values), values)


def _held(
    what: str,
    framing: _Wire,
    exchanges: Iterable[CompiledExchange],
    values: Mapping[str, Any],
) -> Iterator[Line]:
    """The messages of exchanges that apply, selections before, read-backs behind."""
    for number, exchange in enumerate(exchanges, 1):
        if not exchange.applies(values):
            continue
        name = f"{what}[{number}]"
        yield from _held(f"{name}.select", framing, exchange.select, values)
        yield name, _message(framing, exchange, values)
        back = exchange.read_back
        if back is not None:
            yield f"{name}.read_back", framing.wrap(back.send.render(values), values)


# ---- testers ------------------------------------------------------------------------------------


def _once(name: str, made: CompiledTester) -> Iterator[Line]:
    yield from _held(f"tester {name}: enter", _wire(made), made.enter, _ON)
    yield from _held(f"tester {name}: arm", _wire(made), made.arm, _ON)


def _set_up(made: CompiledTester, units: Mapping[str, int | None], batch: Batch) -> Iterator[Line]:
    profile, framing, name = made.profile, _wire(made), batch.tester
    steps, memory = len(batch.steps), profile.memory
    orders = [step.order.in_slot(place) for place, step in enumerate(batch.steps)]
    whole = [_values(made, units, order, steps) for order in orders]
    yield from _held(f"tester {name}: clear", framing, made.clear, {})
    tail = list(_tail(made, name, whole))
    if memory is not None and memory.clear_first:
        yield from tail
    for step, order, values in zip(batch.steps, orders, whole, strict=True):
        what = f"step {step.name!r}, tester {name}: setup"
        for number, exchange in enumerate(made.kinds[step.kind].setup, 1):
            for turn in _turns(made, units, exchange, order, values):
                for _, data in _held(what, framing, (exchange,), turn):
                    yield f"{what}[{number}]", data
    if memory is not None and not memory.clear_first:
        yield from tail
    for step, values in zip(batch.steps, whole, strict=True):
        stored = made.kinds[step.kind].stored
        if stored is not None:
            yield f"tester {name}: stored", _message(framing, stored, values)
    if made.count is not None:
        yield f"tester {name}: count", _message(framing, made.count, {})


def _tail(made: CompiledTester, name: str, whole: list[dict[str, Any]]) -> Iterator[Line]:
    memory = made.profile.memory
    if memory is None or (len(whole) >= memory.slots and not memory.clear_first):
        return
    slot = memory.first if memory.clear_first else memory.first + len(whole)
    last = memory.first + memory.slots - 1
    values = {"next_slot": slot, "steps": len(whole), "slot": last}
    yield from _held(f"tester {name}: clear_tail", _wire(made), made.clear_tail, values)


def _layout(made: CompiledTester) -> Layout | None:
    routing = made.profile.routing
    if routing is None:
        return None
    return Layout(
        routing.banks,
        numbering=routing.numbering,
        chain=routing.chain,
        items=routing.items,
        dialect=made.dialect,
    )


def _points(route: Route, units: Mapping[str, int | None]) -> tuple[Point, ...]:
    return tuple(
        Point(units.get(c.unit), c.bank, c.channel, c.role.value) for c in sorted(route.contacts)
    )


def _values(
    made: CompiledTester, units: Mapping[str, int | None], order: StepOrder, steps: int
) -> dict[str, Any]:
    memory, layout = made.profile.memory, _layout(made)
    first = 0 if memory is None else memory.first
    values = dict(order_values(order, first_slot=first, steps=steps))
    if layout is not None:
        addresses = tuple(units.values())
        scope = Scope(address=addresses[0] if len(addresses) == 1 else None)
        values |= layout.values(scope, _points(order.route, units))
    return values


def _turns(
    made: CompiledTester,
    units: Mapping[str, int | None],
    exchange: CompiledExchange,
    order: StepOrder,
    values: dict[str, Any],
) -> Iterator[dict[str, Any]]:
    layout = _layout(made)
    if layout is None or not exchange.model.for_each:
        yield values
        return
    points = _points(order.route, units)
    addresses = tuple(units.values()) or (None,)
    for scope in layout.scopes(exchange.model.for_each, addresses, points):
        yield values | dict(layout.values(scope, points))


def _run(name: str, made: CompiledTester, batch: Batch) -> Iterator[Line]:
    first = batch.steps[0].order if batch.steps else None
    values = {} if first is None else _values(made, {}, first, len(batch.steps))
    yield f"tester {name}: start", _message(_wire(made), made.start, values)
    for number, data in enumerate(made.stop_bytes, 1):
        yield f"tester {name}: stop[{number}], at any time", data


# ---- routes -------------------------------------------------------------------------------------


def _route(name: str, fitted: FittedChain, route: Route) -> Iterator[Line]:
    made = compile_matrix(fitted.document)
    points = _points(route.of_chain(name), fitted.units)
    layout = Layout(
        made.profile.banks,
        numbering=made.profile.numbering,
        chain=made.profile.chain,
        items=made.profile.items,
        dialect=made.dialect,
    )
    addresses = tuple(fitted.units.values())
    for block in ("apply", "close"):
        exchanges: tuple[CompiledExchange, ...] = getattr(made, block)
        for number, exchange in enumerate(exchanges, 1):
            what = f"chain {name}: {block}[{number}]"
            narrowed = points if block == "close" else None
            for scope in layout.scopes(exchange.model.for_each, addresses, narrowed):
                for inside in _chunks(exchange, scope, points, whole=block == "apply"):
                    values = layout.values(scope, inside)
                    if exchange.applies(values):
                        yield what, _message(_Wire(made.framing), exchange, values)
    yield from _open_all(name, made, layout, addresses)


def _chunks(
    exchange: CompiledExchange, scope: Scope, points: tuple[Point, ...], *, whole: bool
) -> Iterator[tuple[Point, ...]]:
    inside = tuple(sorted(point for point in points if scope.holds(point)))
    if whole:
        yield inside
        return
    most = exchange.model.at_most if isinstance(exchange.model, ListCommand) else None
    size = most or max(len(inside), 1)
    for start in range(0, len(inside), size):
        yield inside[start : start + size]


def _open_all(
    name: str, made: CompiledMatrix, layout: Layout, addresses: tuple[int | None, ...]
) -> Iterator[Line]:
    for number, exchange in enumerate(made.open_all, 1):
        for scope in layout.scopes(exchange.model.for_each, addresses):
            what = f"chain {name}: open_all[{number}], once discharged"
            yield what, _message(_Wire(made.framing), exchange, layout.values(scope, ()))


def _carried(carrier: CompiledTester, data: bytes) -> bytes:
    carry = carrier.carry
    if carry is None:
        return data
    payload = data.removesuffix(carry.inner_end) if carry.stripped else data
    values = {"payload": payload.decode("latin-1")}
    return _message(_wire(carrier), carry.exchange, values)
