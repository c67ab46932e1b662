"""The set-ups of a tester tried: made-up values sent, read back, never started."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from drivers.adapters.contacts import Layout
from drivers.adapters.setting_up import SetUp
from drivers.language.compiled_tester import CompiledKind, CompiledTester, dimensions_of
from drivers.language.exchanges import CompiledExchange, Place
from drivers.language.profile_tester import Memory
from drivers.language.trying_exchange import Course, Trying
from drivers.language.trying_matching import shown
from drivers.language.trying_orders import trial_orders
from orchestrator.contract import CannotCarry
from orchestrator.model.schedule import Contact, Route, StepOrder
from orchestrator.model.words import Role, StepKind

if TYPE_CHECKING:
    from drivers.adapters.tester import ProfileTester

NO_RESULT = "no result stands, nothing was started"
_NOT_SET = {"unit", "slot", "next_slot", "steps"}


class SetUps:
    """Set-ups of every kind. ``sender``: values, loops and the error report of the tester."""

    def __init__(self, trying: Trying, made: CompiledTester, adapter: ProfileTester) -> None:
        self._trying, self._made, self._adapter = trying, made, adapter
        routing = made.profile.routing
        layout, units = None, dict[str, int | None]()
        if routing is not None:
            layout = Layout(
                routing.banks,
                numbering=routing.numbering,
                chain=routing.chain,
                items=routing.items,
                dialect=made.dialect,
            )
            units["u1"] = None if routing.chain is None else routing.chain.addresses[0]
            adapter.use_relays(units)
        self.sender = SetUp(made, adapter.talk, layout, units)

    def kind(self, kind: StepKind, *, relays: bool) -> None:
        """Try one kind: middle values exchange by exchange, the ends of the level as a whole."""
        made, trying = self._made.kinds[kind], self._trying
        place: Place = ("kinds", kind.value)
        if self._made.profile.routing is not None and not relays:
            why = "not tried: its set-up holds relays; add --relays once nothing is connected"
            trying.skip(f"{kind}, set-up", (*place, "setup"), why)
            return
        route = self._route()
        last: StepOrder | None = None
        for number, (label, order) in enumerate(
            trial_orders(kind, made.model, self._adapter.quantise, route)
        ):
            if isinstance(order, CannotCarry):
                why = f"no made-up order fits the wire: {order}"
                trying.skip(f"{kind}, {label}", place, why)
                continue
            last = order
            trying.sent, trying.refused_fields = {}, set()
            if number == 0:
                trying.read_fields = set()
                self._one_by_one(kind, made, order, label)
                self._unread(kind, made, order)
            else:
                self._whole(kind, made, order, label)
        if last is not None:
            self._results(kind, made, last)

    def _route(self) -> Route:
        routing = self._made.profile.routing
        if routing is None:
            return Route()
        name, bank = next(iter(routing.banks.items()))
        first, last = bank.channels
        ends = ((first, Role.SOURCE), (last, Role.RETURN))
        return Route(frozenset(Contact("own", "u1", name, c, role) for c, role in ends))

    # ---- one order

    def _one_by_one(self, kind: StepKind, made: CompiledKind, order: StepOrder, label: str) -> None:
        for what, place, exchange, values in self._exchanges(kind, made, order):
            if exchange.retry == "acts":
                self._trying.skip(f"{kind}, {what}", place, "not sent: class acts")
                continue
            course = Course()
            self._hold(course, exchange, values, kind)
            sent = _values_shown(exchange, values, kind)
            course.parsed = [*sent, *course.parsed]
            self._trying.note(f"{kind}, {what}, {label}", place, course)

    def _whole(self, kind: StepKind, made: CompiledKind, order: StepOrder, label: str) -> None:
        """All exchanges as one item; what goes wrong in any of them is told."""
        course = Course()
        for what, _, exchange, values in self._exchanges(kind, made, order):
            if exchange.retry == "acts":
                continue
            before = len(course.told)
            self._hold(course, exchange, values, kind)
            course.told[before:] = [f"{what}: {told}" for told in course.told[before:]]
            if course.error is not None and course.unread:
                break
        place: Place = ("kinds", kind.value, "level")
        self._trying.note(f"{kind}, whole set-up, {label}", place, course)

    def _hold(
        self,
        course: Course,
        exchange: CompiledExchange,
        values: Mapping[str, Any],
        kind: StepKind,
    ) -> None:
        self._trying.hold(course, exchange, values, dimensions_of(kind))
        if course.refused and course.told:
            fields = () if exchange.send is None else exchange.send.fields
            within = [n for n in fields if n not in _NOT_SET]
            if within:
                hint = f"{', '.join(within)} lay within the profile's range: range, unit or scale"
                course.told.append(hint + " may be wrong")
            course.refused = False

    def _exchanges(
        self, kind: StepKind, made: CompiledKind, order: StepOrder
    ) -> list[tuple[str, Place, CompiledExchange, Mapping[str, Any]]]:
        """Everything that setting up this one step sends, in order."""
        memory = self._made.profile.memory
        base = self.sender.values(order)
        tail = self._tail(memory)
        found = list(tail) if memory is not None and memory.clear_first else []
        place: Place = ("kinds", kind.value, "setup")
        for number, exchange in enumerate(made.setup):
            for values in self.sender.turns(exchange, order, 1):
                if exchange.applies(values):
                    found.append((f"setup {number + 1}", (*place, number), exchange, values))
        if memory is not None and not memory.clear_first:
            found += tail
        if made.stored is not None:
            own = made.model.stored is not None
            at: Place = ("kinds", kind.value, "stored") if own else ("memory", "stored")
            found.append(("stored", at, made.stored, base))
        if self._made.count is not None:
            counted = {"count": 1}
            found.append(("count", ("memory", "count"), self._made.count, counted))
        return found

    def _tail(
        self, memory: Memory | None
    ) -> list[tuple[str, Place, CompiledExchange, Mapping[str, Any]]]:
        if memory is None or (memory.slots <= 1 and not memory.clear_first):
            return []
        slot = memory.first if memory.clear_first else memory.first + 1
        values = {"next_slot": slot, "steps": 1, "slot": memory.first + memory.slots - 1}
        return [
            ("clear_tail", ("memory", "clear_tail", number), exchange, values)
            for number, exchange in enumerate(self._made.clear_tail)
            if exchange.applies(values)
        ]

    # ---- what the set-up leaves open

    def _unread(self, kind: StepKind, made: CompiledKind, order: StepOrder) -> None:
        values = self.sender.values(order)
        set_up = {
            name
            for exchange in made.setup
            if exchange.send is not None
            for name in exchange.send.fields
            if name not in _NOT_SET and values.get(name) is not None
        }
        unread = sorted(set_up - self._trying.read_fields)
        if unread:
            why = f"nothing reads back: {', '.join(unread)}"
            self._trying.skip(f"{kind}, read-backs", ("kinds", kind.value, "setup"), why)

    def _results(self, kind: StepKind, made: CompiledKind, order: StepOrder) -> None:
        """Result and live reading: templates that only a run can prove."""
        values = self.sender.values(order)
        for name, exchange, own in (
            ("live", made.live, made.model.live),
            ("result", made.result, made.model.result),
        ):
            if exchange is None or exchange.retry == "acts":
                continue
            place: Place = (*(("kinds", kind.value) if own is not None else ()), name)
            # What stands in a result that nothing was measured for isn't compared with the order.
            told = {n for n in values if exchange.sends(n) or n in exchange.model.same}
            self._trying.refused_fields = set(values) - told
            course = Course()
            self._trying.hold(course, exchange, values, dimensions_of(kind), may_refuse=NO_RESULT)
            if course.outcome == "failed" and course.unread:
                course.outcome = "not proved"
                course.told.append(NO_RESULT)
            self._trying.note(f"{kind}, {name}", place, course)


def _values_shown(
    exchange: CompiledExchange, values: Mapping[str, Any], kind: StepKind
) -> list[tuple[str, str]]:
    fields = () if exchange.send is None else exchange.send.fields
    dimensions = dimensions_of(kind)
    return [(f"{name} sent", shown(name, values.get(name), dimensions)) for name in fields]
