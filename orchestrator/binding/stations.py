"""What a station file can get wrong by itself: instruments, chains, feeds, positions, names."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.binding.feeds import check_feeds
from orchestrator.binding.instruments import Instruments
from orchestrator.binding.real import check_interlock_inputs, check_not_mixed
from orchestrator.binding.station_io import check_station_io
from orchestrator.binding.units import check_addresses
from orchestrator.binding.visa_names import why_not
from orchestrator.binding.wiring import Channel, Terminal, read_place
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.station import (
    ChainEntry,
    Link,
    SerialLink,
    Station,
    TcpLink,
    TesterEntry,
    VisaLink,
)


def check_station(document: Document[Station], instruments: Instruments) -> tuple[Fault, ...]:
    """Every fault of a station file that needs no program to be seen."""
    return (
        *_check_known(document, instruments),
        *_check_links(document),
        *_check_reached(document, instruments),
        *check_addresses(document, instruments),
        *check_feeds(document, instruments),
        *_check_positions(document, instruments),
        *check_not_mixed(document),
        *check_interlock_inputs(document, instruments),
        *check_station_io(document),
        *_check_names(document),
    )


def _check_known(document: Document[Station], instruments: Instruments) -> Iterator[Fault]:
    """The profile of every instrument is at hand."""
    sections = (
        ("testers", document.model.testers, instruments.testers),
        ("chains", document.model.chains, instruments.matrices),
    )
    for section, entries, known in sections:
        for name in entries:
            if name not in known:
                at = document.locate(section, name, "profile")
                remedy = "correct the profile's name or give its file"
                yield Fault(f"{section[:-1]} {name!r}", "no profile", "a profile", remedy, at)


# ---- links --------------------------------------------------------------------------------------


def _entries(station: Station) -> Iterator[tuple[str, str, TesterEntry | ChainEntry]]:
    for name, tester in station.testers.items():
        yield "testers", name, tester
    for name, chain in station.chains.items():
        yield "chains", name, chain


def _check_links(document: Document[Station]) -> Iterator[Fault]:
    """VISA names that can be right, and one instrument to a link."""
    seen: dict[str, str] = {}
    for section, name, entry in _entries(document.model):
        link, what = entry.link, f"link of {name!r}"
        at = document.locate(section, name, "link")
        if isinstance(link, VisaLink) and (wrong := why_not(link.resource)):
            remedy = "correct the resource"
            place = document.locate(section, name, "link", "resource")
            yield Fault(what, *wrong, remedy, place)
        end = _far_end(link)
        if end is None:
            continue
        if end in seen:
            remedy = "correct one of the two, or write carried_by where it goes through a tester"
            found = f"{end}, the link of {seen[end]!r} too"
            yield Fault(what, found, "a link for each instrument", remedy, at)
        seen.setdefault(end, name)


def _far_end(link: Link | None) -> str | None:
    """What two links must not share."""
    if isinstance(link, TcpLink):
        return f"{link.host.lower()}:{link.port}"
    if isinstance(link, SerialLink):
        return link.port
    if isinstance(link, VisaLink):
        return f"{link.resource.upper().removesuffix('::INSTR')} {link.backend}".strip()
    return None


# ---- chains -------------------------------------------------------------------------------------


def _check_reached(document: Document[Station], instruments: Instruments) -> Iterator[Fault]:
    """A chain is reached in exactly one way, and that way exists."""
    for name, chain in document.model.chains.items():
        what, at = f"chain {name!r}", document.locate("chains", name)
        ways = {"link": chain.link, "carried_by": chain.carried_by, "built_in": chain.built_in}
        given = [word for word, value in ways.items() if value is not None]
        if len(given) != 1:
            found = " and ".join(given) or "none"
            expected = "exactly one of link, carried_by, built_in"
            yield Fault(what, found, expected, "say how the chain is reached", at)
        for word in ("carried_by", "built_in"):
            tester = ways[word]
            if not isinstance(tester, str):
                continue
            place = document.locate("chains", name, word)
            if tester not in document.model.testers:
                known = ", ".join(sorted(document.model.testers))
                found = f"{word} {tester!r}"
                yield Fault(what, found, f"a tester: {known}", "correct the name", place)
            elif word == "built_in" and not _routes_itself(instruments, tester):
                found = f"built_in {tester!r}, which doesn't switch relays itself"
                expected = "a tester that routes itself"
                yield Fault(what, found, expected, "use link or carried_by", place)


def _routes_itself(instruments: Instruments, tester: str) -> bool:
    port = instruments.testers.get(tester)
    return port is None or port.abilities.routes_itself


# ---- positions ----------------------------------------------------------------------------------


def _check_positions(document: Document[Station], instruments: Instruments) -> Iterator[Fault]:
    """Every position leads to a channel or terminal that exists, no channel has two leads."""
    used: dict[Channel, str] = {}
    for position, text in document.model.positions.items():
        what, at = f"position {position!r}", document.locate("positions", position)
        place = read_place(text)
        if place is None:
            expected = "'chain/unit/bank/channel' or 'tester.terminal'"
            yield Fault(what, repr(text), expected, "write it in one of these two forms", at)
            continue
        missing = (
            _missing_terminal(place, document.model, instruments)
            if isinstance(place, Terminal)
            else _missing_channel(place, document.model, instruments)
        )
        if missing:
            yield Fault(what, *missing, "correct the position", at)
        elif isinstance(place, Channel):
            if place in used:
                found = f"{text}, the channel of position {used[place]!r} too"
                remedy = "give each position a channel of its own"
                expected = "one lead on a channel: two would always be joined"
                yield Fault(what, found, expected, remedy, at)
            used.setdefault(place, position)


def _missing_terminal(
    place: Terminal, station: Station, instruments: Instruments
) -> tuple[str, str] | None:
    if place.tester not in station.testers:
        return f"tester {place.tester!r}", "one of " + ", ".join(sorted(station.testers))
    port = instruments.testers.get(place.tester)
    if port is not None and place.name not in port.abilities.terminals:
        known = ", ".join(sorted(port.abilities.terminals))
        return f"terminal {place.name!r}", f"a terminal of {place.tester}: {known}"
    return None


def _missing_channel(
    place: Channel, station: Station, instruments: Instruments
) -> tuple[str, str] | None:
    chain = station.chains.get(place.chain)
    if chain is None:
        return f"chain {place.chain!r}", "one of " + (", ".join(sorted(station.chains)) or "none")
    units = [unit.name for unit in chain.units]
    if place.unit not in units:
        return f"unit {place.unit!r}", f"a unit of {place.chain}: " + ", ".join(units)
    matrix = instruments.matrices.get(place.chain)
    if matrix is None:
        return None
    if place.bank not in matrix.banks:
        return f"bank {place.bank!r}", "a bank: " + ", ".join(sorted(matrix.banks))
    channels = matrix.banks[place.bank].channels
    if place.number not in channels:
        told = f"{min(channels)} to {max(channels)}" if channels else "none"
        return f"channel {place.number}", f"a channel of bank {place.bank}: {told}"
    return None


# ---- names --------------------------------------------------------------------------------------


def _check_names(document: Document[Station]) -> Iterator[Fault]:
    """Bleeders and exemptions name instruments of this station."""
    station = document.model
    for index, bleeder in enumerate(station.bleeders):
        if bleeder.tester not in station.testers:
            at = document.locate("bleeders", index, "tester")
            known = ", ".join(sorted(station.testers))
            yield Fault("bleeder", f"tester {bleeder.tester!r}", known, "correct the name", at)
    seen: set[tuple[str, str]] = set()
    for index, entry in enumerate(station.exemptions):
        at = document.locate("exemptions", index)
        known = ", ".join(sorted({*station.testers, *station.chains}))
        if entry.instrument not in station.testers and entry.instrument not in station.chains:
            found = f"instrument {entry.instrument!r}"
            yield Fault("exemption", found, f"one of {known}", "correct the name", at)
        if (entry.rule, entry.instrument) in seen:
            found = f"{entry.rule} of {entry.instrument!r} twice"
            yield Fault("exemption", found, "each once", "remove one of them", at)
        seen.add((entry.rule, entry.instrument))
