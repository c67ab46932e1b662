"""The Python interface: a test without files, on simulated instruments, in virtual time.

Run it: ``python examples/python_interface.py``. The product (a Fernholm kettle) is invented, and
so are its levels and limits.

The same gates stand as on the command line: a program that can't be run as written raises
`Refused` with every fault at once; a station with real instruments needs ``confirm``.
"""

# ruff: noqa: INP001, T201 - a script that prints

from __future__ import annotations

import tempfile
from pathlib import Path

from drivers.simulators.unit import UnitUnderTest
from orchestrator import (
    Fixture,
    Measured,
    Notice,
    Outcome,
    Program,
    RunResult,
    Station,
    VirtualClock,
    build,
    open_station,
)

EARTHED = ("body", "lid", "handle bracket")
POINTS = ("earth pin", "line pin", "neutral pin", *EARTHED)
MAINS = ("line pin", "neutral pin")


def build_program() -> Program:
    """Quantities are written as in a file: '25 A', '100 mohm'. A plain number is refused.

    ``build`` raises `Refused` with every fault of the data at once, as for a file.
    """
    bonding = [
        {
            "name": f"bond {part}",
            "kind": "bonding",
            "apply_to": [part],
            "against": ["earth pin"],
            "level": "25 A",
            "frequency": "50 Hz",
            "rise": "0.5 s",
            "dwell": "2 s",
            "fall": "0 s",
            "accept": {"resistance": {"at_most": "100 mohm"}},
        }
        for part in EARTHED
    ]
    contact = {
        "name": "heater",
        "kind": "continuity",
        "apply_to": ["line pin"],
        "against": ["neutral pin"],
        "level": "0.2 A",
        "rise": "0.1 s",
        "dwell": "0.5 s",
        "fall": "0 s",
        "accept": {"resistance": {"at_least": "15 ohm", "at_most": "25 ohm"}},
    }
    withstand = {
        "name": "withstand",
        "kind": "withstand_ac",
        "apply_to": list(MAINS),
        "against": ["earth pin"],
        "level": "1500 V",
        "frequency": "50 Hz",
        "rise": "1 s",
        "dwell": "60 s",  # a minute of the bench's time, a moment of yours
        "fall": "0.5 s",
        "accept": {"total_current": {"at_most": "5 mA"}},
        "prove_contact": ["bond body", "heater"],
    }
    return build(
        Program, {"name": "kettle", "revision": "1", "steps": [*bonding, contact, withstand]}
    )


def build_fixture() -> Fixture:
    """Each point has a lead for high voltage, one for high current and one for sensing."""
    points = {
        point: {"source": [f"hv{n}", f"hc{n}"], "sense": f"sense{n}"}
        for n, point in enumerate(POINTS, start=1)
    }
    return build(Fixture, {"name": "kettle stand", "points": points})


def build_station() -> Station:
    """One tester, one relay unit; both live inside this process."""
    feeds = {
        "hv": {"source": "tester.output", "return": "tester.return"},
        "hc": {
            "source": "tester.high_current_output",
            "return": "tester.high_current_return",
        },
        "sense": {"source": "tester.sense_high", "return": "tester.sense_low"},
    }
    positions = {
        f"{bank}{n}": f"relays/first/{bank}/{n}"
        for bank in feeds
        for n in range(1, len(POINTS) + 1)
    }
    return build(
        Station,
        {
            "name": "kettle bench",
            "testers": {
                "tester": {
                    "profile": "orrin",
                    "simulated": True,
                    "link": {"kind": "simulated", "instrument": "orrin"},
                }
            },
            "chains": {
                "relays": {
                    "profile": "lattice",
                    "simulated": True,
                    "link": {"kind": "simulated", "instrument": "lattice"},
                    "units": [{"name": "first", "address": 1, "feeds": feeds}],
                }
            },
            "positions": positions,
            "interlock": [{"name": "guard", "source": {"kind": "simulated"}}],
        },
    )


def build_unit(body: str) -> UnitUnderTest:
    """The kettle on the simulated bench; ``body``: resistance of its protective earth."""
    return build(
        UnitUnderTest,
        {
            "parts": [
                {"between": ["earth pin", "body"], "resistance": body},
                {"between": ["earth pin", "lid"], "resistance": "40 mohm"},
                {"between": ["earth pin", "handle bracket"], "resistance": "55 mohm"},
                {"between": ["line pin", "neutral pin"], "resistance": "21 ohm"},
                {
                    "between": ["line pin", "earth pin"],
                    "resistance": "300 Mohm",
                    "capacitance": "1.5 nF",
                },
            ]
        },
    )


def show(notice: Notice) -> None:
    """Called in the thread that owns the instruments: be quick here."""
    if notice.kind == "step_started":
        print(f"  {notice.data['step'].name} …")


def report(result: RunResult) -> None:
    """Results are typed: outcomes, decimals in SI units, readings that may be only a bound."""
    print(f"{result.serial}: {result.outcome}{' (simulated)' if result.simulated else ''}")
    for step in result.steps:
        reading = step.values.get(Measured.RESISTANCE) or step.values.get(Measured.TOTAL_CURRENT)
        value = "-" if reading is None or reading.value is None else f"{float(reading.value):.4g}"
        print(f"  {step.name:<20} {step.outcome:<10} {value:>9}  {step.reason}")


def run_two(folder: Path) -> tuple[RunResult, RunResult]:
    """A good kettle and one with a poor protective earth; records lie in ``folder``."""
    clock = VirtualClock()
    with open_station(
        build_station(), folder=folder, fixture=build_fixture(), clock=clock, show=show
    ) as live:
        schedule = live.bind(build_program())  # raises Refused with every fault
        live.bench.load_unit(build_unit(body="30 mohm"))
        good = live.run(schedule, serial="K-1", operator="script")
        live.bench.load_unit(build_unit(body="240 mohm"))
        poor = live.run(schedule, serial="K-2", operator="script")
    return good, poor


def main() -> None:
    """Run both, print both."""
    with tempfile.TemporaryDirectory() as folder:
        for result in run_two(Path(folder)):
            report(result)
            if result.outcome is Outcome.NO_VERDICT:
                print("what to do:", result.remedy)


if __name__ == "__main__":
    main()
