"""The short form of a link on the command line, and the one instrument behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.assembly.plugins import BENCHES, DRIVERS, plugin
from orchestrator.clock import Clock
from orchestrator.contract import Link
from orchestrator.documents import Document, build
from orchestrator.errors import Fault, Refused
from orchestrator.model.station import ChainEntry, SimulatedLink, Station, TesterEntry

NAME = "on trial"
UNIT = "unit"
FORMS = "tcp:HOST:PORT, serial:PORT[,BAUD], visa:RESOURCE or simulated:NAME"


def link_data(text: str) -> dict[str, str]:
    """'tcp:host:port' and the like as a station file writes it. Raises Refused."""
    kind, _, rest = text.partition(":")
    if kind == "tcp" and ":" in rest:
        host, _, port = rest.rpartition(":")
        return {"kind": "tcp", "host": host.strip("[]"), "port": port}
    if kind == "serial" and rest:
        port, _, baud = rest.partition(",")
        return {"kind": "serial", "port": port} | ({"baud": baud} if baud else {})
    if kind == "visa" and rest:
        return {"kind": "visa", "resource": rest}
    if kind == "simulated" and rest:
        return {"kind": "simulated", "instrument": rest}
    raise Refused([Fault("--link", repr(text), FORMS, "write it in one of these forms")])


@dataclass(frozen=True)
class TrialSubject:
    """The instrument on trial on paper: its entry and the settings its profile gives the link."""

    entry: TesterEntry | ChainEntry
    defaults: object | None

    @property
    def simulated(self) -> bool:
        """Whether the link leads to a simulator in this process."""
        return isinstance(self.entry.link, SimulatedLink)


def subject_of(document: Document[Any], link: str, address: int | None) -> TrialSubject:
    """The entry that a station file would have for it. Raises Refused."""
    path = str(Path(document.file).resolve())
    data: dict[str, Any] = {"profile": path, "link": link_data(link)}
    if document.model.kind == "tester":
        if address is not None:
            data["address"] = str(address)
        entry = build(TesterEntry, data, f"--link {link}")
        built = plugin(DRIVERS, "profile_tester")(entry, NAME, Path.cwd())
        return TrialSubject(entry, built.link_defaults)
    chain = document.model.chain
    unit = {"name": UNIT}
    if chain is not None:
        unit["address"] = str(chain.addresses[0] if address is None else address)
    data["units"] = [unit]
    carried = build(ChainEntry, data, f"--link {link}")
    made = plugin(DRIVERS, "profile_matrix")(carried, NAME, Path.cwd(), {})
    return TrialSubject(carried, made.link_defaults)


def make_trial_bench(subject: TrialSubject, clock: Clock) -> Any:
    """A bench that holds the one simulated instrument. Raises Refused: unknown simulator."""
    if not subject.simulated:
        return None
    nobody = {"profile": "none", "link": {"kind": "tcp", "host": "nobody", "port": "1"}}
    data: dict[str, Any] = {
        "name": "bench of one",
        "testers": {"nobody": nobody},
        "positions": {"p1": "nobody.output"},
    }
    station = build(Station, data)
    addresses: dict[str, dict[str, int]] = {}
    if isinstance(subject.entry, TesterEntry):
        testers = {**station.testers, NAME: subject.entry}
        station = station.model_copy(update={"testers": testers})
    else:
        station = station.model_copy(update={"chains": {NAME: subject.entry}})
        addresses = {
            NAME: {u.name: u.address for u in subject.entry.units if u.address is not None}
        }
    try:
        return plugin(BENCHES, "bench")(station, None, addresses, clock=clock, folder=Path.cwd())
    except ValueError as error:
        remedy = "try it on its own link, or through a station ('ohmward probe')"
        fault = Fault("the simulator", str(error), "one that can stand alone", remedy)
        raise Refused([fault]) from error


def open_trial_link(subject: TrialSubject, clock: Clock, bench: Any) -> Link:
    """Open it. Raises LinkError, Refused."""
    from orchestrator.assembly.probing_lines import open_link

    entry = subject.entry.link
    if entry is None:
        raise RuntimeError("a trial needs a link of its own")
    return open_link(entry, NAME, subject.defaults, clock=clock, bench=bench)
