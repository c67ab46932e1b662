"""Real and simulated instruments never mix (rule 9), and interlock inputs that fit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from orchestrator.binding.instruments import Instruments
from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.model.station import (
    FileInput,
    InterlockEntry,
    SimulatedInput,
    Station,
    TesterInput,
)


def simulated_instruments(station: Station) -> Mapping[tuple[str, str], bool]:
    """(section, name) → whether the station declares it simulated."""
    found = {("testers", name): entry.simulated for name, entry in station.testers.items()}
    for name, chain in station.chains.items():
        # A built-in chain has no link of its own: it is as real as its tester.
        own = station.testers.get(chain.built_in) if chain.built_in else None
        found[("chains", name)] = chain.simulated if own is None else own.simulated
    return found


def is_simulated(station: Station) -> bool:
    """Whether the whole station is simulated; one real instrument makes it real."""
    return all(simulated_instruments(station).values())


def check_not_mixed(document: Document[Station]) -> Iterator[Fault]:
    """All instruments of a station are real, or all are simulated."""
    found = simulated_instruments(document.model)
    if len(set(found.values())) < 2:
        return
    real = sorted(name for (_, name), simulated in found.items() if not simulated)
    for (section, name), simulated in found.items():
        if simulated:
            expected = "all instruments of a station real, or all simulated"
            remedy = "set simulated alike for all, or keep a station file of its own for trials"
            text = f"simulated, beside the real {', '.join(real)}"
            yield Fault(
                f"{section[:-1]} {name!r}", text, expected, remedy, document.locate(section, name)
            )


def check_interlock_inputs(
    document: Document[Station], instruments: Instruments
) -> Iterator[Fault]:
    """Each interlock input exists, can be asked, and is as real as the testers."""
    names: set[str] = set()
    for index, entry in enumerate(document.model.interlock):
        at = document.locate("interlock", index)
        what = f"interlock input {entry.name!r}"
        if entry.name in names:
            yield Fault(what, "the name twice", "each name once", "rename one of them", at)
        names.add(entry.name)
        if isinstance(entry.source, TesterInput):
            yield from _check_tester_input(document, instruments, index, entry.source.tester, what)
        else:
            yield from _check_trial_input(document, index, entry, what)


def _check_tester_input(
    document: Document[Station], instruments: Instruments, index: int, tester: str, what: str
) -> Iterator[Fault]:
    at = document.locate("interlock", index, "source", "tester")
    if tester not in document.model.testers:
        known = ", ".join(sorted(document.model.testers))
        yield Fault(what, f"no tester {tester!r}", f"one of {known}", "correct the name", at)
        return
    port = instruments.testers.get(tester)
    if port is not None and not port.abilities.has_interlock_query:
        expected = "a tester that tells the state of its interlock"
        remedy = "use an input that can be read"
        yield Fault(what, f"{tester!r}, which can't be asked", expected, remedy, at)


def _check_trial_input(
    document: Document[Station], index: int, entry: InterlockEntry, what: str
) -> Iterator[Fault]:
    real = sorted(name for name, tester in document.model.testers.items() if not tester.simulated)
    if real and isinstance(entry.source, FileInput | SimulatedInput):
        kind = "file" if isinstance(entry.source, FileInput) else "simulated"
        found = f"a {kind} input with the real tester {', '.join(real)}"
        expected = "a real input: this kind is for trials on simulated testers"
        remedy = "use kind: tester, or declare every instrument simulated if it is"
        at = document.locate("interlock", index, "source")
        yield Fault(what, found, expected, remedy, at)
