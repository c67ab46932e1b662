"""Which contacts connect a step's points with a tester's terminals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from orchestrator.binding.context import Candidate
from orchestrator.binding.sides import key_of, sides_sound
from orchestrator.binding.wiring import Channel, Terminal
from orchestrator.errors import Fault, Position
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import Role, Side, StepKind


@dataclass(frozen=True, slots=True)
class Lead:
    """One lead in use: a point, its position, the side, and the contact (none if straight)."""

    point: str
    position: str
    side: Side
    contact: Contact | None
    sensing: bool = False


@dataclass(slots=True)
class Routing:
    """What was found for one candidate. ``broken``: a position that the station gets wrong."""

    leads: list[Lead] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    broken: bool = False

    @property
    def route(self) -> Route:
        """The contacts to be closed."""
        return Route(frozenset(lead.contact for lead in self.leads if lead.contact))

    def carrying(self, side: Side | None = None) -> tuple[Lead, ...]:
        """Leads that carry current."""
        return tuple(lead for lead in self.leads if not lead.sensing and side in {None, lead.side})

    def position_of(self, point: str) -> str | None:
        """The position through which a point is driven."""
        return next((lead.position for lead in self.carrying() if lead.point == point), None)


def find_route(candidate: Candidate) -> Routing:
    """Choose the leads of every point, and check them against each other."""
    routing, task = Routing(), candidate.task
    if not sides_sound(task):
        routing.broken = True
        return routing
    for index, point in enumerate(task.step.apply_to):
        _drive(candidate, routing, point, Side.SOURCE, task.at("apply_to", index))
    for index, point in enumerate(task.step.against):
        _drive(candidate, routing, point, Side.RETURN, task.at("against", index))
    for point in task.others:
        _drive(candidate, routing, point, Side.RETURN, task.at("others"))
    _sense(candidate, routing)
    routing.faults += _check_channels(candidate, routing)
    routing.faults += _check_wired_open(candidate)
    routing.faults += _check_wired_across(candidate)
    routing.faults += _check_one_source(candidate, routing)
    routing.faults += _check_most_closed(candidate, routing)
    return routing


def _drive(candidate: Candidate, routing: Routing, point: str, side: Side, at: Position) -> None:
    """Find the one lead that connects a point with the terminal of its side."""
    wiring, what = candidate.task.context.wiring, candidate.task.what
    uses = candidate.ability.terminals
    name = uses.source if side is Side.SOURCE else uses.return_
    terminal = Terminal(candidate.tester, name)
    positions = wiring.points[point]
    # Wrong positions and feeds are reported by the checks of fixture and station.
    broken = not all(wiring.sound(position) for position in positions)
    routing.broken = routing.broken or broken
    found = _in_turn(candidate, point, _leads(candidate, point, positions, terminal, side))
    if len(found) == 1:
        routing.leads.append(found[0])
    elif found:
        named = ", ".join(lead.position for lead in found)
        expected = f"one lead of a point on {terminal} at once"
        remedy = (
            f"leave {point!r} one position on {terminal} in the fixture, or write take_turns: yes"
        )
        text = f"{point!r} reaching {terminal} through {named}"
        routing.faults.append(Fault(what, text, expected, remedy, at))
    elif not broken:
        places = ", ".join(f"{position} ({wiring.places[position]})" for position in positions)
        expected = f"a position in a bank fed by {terminal}, or straight on it"
        remedy = f"give {point!r} such a position in the fixture, or feed that bank by {terminal}"
        text = f"{key_of(side)} {point!r} at {places} only"
        routing.faults.append(Fault(what, text, expected, remedy, at))


def _leads(
    candidate: Candidate,
    point: str,
    positions: tuple[str, ...],
    terminal: Terminal,
    side: Side,
    *,
    sensing: bool = False,
) -> list[Lead]:
    """Every way from a point to a terminal through one contact or none."""
    wiring = candidate.task.context.wiring
    matrices = candidate.task.context.instruments.matrices
    found = []
    for position in positions:
        place = wiring.places.get(position)
        if place == terminal:
            found.append(Lead(point, position, side, None, sensing))
        if isinstance(place, Channel):
            has = matrices[place.chain].banks[place.bank].roles
            found += [
                Lead(point, position, side, place.closed_to(role), sensing)
                for role in wiring.roles_to(place, terminal)
                if role in has
            ]
    return found


def _in_turn(candidate: Candidate, point: str, found: list[Lead]) -> list[Lead]:
    """Where leads of a point take turns, the one whose channel has closed least often; the first
    of equals. The same one wherever this binding drives or senses the point by them."""
    context = candidate.task.context
    if len(found) < 2 or not context.fixture.model.points[point].take_turns:
        return found
    if any(lead.contact is None for lead in found):
        return found  # a lead without a contact is always on: nothing takes turns with it

    def closings(lead: Lead) -> int:
        place = context.wiring.places[lead.position]
        return context.wear.get(place, 0) if isinstance(place, Channel) else 0

    return [min(found, key=closings)]


def _sense(candidate: Candidate, routing: Routing) -> None:
    """Four-wire leads of the one named point on each side, where the tester needs them."""
    uses, step, task = candidate.ability.terminals, candidate.task.step, candidate.task
    if uses.sense == "none" or uses.sense_source is None or uses.sense_return is None:
        return
    required = uses.sense == "required"
    found: list[Lead] = []
    for side, points, name in (
        (Side.SOURCE, step.apply_to, uses.sense_source),
        (Side.RETURN, step.against, uses.sense_return),
    ):
        if len(points) != 1:
            if required:
                text = f"{len(points)} points in {key_of(side)}"
                expected = "one point on each side: sense leads tied together would carry current"
                remedy = "write one step for each point"
                routing.faults.append(Fault(task.what, text, expected, remedy, task.at()))
            return
        terminal, wiring = Terminal(candidate.tester, name), task.context.wiring
        leads = _leads(candidate, points[0], wiring.sense[points[0]], terminal, side, sensing=True)
        leads = _in_turn(candidate, points[0], leads)
        found += leads
        if not all(wiring.sound(position) for position in wiring.sense[points[0]]):
            routing.broken = True
            continue
        if len(leads) == 1 or (not leads and not required):
            continue
        text = f"{points[0]!r} with {len(leads)} sense leads on {terminal}"
        expected = "one sense lead on it (the tester measures with four wires)"
        remedy = f"give {points[0]!r} one sense position in a bank fed by {terminal}"
        routing.faults.append(Fault(task.what, text, expected, remedy, task.at(key_of(side), 0)))
    if required or len(found) == 2:
        routing.leads += found


def _check_channels(candidate: Candidate, routing: Routing) -> Iterator[Fault]:
    """No channel to two roles, and no lead on both sides."""
    roles: dict[Channel, set[Role]] = {}
    for contact in routing.route.contacts:
        channel = Channel(contact.chain, contact.unit, contact.bank, contact.channel)
        roles.setdefault(channel, set()).add(contact.role)
    task = candidate.task
    for channel in sorted(roles):
        if len(roles[channel]) > 1:
            told = " and ".join(sorted(roles[channel]))
            expected = "one role for a channel: two would join source and return"
            remedy = "give the points channels of their own"
            yield Fault(task.what, f"{channel} as {told}", expected, remedy, task.at())


def _check_wired_open(candidate: Candidate) -> Iterator[Fault]:
    """`others: open` can't hold for a point joined to a side by leads without a contact."""
    task = candidate.task
    if task.step.others != "open":
        return
    unnamed = set(task.unnamed)
    for terminal in dict.fromkeys((*_in_use(candidate), *_joined(candidate))):
        for point in task.context.wiring.straight.get(terminal, ()):
            if point in unnamed:
                expected = "a contact that can open (others: open)"
                remedy = f"name {point!r} on that side, or wire it through a channel"
                found = f"{point!r} wired straight to {terminal}"
                yield Fault(task.what, found, expected, remedy, task.at())


