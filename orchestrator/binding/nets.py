"""What stands the level of a step: every contact and terminal on an energised net."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from orchestrator.binding.context import Candidate
from orchestrator.binding.routes import Routing
from orchestrator.binding.wiring import Bank, Channel, Terminal
from orchestrator.model.abilities import MatrixAbilities, Rating


@dataclass(frozen=True, slots=True)
class Burden:
    """A bank's contacts or a terminal, and what the step asks of it."""

    what: str
    rating: Rating
    stands: bool
    carries: bool
    own: bool = False  # a terminal that the step itself uses


def burdens(candidate: Candidate, routing: Routing) -> tuple[Burden, ...]:
    """Contacts and terminals on the energised nets of a step.

    Stands the level: every contact, open or closed, of a bank with an energised bus (it lies
    between that bus and a channel that is elsewhere); every contact, in whatever bank, on a lead
    of an energised point (it lies between the point and an idle bus); every terminal on the net,
    idle testers' too. A point that is left open counts as energised: the unit may join it to a
    driven one (a winding between line and neutral, say), and nobody told us that it doesn't.
    Carries the current: closed contacts that drive, on both sides, and the terminals in use.
    """
    terminals = _energised_terminals(candidate)
    stressed, carrying = _banks(candidate, routing, terminals)
    matrices = candidate.task.context.instruments.matrices
    found = []
    for bank in sorted(stressed | carrying):
        rating = matrices[bank[0]].banks[bank[2]].rating
        told = f"contacts of {'/'.join(bank)}"
        found.append(Burden(told, rating, bank in stressed, bank in carrying))
    return (*found, *_terminals(candidate, terminals))


def _energised_terminals(candidate: Candidate) -> set[Terminal]:
    """The driven terminal, its sense, and whatever is wired straight to an energised point."""
    wiring, uses = candidate.task.context.wiring, candidate.ability.terminals
    found = {Terminal(candidate.tester, uses.source)}
    if uses.sense_source is not None:
        found.add(Terminal(candidate.tester, uses.sense_source))
    for point in _may_be_energised(candidate):
        found |= {place for place in wiring.places_of(point) if isinstance(place, Terminal)}
    return found


def _may_be_energised(candidate: Candidate) -> tuple[str, ...]:
    """The points driven, and those left open: what the unit joins inside isn't known here."""
    step = candidate.task.step
    if step.others == "against":
        return step.apply_to
    points = candidate.task.context.fixture.model.points
    named = {*step.apply_to, *step.against}
    return (*step.apply_to, *(point for point in points if point not in named))


def _banks(
    candidate: Candidate, routing: Routing, terminals: set[Terminal]
) -> tuple[set[Bank], set[Bank]]:
    """Banks whose contacts stand the level, and banks of which closed contacts carry."""
    wiring = candidate.task.context.wiring
    stressed = {bank for terminal in terminals for bank in wiring.banks_of(terminal)}
    for point in _may_be_energised(candidate):
        places = wiring.places_of(point)
        stressed |= {place.of_bank for place in places if isinstance(place, Channel)}
    matrices = candidate.task.context.instruments.matrices
    stressed = {bank for bank in stressed if bank[2] in _banks_of(matrices, bank[0])}
    carrying = {
        (lead.contact.chain, lead.contact.unit, lead.contact.bank)
        for lead in routing.carrying()
        if lead.contact
    }
    return stressed, carrying


def _banks_of(matrices: Mapping[str, MatrixAbilities], chain: str) -> Collection[str]:
    """Bank names of a chain; what the station gets wrong is reported elsewhere."""
    return matrices[chain].banks if chain in matrices else ()


def _terminals(candidate: Candidate, energised: set[Terminal]) -> list[Burden]:
    uses = candidate.ability.terminals
    driving = {Terminal(candidate.tester, name) for name in (uses.source, uses.return_)}
    sensing = {
        Terminal(candidate.tester, name)
        for name in (uses.sense_source, uses.sense_return)
        if name is not None
    }
    found = []
    testers = candidate.task.context.instruments.testers
    for terminal in sorted(energised | driving):
        port = testers.get(terminal.tester)
        rating = None if port is None else port.abilities.terminals.get(terminal.name)
        own = terminal in driving or terminal in sensing
        if rating is None:
            rating = Rating(None, None, None, None)
        told = f"terminal {terminal}" + ("" if own else " (idle)")
        stands, carries = terminal in energised, terminal in driving
        found.append(Burden(told, rating, stands, carries, own))
    return found
