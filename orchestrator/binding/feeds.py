"""What feeds the buses of the banks."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.binding.instruments import Instruments
from orchestrator.binding.wiring import fed_roles, read_terminal
from orchestrator.documents import Document
from orchestrator.errors import Fault, Position
from orchestrator.model.station import Feed, Station


def check_feeds(document: Document[Station], instruments: Instruments) -> Iterator[Fault]:
    """Feeds name banks, roles and terminals that exist; a terminal feeds one bus of a bank."""
    for chain, entry in document.model.chains.items():
        matrix = instruments.matrices.get(chain)
        yield from _check_one_feed_per_bus(document, chain)
        for index, unit in enumerate(entry.units):
            for bank, feed in unit.feeds.items():
                loc = ("chains", chain, "units", index, "feeds", bank)
                what, at = f"feeds of {chain}/{unit.name}/{bank}", document.locate(*loc)
                if matrix is not None and bank not in matrix.banks:
                    known = ", ".join(sorted(matrix.banks))
                    yield Fault(what, f"bank {bank!r}", f"a bank: {known}", "correct its name", at)
                    continue
                if matrix is not None:
                    yield from _check_roles(what, feed, matrix.banks[bank].roles, at)
                yield from _check_terminals(document, instruments, what, feed, loc)
                yield from _check_one_bus(what, feed, at)


def _check_one_feed_per_bus(document: Document[Station], chain: str) -> Iterator[Fault]:
    """Joined buses run on from unit to unit: two units of a chain that feed the same bus of a bank
    from different terminals would join those terminals, or show that one of them is a slip."""
    first: dict[tuple[str, str], tuple[str, str]] = {}
    if document.model.chains[chain].buses == "separate":
        return
    for index, unit in enumerate(document.model.chains[chain].units):
        for bank, feed in unit.feeds.items():
            for role, terminal in fed_roles(feed):
                known = first.setdefault((bank, role.value), (terminal, unit.name))
                if known[0] != terminal:
                    yield Fault(
                        f"feeds of {chain}/{unit.name}/{bank}",
                        f"{role.value}: {terminal}",
                        f"{known[0]}, as for unit {known[1]}: buses run on from unit to unit",
                        "correct one of the two, or say 'buses: separate' for this chain",
                        document.locate("chains", chain, "units", index, "feeds", bank, role.value),
                    )


def _check_roles(what: str, feed: Feed, roles: frozenset[str], at: Position) -> Iterator[Fault]:
    for role, text in fed_roles(feed):
        if role not in roles:
            known = ", ".join(sorted(roles))
            remedy = f"take {role.value}: {text} out or choose another bank"
            yield Fault(what, f"{role.value} fed", f"roles the bank has: {known}", remedy, at)


def _check_terminals(
    document: Document[Station],
    instruments: Instruments,
    what: str,
    feed: Feed,
    loc: tuple[str | int, ...],
) -> Iterator[Fault]:
    for role, text in fed_roles(feed):
        at = document.locate(*loc, role.value)
        terminal = read_terminal(text)
        if terminal is None:
            remedy = "write for example t1.output; one terminal feeds one bus"
            yield Fault(what, repr(text), "'tester.terminal'", remedy, at)
        elif terminal.tester not in document.model.testers:
            known = ", ".join(sorted(document.model.testers))
            found = f"tester {terminal.tester!r}"
            yield Fault(what, found, f"a tester: {known}", "correct the name", at)
        elif terminal.tester in instruments.testers:
            known_names = instruments.testers[terminal.tester].abilities.terminals
            if terminal.name not in known_names:
                known = ", ".join(sorted(known_names))
                found = f"terminal {terminal.name!r}"
                yield Fault(what, found, f"a terminal: {known}", "correct the name", at)


def _check_one_bus(what: str, feed: Feed, at: Position) -> Iterator[Fault]:
    seen: dict[str, str] = {}
    for role, text in fed_roles(feed):
        if text in seen:
            found = f"{text} as {seen[text]} and as {role.value}"
            expected = "another terminal on each bus of a bank: source and return would be joined"
            yield Fault(what, found, expected, "correct one of the two", at)
        seen.setdefault(text, role.value)