def _check_wired_across(candidate: Candidate) -> Iterator[Fault]:
    """A lead without a contact can't lie on a terminal of the other side, nor join the sides."""
    uses, task = candidate.ability.terminals, candidate.task
    source, other = set(task.step.apply_to), {*task.step.against, *task.others}
    of_source = {Terminal(candidate.tester, n) for n in (uses.source, uses.sense_source) if n}
    of_return = {Terminal(candidate.tester, n) for n in (uses.return_, uses.sense_return) if n}
    for terminal in dict.fromkeys((*_in_use(candidate), *_joined(candidate))):
        points = task.context.wiring.straight.get(terminal, ())
        on_source = [point for point in points if point in source]
        on_other = [point for point in points if point in other]
        wrong = (on_other if terminal in of_source else []) + (
            on_source if terminal in of_return else []
        )
        if terminal not in of_source | of_return and on_source and on_other:
            wrong = on_source + on_other
        for point in wrong:
            found = f"{point!r} wired straight to {terminal}"
            remedy = f"wire {point!r} through a channel, or exchange the sides"
            expected = "no lead without a contact between the sides"
            yield Fault(task.what, found, expected, remedy, task.at())


def _joined(candidate: Candidate) -> Iterator[Terminal]:
    """Terminals wired straight to a point that the step names."""
    step, wiring = candidate.task.step, candidate.task.context.wiring
    for point in (*step.apply_to, *step.against):
        for place in wiring.places_of(point):
            if isinstance(place, Terminal):
                yield place


def _in_use(candidate: Candidate) -> tuple[Terminal, ...]:
    """Terminals that the step drives or measures with."""
    uses = candidate.ability.terminals
    names = (uses.source, uses.return_, uses.sense_source, uses.sense_return)
    return tuple(Terminal(candidate.tester, name) for name in dict.fromkeys(names) if name)


def _check_one_source(candidate: Candidate, routing: Routing) -> Iterator[Fault]:
    """One source channel for a bonding measurement where the profile says so."""
    if not candidate.ability.one_source_channel or candidate.ability.kind is not StepKind.BONDING:
        return
    count = len(routing.carrying(Side.SOURCE))
    if count > 1:
        task = candidate.task
        expected = f"one source channel for bonding on {candidate.tester}"
        remedy = "write one bonding step for each point"
        yield Fault(task.what, f"{count} in apply_to", expected, remedy, task.at("apply_to"))


def _check_most_closed(candidate: Candidate, routing: Routing) -> Iterator[Fault]:
    """Not more contacts of a bank closed at once than it may have."""
    closed: dict[tuple[str, str, str], int] = {}
    for contact in routing.route.contacts:
        key = (contact.chain, contact.unit, contact.bank)
        closed[key] = closed.get(key, 0) + 1
    task = candidate.task
    for (chain, unit, bank), count in sorted(closed.items()):
        most = task.context.instruments.matrices[chain].banks[bank].most_closed
        if most is not None and count > most:
            found = f"{count} channels of {chain}/{unit}/{bank} closed at once"
            remedy = "split the step, or spread its points over more units"
            yield Fault(task.what, found, f"at most {most}", remedy, task.at())
