"""What a station file can get wrong about remote I/O blocks: places, doubles, proof, times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from orchestrator.binding.real import simulated_instruments
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.station import (
    IoInput,
    Link,
    OutputPlace,
    Station,
    TcpLink,
    TesterInput,
    VisaLink,
)

TOLD_ABOVE_S = 0.1
"""A remote input may be older than this only with a word about it (common practice, no source)."""

Loc = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class _Use:
    """A bit of a block that something uses: what it is called, and where that stands."""

    block: str
    bit: int
    what: str
    loc: Loc


def check_station_io(document: Document[Station]) -> tuple[Fault, ...]:
    """Every fault of the I/O blocks, and of what names them."""
    return (
        *_check_places(document),
        *_check_doubles(document),
        *_check_enable(document),
        *_check_life(document),
        *_check_times(document),
        *_check_alike(document),
        *_check_ends(document),
        *_check_stops(document),
    )


def _check_stops(document: Document[Station]) -> Iterator[Fault]:
    """An emergency stop behind the enable reads open between runs, whatever it does."""
    station = document.model
    if station.outputs.enable is None:
        return
    for index, entry in enumerate(station.interlock):
        if entry.purpose == "emergency_stop" and isinstance(entry.source, TesterInput):
            yield Fault(
                f"interlock input {entry.name!r}, an emergency stop",
                "asked of a tester, at a station with an enable output in series with it",
                "an input that tells of it while the enable is off",
                "read it by an input of an I/O block, or call it a guard",
                document.locate("interlock", index, "source"),
            )


def io_notices(station: Station) -> tuple[str, ...]:
    """Remote inputs whose silence is noticed late."""
    return tuple(
        f"interlock input {entry.name!r} counts for up to {entry.stale_after} after its block "
        "fell silent: a guard that opens meanwhile is noticed that much later"
        for entry in station.interlock
        if isinstance(entry.source, IoInput) and float(entry.stale_after) > TOLD_ABOVE_S
    )


def _inputs(station: Station) -> Iterator[_Use]:
    for index, entry in enumerate(station.interlock):
        source = entry.source
        if not isinstance(source, IoInput):
            continue
        loc: Loc = ("interlock", index, "source")
        what = f"interlock input {entry.name!r}"
        yield _Use(source.block, source.input, what, (*loc, "input"))
        if source.second is not None:
            second = f"second channel of {what}"
            yield _Use(source.block, source.second.input, second, (*loc, "second", "input"))
    for name, block in station.io.items():
        if block.life_sign is not None:
            place: Loc = ("io", name, "life_sign", "input")
            yield _Use(name, block.life_sign.input, f"life sign of block {name!r}", place)
    for index, watched in enumerate(station.watched):
        what = f"watched input {watched.name!r}"
        yield _Use(watched.block, watched.input, what, ("watched", index, "input"))


def _placed(station: Station) -> Iterator[tuple[str, OutputPlace]]:
    if station.outputs.enable is not None:
        yield "enable", station.outputs.enable
    if station.outputs.green_lamp is not None:
        yield "green_lamp", station.outputs.green_lamp


def _outputs(station: Station) -> Iterator[_Use]:
    for key, place in _placed(station):
        what = f"output {key}"
        yield _Use(place.block, place.output, what, ("outputs", key, "output"))
    for name, block in station.io.items():
        if block.life_sign is not None and block.life_sign.follows is not None:
            loc = ("io", name, "life_sign", "follows")
            yield _Use(name, block.life_sign.follows, f"life sign of block {name!r}", loc)


def _check_places(document: Document[Station]) -> Iterator[Fault]:
    """Blocks exist and have so many bits."""
    blocks = document.model.io
    known = ", ".join(sorted(blocks)) or "none declared"
    unknown: set[tuple[str, Loc]] = set()
    for word, uses in (("inputs", _inputs(document.model)), ("outputs", _outputs(document.model))):
        for use in uses:
            if use.block not in blocks:
                loc = (*use.loc[: 3 if use.loc[0] == "interlock" else 2], "block")
                if (use.block, loc) not in unknown:
                    unknown.add((use.block, loc))
                    remedy = "correct the name, or declare the block under io"
                    found, at = f"block {use.block!r}", document.locate(*loc)
                    yield Fault(use.what, found, f"a block of io: {known}", remedy, at)
                continue
            count = blocks[use.block].inputs if word == "inputs" else blocks[use.block].outputs
            if use.bit >= count:
                found = f"bit {use.bit} of {count} {word} of block {use.block!r}"
                expected = f"0 to {count - 1}" if count else f"a block with {word}"
                remedy = f"correct the bit, or {word} of the block (both count from 0)"
                yield Fault(use.what, found, expected, remedy, document.locate(*use.loc))


def _check_doubles(document: Document[Station]) -> Iterator[Fault]:
    """A bit serves one purpose; a name is given once."""
    for word, uses in (("input", _inputs(document.model)), ("output", _outputs(document.model))):
        seen: dict[tuple[str, int], str] = {}
        for use in uses:
            key = (use.block, use.bit)
            if key in seen:
                found = f"{word} {use.bit} of block {use.block!r}, that of {seen[key]} too"
                remedy = f"give each {word} one purpose"
                at = document.locate(*use.loc)
                yield Fault(use.what, found, f"an {word} of its own", remedy, at)
            seen.setdefault(key, use.what)
    names: set[str] = set()
    for index, watched in enumerate(document.model.watched):
        if watched.name in names:
            what, at = f"watched input {watched.name!r}", document.locate("watched", index, "name")
            yield Fault(what, "the name twice", "each name once", "rename one of them", at)
        names.add(watched.name)


def _check_enable(document: Document[Station]) -> Iterator[Fault]:
    """An enable that feeds the relays' coils too would open them under load (cold switching)."""
    enable = document.model.outputs.enable
    if enable is not None and enable.feeds_relay_coils:
        found = "an enable that feeds the relays' coils too"
        expected = (
            "coils fed apart from it: dropping it at a trip would open contacts under load and "
            "take the discharge path away"
        )
        remedy = "feed the coils from elsewhere, then write feeds_relay_coils: no"
        at = document.locate("outputs", "enable", "feeds_relay_coils")
        yield Fault("output enable", found, expected, remedy, at)


