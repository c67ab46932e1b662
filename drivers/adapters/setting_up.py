"""The whole set-up of a batch: clear, send, read back, count, ask for errors."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from drivers.adapters.comparison import differences
from drivers.adapters.contacts import Layout, Point, Scope
from drivers.adapters.conversation import Conversation
from drivers.language.compiled_tester import CompiledTester
from drivers.language.derived import order_values
from drivers.language.exchanges import CompiledExchange
from drivers.language.templates import Template
from orchestrator.contract import Talk
from orchestrator.errors import InstrumentRefused, SetupMismatch
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import StepKind, TesterState

Status = Callable[[], Talk[TesterState]]


class SetUp:
    """Sends set-ups of one tester.

    Args:
        layout: of the relays that the tester switches itself; units: unit → address.
    """

    def __init__(
        self,
        made: CompiledTester,
        talk: Conversation,
        layout: Layout | None,
        units: Mapping[str, int | None],
    ) -> None:
        self._made = made
        self._talk = talk
        self._layout = layout
        self.units = dict(units)
        self._last_values: tuple[StepOrder, int, Mapping[str, Any]] | None = None

    # ---- values of a step

    def values(self, order: StepOrder, steps: int = 1) -> Mapping[str, Any]:
        """Every field of an order; its route too, where the loops don't narrow it.

        Asked at every look at one order, so the last answer is kept; orders are frozen.
        """
        last = self._last_values
        if last is not None and last[0] is order and last[1] == steps:
            return last[2]
        values = self._values(order, steps)
        self._last_values = (order, steps, values)
        return values

    def _values(self, order: StepOrder, steps: int) -> Mapping[str, Any]:
        memory = self._made.profile.memory
        first = 0 if memory is None else memory.first
        values = dict(order_values(order, first_slot=first, steps=steps))
        if self._layout is not None:
            values |= self._layout.values(self._whole(), self.points(order))
        return values

    def points(self, order: StepOrder) -> tuple[Point, ...]:
        """The contacts that the tester is to close for a step."""
        return tuple(
            Point(self.units.get(c.unit), c.bank, c.channel, c.role.value)
            for c in order.route.contacts
        )

    def _whole(self) -> Scope:
        addresses = tuple(self.units.values())
        return Scope(address=addresses[0] if len(addresses) == 1 else None)

    def turns(
        self, exchange: CompiledExchange, order: StepOrder, steps: int
    ) -> list[dict[str, Any]]:
        """The values of every turn of an exchange's loops."""
        base = dict(self.values(order, steps))
        if self._layout is None or not exchange.model.for_each:
            return [base]
        points = self.points(order)
        addresses = tuple(self.units.values()) or (None,)
        return [
            base | dict(self._layout.values(scope, points))
            for scope in self._layout.scopes(exchange.model.for_each, addresses, points)
        ]

    def templates(self, kind: StepKind, values: Mapping[str, Any]) -> tuple[Template, ...]:
        """Messages that carry an order with these values; loops over relays left out."""
        made = self._made
        exchanges = [e for e in made.kinds[kind].setup if not e.model.for_each]
        chosen = [s for e in exchanges for s in e.select]
        return tuple(
            e.send
            for e in (*chosen, *exchanges, made.start)
            if e.send is not None and e.applies(values)
        )

    # ---- conversations

    def send(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        """Send every step, clear what lies behind, read back what is stored.

        Raises:
            InstrumentRefused, SetupMismatch: not accepted, or not as sent.
        """
        memory = self._made.profile.memory
        yield from self._old_errors()
        if memory is not None and memory.clear_first:
            yield from self._clear_tail(batch)
        for order in batch:
            yield from self._step(order, len(batch))
        if memory is not None and not memory.clear_first:
            yield from self._clear_tail(batch)
        yield from self.require_no_errors("setup")
        for order in batch:
            stored = self._made.kinds[order.kind].stored
            if stored is not None:
                yield from self._compared(stored, self.values(order, len(batch)))
        if self._made.count is not None:
            yield from self._counted(len(batch))

    def _step(self, order: StepOrder, steps: int) -> Talk[None]:
        for exchange in self._made.kinds[order.kind].setup:
            for values in self.turns(exchange, order, steps):
                if exchange.applies(values):
                    yield from self._compared(exchange, values)

    def _compared(self, exchange: CompiledExchange, values: Mapping[str, Any]) -> Talk[None]:
        """An exchange whose reply, as far as it carries fields of the order, must agree."""
        answer = yield from self._talk.hold(exchange, values)
        found = differences(exchange.replies, answer.fields, values)
        if found:
            raise SetupMismatch(f"{self._talk.name}: stored {answer.raw!r}: {'; '.join(found)}")

    def _clear_tail(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        memory = self._made.profile.memory
        if memory is None or (len(batch) >= memory.slots and not memory.clear_first):
            return
        slot = memory.first if memory.clear_first else memory.first + len(batch)
        last = memory.first + memory.slots - 1
        values = {"next_slot": slot, "steps": len(batch), "slot": last}
        yield from self._talk.hold_all(self._made.clear_tail, values)

    def _counted(self, steps: int) -> Talk[None]:
        count = self._made.count
        if count is None:
            return
        answer = yield from self._talk.hold(count, {})
        found = answer.fields.get("count")
        if found != steps:
            raise SetupMismatch(f"{self._talk.name}: {found} steps stored, {steps} sent")

    def clear(self, status: Status) -> Talk[bool]:
        """Clear the old result; True if it is proved that none stands any more.

        Raises:
            InstrumentRefused: a trip stands, which only a person may end, or the old result
                stands still.
        """
        clear = self._made.profile.clear
        if clear is None:
            return False
        if clear.clears_trip and self._made.status is not None:
            state = yield from status()
            if state in {TesterState.TRIPPED, TesterState.FAULT, TesterState.INTERLOCK_OPEN}:
                raise InstrumentRefused(
                    f"{self._talk.name}: a trip stands ({state})",
                    remedy="find its cause, then reset the trip at the tester",
                )
        yield from self._talk.hold_all(self._made.clear, {})
        yield from self.require_no_errors("clear")
        if clear.proof == "state":
            state = yield from status()
            if state is not TesterState.OFF:
                raise InstrumentRefused(f"{self._talk.name}: {state} after the result was cleared")
            return True
        return clear.proof == "refused"

    def result_is_refused(self, order: StepOrder) -> Talk[bool]:
        """Whether asking for a result is refused, so that none stands."""
        result = self._made.kinds[order.kind].result
        if result is None:
            return False
        try:
            yield from self._talk.hold(result, self.values(order))
        except InstrumentRefused:
            return True
        return False

    # ---- errors

    def errors(self) -> Talk[tuple[str, ...]]:
        """Every entry of the error report, oldest first; it is empty afterwards."""
        model, ask = self._made.profile.errors, self._made.errors
        entries: list[str] = []
        if model is None or ask is None:
            return ()
        for _ in range(model.at_most):
            answer = yield from self._talk.hold(ask, {})
            if all(str(answer.fields.get(name)) == text for name, text in model.none.items()):
                return tuple(entries)
            entries.append(_entry(answer.fields, answer.raw))
        return (*entries, "and more")

    def _old_errors(self) -> Talk[None]:
        """What the last step left in the queue belongs to its verdict, not to this set-up."""
        model = self._made.profile.errors
        if model is not None and "setup" in model.after:
            yield from self.errors()

    def require_no_errors(self, block: str) -> Talk[None]:
        """Ask for errors behind a block, if the profile wants it. Raises InstrumentRefused."""
        model = self._made.profile.errors
        if model is None or block not in model.after:
            return
        entries = yield from self.errors()
        if entries:
            told = "; ".join(entries)
            raise InstrumentRefused(f"{self._talk.name}: errors after {block}: {told}", answer=told)


def _entry(fields: Mapping[str, Any], raw: bytes) -> str:
    code, message = fields.get("code"), fields.get("message")
    if code is None:
        return raw.decode("latin-1")
    return str(code) if message is None else f"{code} {message}"
