"""The station's stop-time budget: from a guard that opens until a tester is off and discharged.

Each term says where its figure comes from: the station file, a profile, this program, or an
assumption. A budget is what to expect, not a measurement; the hard-wired interlock doesn't wait
for any of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from orchestrator.binding.figures import about_seconds
from orchestrator.binding.instruments import Instruments
from orchestrator.binding.proofs import worst_bleed_s
from orchestrator.formulas.stop_time import (
    CONTACTOR_S,
    REPLY_S,
    SCAN_S,
    SOCKET_S,
    Origin,
    Term,
    serial_s,
    total_s,
)
from orchestrator.model.abilities import Abilities
from orchestrator.model.station import (
    InterlockEntry,
    IoInput,
    Link,
    SerialLink,
    SimulatedLink,
    Station,
    TesterInput,
    VisaLink,
)


@runtime_checkable
class SerialSettings(Protocol):
    """What a profile's serial settings look like, whoever made them."""

    baud: int
    bits: Literal["7", "8"]
    parity: Literal["none", "even", "odd"]
    stop_bits: Literal["1", "2"]


@dataclass(frozen=True, slots=True)
class StopMessage:
    """What is known of a tester's stop message: its length, and the profile's serial settings
    (whatever it is that the driver hands to the link)."""

    count: int
    settings: object | None = None


@dataclass(frozen=True, slots=True)
class StopTime:
    """A stop time by its terms. ``mute_s``: the longer one, where an input falls silent."""

    name: str
    terms: tuple[Term, ...]
    mute_s: float

    @property
    def total_s(self) -> float:
        """The sum (s)."""
        return total_s(self.terms)

    @property
    def assumed_s(self) -> float:
        """How much of it is assumed (s)."""
        return total_s(term for term in self.terms if term.origin == "assumed")


def stop_times(
    station: Station, instruments: Instruments, messages: Mapping[str, StopMessage]
) -> tuple[StopTime, ...]:
    """One for each tester, then one for the enable output where the station has one."""
    seen, mute_s = _detection(station, instruments)
    found = []
    for name, entry in station.testers.items():
        port = instruments.testers.get(name)
        if port is None:
            continue
        rest = (
            Term("scan of the inputs", SCAN_S, "this program"),
            *_on_link(entry.link, messages.get(name)),
            _off(station, name, port.abilities),
        )
        terms = (*seen, *rest)
        found.append(StopTime(name, terms, max(total_s(terms), mute_s + total_s(rest))))
    return (*found, *_enable(station, seen, mute_s))


def _enable(station: Station, seen: tuple[Term, ...], mute_s: float) -> tuple[StopTime, ...]:
    enable = station.outputs.enable
    if enable is None or enable.block not in station.io:
        return ()
    block = station.io[enable.block]
    rest = (
        Term("scan of the inputs", SCAN_S, "this program"),
        Term(f"writing to block {enable.block}", float(block.period), "station file"),
        Term("contactor behind the output", CONTACTOR_S, "assumed"),
    )
    terms = (*seen, *rest)
    lost_s = float(block.drops_after) + CONTACTOR_S
    slowest_s = max(total_s(terms), mute_s + total_s(rest), lost_s)
    return (StopTime("enable output", terms, slowest_s),)


# ---- until it is seen ---------------------------------------------------------------------------


def _detection(station: Station, instruments: Instruments) -> tuple[tuple[Term, ...], float]:
    """Terms of the slowest input until it counts as open, and the time if one falls mute."""
    all_terms = [_seen(entry, station, instruments) for entry in station.interlock]
    slowest = max(all_terms, key=total_s, default=())
    mute_s = max((float(entry.stale_after) for entry in station.interlock), default=0.0)
    return slowest, mute_s