def _check_life(document: Document[Station]) -> Iterator[Fault]:
    """A fresh reply of the coupler doesn't prove that the modules behind it are alive."""
    blocks = document.model.io
    for index, entry in enumerate(document.model.interlock):
        source = entry.source
        if not isinstance(source, IoInput) or source.block not in blocks:
            continue
        if source.second is not None and source.second.input == source.input:
            continue  # told as a double
        antivalent = source.second is not None and source.second.moves == "opposite"
        if antivalent or blocks[source.block].life_sign is not None:
            continue
        found = f"nothing that proves the inputs of block {source.block!r} alive"
        expected = (
            "a life_sign on the block, or a second channel that moves opposite: a coupler answers "
            "with old inputs while its backplane is dead"
        )
        remedy = "add life_sign: {input: …} to the block, or second: {input: …, moves: opposite}"
        at = document.locate("interlock", index, "source")
        yield Fault(f"interlock input {entry.name!r}", found, expected, remedy, at)


def _check_times(document: Document[Station]) -> Iterator[Fault]:
    """A single late reply neither opens the interlock nor lets the outputs drop."""
    blocks = document.model.io
    for name, block in blocks.items():
        least = 2 * block.period.value
        if block.drops_after.value < least:
            found = f"drops_after {block.drops_after} with a period of {block.period}"
            expected = "at least two periods: it is refreshed once in each"
            remedy = "set the coupler's watchdog longer, or shorten period"
            at = document.locate("io", name, "drops_after")
            yield Fault(f"block {name!r}", found, expected, remedy, at)
    for index, entry in enumerate(document.model.interlock):
        source = entry.source
        if not isinstance(source, IoInput) or source.block not in blocks:
            continue
        period = blocks[source.block].period
        if entry.stale_after.value < 2 * period.value:
            found = f"stale_after {entry.stale_after} with a period of {period}"
            expected = "at least two periods: one late reply would count as open"
            remedy = "raise stale_after, or shorten the block's period"
            at = document.locate("interlock", index, "stale_after")
            yield Fault(f"interlock input {entry.name!r}", found, expected, remedy, at)


def _check_alike(document: Document[Station]) -> Iterator[Fault]:
    """Blocks are as real as the instruments (rule 9)."""
    kinds = set(simulated_instruments(document.model).values())
    if len(kinds) != 1:
        return  # told of the instruments
    simulated = kinds.pop()
    for name, block in document.model.io.items():
        if block.simulated is simulated:
            continue
        words = ("simulated", "real") if block.simulated else ("real", "simulated")
        found = f"a {words[0]} block beside {words[1]} instruments"
        expected = "blocks and instruments all real, or all simulated"
        remedy = "set simulated alike for all, or keep a station file of its own for trials"
        at = document.locate("io", name)
        yield Fault(f"block {name!r}", found, expected, remedy, at)


def _check_ends(document: Document[Station]) -> Iterator[Fault]:
    """No host and port twice, neither among the blocks nor with an instrument."""
    station = document.model
    seen: dict[tuple[str, int], str] = {}
    links: dict[str, Link | None] = {name: entry.link for name, entry in station.testers.items()}
    links |= {name: entry.link for name, entry in station.chains.items()}
    for name, link in links.items():
        taken = _tcp_end(link)
        if taken is not None:
            seen.setdefault(taken, repr(name))
    for name, block in station.io.items():
        end = (block.host.lower(), block.port)
        if end in seen:
            found = f"{block.host}:{block.port}, that of {seen[end]} too"
            expected = "a host and port for each block and instrument"
            remedy = "correct one of the two"
            at = document.locate("io", name, "host")
            yield Fault(f"block {name!r}", found, expected, remedy, at)
        seen.setdefault(end, f"block {name!r}")


def _tcp_end(link: Link | None) -> tuple[str, int] | None:
    """Host and port of a link that has them; those of a VISA socket too."""
    if isinstance(link, TcpLink):
        return link.host.lower(), link.port
    if isinstance(link, VisaLink):
        parts = link.resource.upper().split("::")
        if len(parts) == 4 and parts[3] == "SOCKET" and parts[2].isdecimal():
            return parts[1].lower(), int(parts[2])
    return None
