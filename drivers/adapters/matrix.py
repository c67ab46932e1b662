"""A chain of relay units of one type, driven by its profile."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from drivers.adapters.contacts import ROLES, Layout, Point, Scope
from drivers.adapters.conversation import Answer, Conversation, InstrumentBusy
from drivers.adapters.identity import identity_of
from drivers.adapters.resynchronising import resynchronise
from drivers.language.abilities import matrix_abilities
from drivers.language.compiled_matrix import compile_matrix
from drivers.language.exchanges import CompiledExchange
from drivers.language.profile_matrix import ListCommand, MatrixProfile
from orchestrator.contract import Pause, Talk
from orchestrator.documents import Document
from orchestrator.errors import InstrumentFault, OhmwardError, RelayMismatch, TimedOut
from orchestrator.model.record import Identity
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import Role


class ProfileMatrix:
    """A relay matrix as its profile describes it.

    Args:
        document: the profile. name: of the chain.
        units: unit → address; the address is ``None`` only for a unit that has none.

    Raises:
        Refused: every fault of the profile's templates.
    """

    def __init__(
        self, document: Document[MatrixProfile], name: str, units: Mapping[str, int | None]
    ) -> None:
        self._made = compile_matrix(document)
        profile = self._profile = document.model
        self.name = name
        self.abilities = matrix_abilities(profile)
        self._units = dict(units)
        self._names = {address: unit for unit, address in units.items()}
        self._layout = Layout(
            profile.banks,
            numbering=profile.numbering,
            chain=profile.chain,
            items=profile.items,
            dialect=self._made.dialect,
        )
        self._talk = Conversation(f"chain {name}", profile, self._made.framing, self._made.lines)
        self._talk.in_step = self._in_step
        self._known: frozenset[Point] | None = None

    # ---- the port

    def identify(self) -> Talk[Mapping[str, Identity]]:
        """Every unit, asked by its address."""
        found: dict[str, Identity] = {}
        for unit, address in self._units.items():
            what = f"chain {self.name}, unit {unit}" + ("" if address is None else f" ({address})")
            try:
                answer = yield from self._talk.hold(self._made.identify, {"unit": address})
            except TimedOut as error:
                raise TimedOut(
                    f"{what} doesn't answer: {error}",
                    received=error.received,
                    remedy="check its power, its address switch and the cable of the chain",
                ) from error
            found[unit] = identity_of(what, self._profile.identify, answer.fields)
        return found

    def apply(self, route: Route) -> Talk[None]:
        """Bring the chain to exactly the route; what isn't named goes open."""
        wanted = frozenset(self._point(contact) for contact in route.contacts)
        self._known = None
        if self._made.apply:
            for exchange in self._made.apply:
                for scope in self._layout.scopes(exchange.model.for_each, self._names):
                    yield from self._send(exchange, scope, wanted)
        else:
            yield from self._step_by_step(wanted)
        yield from self._rest()
        self._known = wanted

    def open_all(self) -> Talk[None]:
        """Open everything; one unit that fails doesn't keep the others from being opened."""
        self._known = None
        failed: OhmwardError | None = None
        for exchange in self._made.open_all:
            for scope in self._layout.scopes(exchange.model.for_each, self._names):
                try:
                    yield from self._send(exchange, scope, frozenset())
                except OhmwardError as error:
                    failed = failed or error
        if failed is not None:
            raise failed
        yield from self._rest()
        self._known = frozenset()

    def read_back(self) -> Talk[frozenset[Contact] | None]:
        """Closed contacts as the units report them."""
        if self._made.look is None:
            return None
        points = yield from self._look(self._made.look)
        return frozenset(self._contact(point) for point in points)

    def resync(self) -> Talk[None]:
        """The first unit must answer for itself."""
        address = next(iter(self._names), None)
        yield from resynchronise(self._talk, self._made.resync, {"unit": address})

    def _in_step(self) -> Talk[None]:
        """Before a repetition: a chain that stays mute is given up soon."""
        address = next(iter(self._names), None)
        yield from resynchronise(self._talk, self._made.resync, {"unit": address}, tries=2)

    def absorb(self, drained: bytes) -> None:
        """A matrix has nothing to say unasked."""
        self._talk.absorb(drained)

    # ---- moving relays

    def _send(
        self, exchange: CompiledExchange, scope: Scope, points: Iterable[Point]
    ) -> Talk[Answer]:
        """One turn of a command, sent again while the unit answers that it is busy."""
        values = self._layout.values(scope, points)
        if not exchange.applies(values):
            return Answer()
        pause_s = float(self._profile.timing.poll)
        waited_s, most_s = 0.0, float(self._profile.retry_within)
        while True:
            try:
                return (yield from self._talk.hold(exchange, values))
            except InstrumentBusy:
                if waited_s >= most_s:
                    raise
            waited_s += pause_s
            yield Pause(pause_s)
            yield from self._rest(scope.address)

    def _rest(self, address: int | None = None) -> Talk[None]:
        """Wait until every contact (of one unit) has come to rest.

        Raises:
            InstrumentFault: it doesn't within `settle_within`.
        """
        moving = self._made.moving
        if moving is None:
            yield Pause(float(self._profile.settle))
            return
        pause_s = float(self._profile.timing.poll)
        addresses = self._names if address is None else (address,)
        for scope in self._layout.scopes(moving.model.for_each, addresses):
            waited_s = 0.0
            while True:
                values = self._layout.values(scope, ())
                answer = yield from self._talk.hold(moving, values)
                if answer.fields.get("moving") == "off":
                    break
                if waited_s >= float(self._profile.settle_within):
                    unit = self._names.get(scope.address, "")
                    raise InstrumentFault(
                        f"chain {self.name}, unit {unit}: relays don't come to rest",
                        remedy="have the relay unit checked before the next run",
                    )
                waited_s += pause_s
                yield Pause(pause_s)

    def _step_by_step(self, wanted: frozenset[Point]) -> Talk[None]:
        """Open what isn't wanted, come to rest, then close what is missing."""
        present = yield from self._present()
        surplus, missing = present - wanted, wanted - present
        if surplus:
            for exchange in self._made.open:
                yield from self._listed(exchange, surplus)
            yield from self._rest()
        for exchange in self._made.close:
            yield from self._listed(exchange, missing)

    def _present(self) -> Talk[frozenset[Point]]:
        """What is closed now; what can't be told is opened first."""
        if self._made.look is not None:
            try:
                return (yield from self._look(self._made.look))
            except RelayMismatch:
                pass  # a contact in no clear state: open everything, read-back will tell
        yield from self.open_all()
        return frozenset()

    def _listed(self, exchange: CompiledExchange, points: frozenset[Point]) -> Talk[None]:
        most = exchange.model.at_most if isinstance(exchange.model, ListCommand) else None
        for scope in self._layout.scopes(exchange.model.for_each, self._names, points):
            inside = sorted(point for point in points if scope.holds(point))
            size = most or max(len(inside), 1)
            for start in range(0, len(inside), size):
                yield from self._send(exchange, scope, inside[start : start + size])

    # ---- reading

    def _look(self, look: CompiledExchange) -> Talk[frozenset[Point]]:
        found: set[Point] = set()
        for scope in self._layout.scopes(look.model.for_each, self._names):
            fields = yield from self._look_at(look, scope)
            try:
                found |= self._layout.closed(scope, fields)
            except RelayMismatch as error:
                unit = self._names.get(scope.address, "")
                raise RelayMismatch(f"chain {self.name}, unit {unit}: {error}") from error
        return frozenset(found)

    def _look_at(self, look: CompiledExchange, scope: Scope) -> Talk[Mapping[str, Any]]:
        """One answer, asked again while it says that contacts move."""
        pause_s = float(self._profile.timing.poll)
        waited_s = 0.0
        while True:
            answer = yield from self._talk.hold(look, self._layout.values(scope, ()))
            moving = answer.fields.get("moving", "off") != "off"
            if not moving or waited_s >= float(self._profile.settle_within):
                return answer.fields
            waited_s += pause_s
            yield Pause(pause_s)

    def _point(self, contact: Contact) -> Point:
        if contact.unit not in self._units or contact.bank not in self.abilities.banks:
            raise InstrumentFault(
                f"chain {self.name} has no unit {contact.unit!r} with a bank {contact.bank!r}",
                remedy="bind the program to this station again",
            )
        return Point(self._units[contact.unit], contact.bank, contact.channel, contact.role.value)

    def _contact(self, point: Point) -> Contact:
        unit = self._names[point.address]
        return Contact(self.name, unit, point.bank, point.channel, Role(point.role))


__all__ = ["ROLES", "ProfileMatrix"]