def _seen(entry: InterlockEntry, station: Station, instruments: Instruments) -> tuple[Term, ...]:
    debounce_s, source = float(entry.debounce), entry.source
    found: list[Term] = []
    if debounce_s > 0:
        found.append(Term(f"debounce of {entry.name!r}", debounce_s, "station file"))
    if isinstance(source, IoInput) and source.block in station.io:
        period_s = float(station.io[source.block].period)
        what = f"{entry.name!r} read by block {source.block}, two periods"
        found.append(Term(what, 2 * period_s, "station file"))
    elif isinstance(source, TesterInput) and source.tester in instruments.testers:
        looks = 2 if debounce_s > 0 else 1
        poll_s = float(instruments.testers[source.tester].abilities.poll_s)
        twice = ", two looks" if looks > 1 else ""
        found.append(
            Term(f"{entry.name!r} asked of {source.tester}{twice}", looks * poll_s, "profile")
        )
        # Between two looks at the input lies a look at the running test as well.
        found.append(Term(f"replies about test and input{twice}", 2 * looks * REPLY_S, "assumed"))
    elif debounce_s > 0:
        found.append(Term("one more scan for the debounce", SCAN_S, "this program"))
    return tuple(found)


# ---- until it is off ----------------------------------------------------------------------------


def _on_link(link: Link, message: StopMessage | None) -> tuple[Term, ...]:
    """The stop message on its way. Without its length or the line's settings it is assumed."""
    if isinstance(link, SimulatedLink):
        return (Term("stop message (simulated link)", 0.0, "this program"),)
    if isinstance(link, SerialLink):
        return _on_serial(link, message)
    if not isinstance(link, VisaLink):
        return (Term("stop message over the network", SOCKET_S, "assumed"),)
    if link.resource.upper().startswith("ASRL"):
        return _on_serial(None, message)
    return (Term("stop message over the instrument bus or network", SOCKET_S, "assumed"),)


def _on_serial(own: SerialLink | None, message: StopMessage | None) -> tuple[Term, ...]:
    """Nothing overtakes on a serial line: a message handed over before the stop goes out first."""
    if message is None:
        return (Term("stop message on the serial line", SOCKET_S, "assumed"),)
    given = message.settings if isinstance(message.settings, SerialSettings) else None
    line = own or SerialLink(kind="serial", port="-")
    baud = line.baud or (given.baud if given else 9600)
    bits = line.bits or (given.bits if given else "8")
    parity = line.parity or (given.parity if given else "none")
    stop_bits = line.stop_bits or (given.stop_bits if given else "1")
    time_s = serial_s(message.count, baud, int(bits), int(stop_bits), parity=parity != "none")
    origin: Origin = "assumed" if given is None else "profile"
    origin = origin if line.baud is None else "station file"
    return (
        Term("another message before it on the line, as long", time_s, "assumed"),
        Term(f"stop message, {message.count} characters at {baud} baud", time_s, origin),
    )


def _off(station: Station, tester: str, abilities: Abilities) -> Term:
    """Fall and discharge: the profile's latest time, or that of the bleeder if it is longer."""
    off_s = float(abilities.off_within_s)
    bleed_s = worst_bleed_s(station, tester, abilities)
    if bleed_s is not None and bleed_s > off_s:
        what = "discharge by the bleeder from the highest level, margin 2"
        return Term(what, bleed_s, "station file")
    return Term("fall and discharge, at the latest", off_s, "profile")


# ---- in words -----------------------------------------------------------------------------------


def describe_stop(found: StopTime) -> str:
    """One line: the total, the slower case, and how much is assumed."""
    end = "dropped" if found.name == "enable output" else "off and discharged"
    line = (
        f"stop time of {found.name}: {end} within {about_seconds(found.total_s)} of a guard opening"
    )
    if found.mute_s > found.total_s:
        line += f", {about_seconds(found.mute_s)} if an input or its block falls silent"
    if found.assumed_s:
        line += f" ({about_seconds(found.assumed_s)} of it assumed)"
    return line


def describe_terms(found: StopTime) -> tuple[str, ...]:
    """One line for each term."""
    return tuple(
        f"{term.what}: {about_seconds(term.seconds)} [{term.origin}]" for term in found.terms
    )
