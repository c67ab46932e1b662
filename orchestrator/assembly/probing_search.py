"""Where does a unit that doesn't answer stand? Other addresses are asked, the likeliest first.

Each is asked with the profile's own identify exchange and nothing else, so a search is harmless.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Protocol

from orchestrator.assembly.plugins import plugin
from orchestrator.assembly.probing_chains import ChainProbe, Missing, is_garbled
from orchestrator.assembly.probing_findings import (
    WAYS,
    Candidate,
    Note,
    SearchBegins,
    SearchFound,
    SearchStep,
)
from orchestrator.assembly.probing_lines import once
from orchestrator.errors import (
    InstrumentFault,
    LinkError,
    LinkLost,
    Refused,
)
from orchestrator.model.record import Identity

CHECKERS = "ohmward.checkers"


class Switch(Protocol):
    """What a search needs to know of a type of unit; `drivers.language.switches_report` has it."""

    def stands(self, address: int) -> tuple[Any, ...]:
        """Positions with number, word, counts. Raises Refused."""
        ...

    def mistakes(self, address: int) -> tuple[Any, ...]:
        """Every other address with the ways that lead there (`kinds`), the likeliest first."""
        ...


@dataclass
class Search:
    """The search for the missing units of one chain."""

    probe: ChainProbe
    missing: tuple[Missing, ...]
    switch: Switch
    found: dict[int, Identity | None] = field(default_factory=dict)
    """Address → who answers there; None for a garbled answer."""
    asked: int = 0
    broken_off: str = ""

    def go(self) -> None:
        """Ask, and tell what was found for each missing unit. Ctrl-C ends it early."""
        addresses = self._order()
        clock, name = self.probe.line.rack.clock, self.probe.name
        try:
            each_s = self._measured_s()
            takes_s = each_s * len(addresses)
            units = tuple(m.unit.name for m in self.missing)
            self.probe.tell(SearchBegins(name, units, len(addresses), takes_s))
            began_s = clock.monotonic()
            for address in addresses:
                if self.asked:
                    each_s = (clock.monotonic() - began_s) / self.asked
                left_s = each_s * (len(addresses) - self.asked)
                step = SearchStep(
                    name, self.asked + 1, len(addresses), address, left_s, len(self.found)
                )
                self.probe.tell(step)
                self._ask(address)
                self.asked += 1
        except KeyboardInterrupt:
            self.broken_off = "interrupted"
        except LinkLost as error:
            self.broken_off = f"the link is lost: {error}"
        for missing in self.missing:
            self.probe.tell(self._result(missing, len(addresses)))

    def _order(self) -> tuple[int, ...]:
        """Addresses that no declared unit has, by the best way that leads to each."""
        declared = set(self.probe.built.addresses.values())
        best: dict[int, tuple[int, int]] = {}
        for missing in self.missing:
            for place, mistake in enumerate(self.switch.mistakes(missing.address)):
                if mistake.address not in declared:
                    rank = (_rank(mistake.kinds), place)
                    best[mistake.address] = min(rank, best.get(mistake.address, rank))
        return tuple(sorted(best, key=lambda address: (*best[address], address)))

    def _measured_s(self) -> float:
        """How long one address takes that doesn't answer: the first missing unit's own, asked a
        second time, so that the link is as the one before leaves it."""
        clock, first = self.probe.line.rack.clock, self.missing[0]
        self._ask(first.address)
        since_s = clock.monotonic()
        self._ask(first.address)
        took_s = clock.monotonic() - since_s
        if first.address in self.found:
            del self.found[first.address]
            told = f"unit {first.unit.name!r} answered when asked again: a loose plug or noise?"
            self.probe.tell(Note(told))
        return took_s

    def _ask(self, address: int) -> None:
        """Raises LinkLost; whatever else goes wrong only says that nobody declared is there."""
        unit = self.missing[0].unit
        line, matrix = self.probe.line, self.probe.alone(unit, address)
        try:
            line.ask_again(lambda: once(matrix.identify()))
            # Asked twice, so that no late answer passes for one of this address.
            self.found[address] = self.probe.identify(unit, matrix)
        except LinkLost:
            raise
        except (LinkError, InstrumentFault) as error:
            if is_garbled(error):
                self.found[address] = None

    # ---- what it comes to

    def _result(self, missing: Missing, addresses: int) -> SearchFound:
        there = (*self.found, *self.probe.garbled)
        candidates = [self._candidate(missing, address) for address in there]
        candidates.sort(key=lambda c: (*c.rank, c.address))
        return SearchFound(
            self.probe.name,
            missing.unit.name,
            missing.address,
            self.asked,
            addresses,
            tuple(candidates),
            self.broken_off,
        )

    def _candidate(self, missing: Missing, address: int) -> Candidate:
        kinds, identity = self._ways(missing, address), self.found.get(address)
        must: tuple[Any, ...] = ()
        stands: tuple[Any, ...] = ()
        try:
            must, stands = self.switch.stands(missing.address), self.switch.stands(address)
        except Refused:
            must = stands = ()  # no switch described, or it can't show this address
        better = [
            other.unit.name
            for other in self.missing
            if other is not missing
            and (pinned_to(other, identity) or _rank(self._ways(other, address)) < _rank(kinds))
        ]
        return Candidate(
            address,
            kinds,
            why(kinds, must, stands),
            identity,
            must,
            stands,
            better[0] if better else "",
            pinned=pinned_to(missing, identity),
            garbled=identity is None,
        )

    def _ways(self, missing: Missing, address: int) -> tuple[str, ...]:
        for mistake in self.switch.mistakes(missing.address):
            if mistake.address == address:
                return tuple(mistake.kinds)
        return (WAYS[-1],)


def pinned_to(missing: Missing, identity: Identity | None) -> bool:
    """Whether this is the very unit, by the serial number that the station file pins."""
    serial = missing.unit.serial
    return serial is not None and identity is not None and identity.serial == serial


def _rank(kinds: tuple[str, ...]) -> int:
    return min((WAYS.index(kind) for kind in kinds if kind in WAYS), default=len(WAYS))


def why(kinds: tuple[str, ...], must: Iterable[Any], stands: Iterable[Any]) -> str:
    """How the switch most likely got there, in words; empty without a described switch."""
    wrong = [
        f"position {a.number} stands {b.word}, should be {a.word}"
        for a, b in zip(must, stands, strict=True)
        if a.counts != b.counts
    ]
    if not wrong:
        return ""
    ways = []
    if "reversed" in kinds:
        ways.append("the whole switch reads as if set from the wrong end")
    if "inverted" in kinds:
        ways.append("every position stands the other way round")
    told = " and ".join(wrong) if len(wrong) < 3 else "; ".join(wrong)
    return f"{', or '.join(ways)}: {told}" if ways else told


def search(probe: ChainProbe, missing: tuple[Missing, ...]) -> None:
    """Search for the units that don't answer, where the driver can say how addresses are set."""
    entry = probe.entry
    if entry.driver != "profile_matrix":
        told = f"chain {probe.name!r}: its driver describes no switches, so nothing was searched"
        probe.tell(Note(told))
        return
    switch: Switch = plugin(CHECKERS, "switches")(entry.profile, probe.plan.folder)
    Search(probe, missing, switch).go()
