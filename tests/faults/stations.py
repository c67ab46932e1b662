"""Three stations with one fixture and one program: different testers, different relay matrices.

Everything is invented: the Brindle kettle warmer, its points, its limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

POINTS = ("earth", "shell", "line", "neutral", "coil a", "coil b")

PROGRAM = """\
name: Brindle kettle warmer
revision: '1'
defaults:
  bonding: {frequency: 50 Hz, rise: 0.1 s, dwell: 0.3 s, fall: 0 s}
  continuity: {level: 0.2 A, rise: 0.1 s, dwell: 0.3 s, fall: 0 s}
  insulation: {level: 500 V, rise: 0.2 s, dwell: 0.4 s, fall: 0 s}
  withstand_ac: {frequency: 50 Hz, rise: 0.3 s, dwell: 0.6 s, fall: 0.2 s, limits_during_rise: yes}
  withstand_dc: {rise: 0.3 s, dwell: 0.6 s, fall: 0 s, limits_during_rise: yes}
steps:
  - name: bond shell
    kind: bonding
    apply_to: [shell]
    against: [earth]
    level: 10 A
    accept: {resistance: {at_most: 100 mohm}}
  - name: contact mains
    kind: continuity
    apply_to: [line]
    against: [neutral]
    accept: {resistance: {at_least: 5 ohm, at_most: 18 ohm}}
  - name: contact coil
    kind: continuity
    apply_to: [coil a]
    against: [coil b]
    accept: {resistance: {at_most: 10 ohm}}
  - name: insulation mains
    kind: insulation
    apply_to: [line, neutral]
    against: [earth]
    prove_contact: [bond shell, contact mains]
    accept: {resistance: {at_least: 2 Mohm}}
  - name: withstand mains
    kind: withstand_ac
    apply_to: [line, neutral]
    against: [earth]
    others: against
    prove_contact: [bond shell, contact mains, contact coil]
    level: 1250 V
    accept: {total_current: {at_least: 0.2 mA, at_most: 5 mA}}
  - name: withstand coil
    kind: withstand_dc
    apply_to: [line, neutral]
    against: [coil a, coil b]
    prove_contact: [contact mains, contact coil]
    level: 2120 V
    accept: {total_current: {at_most: 0.5 mA}}
"""

STEPS = (
    "bond shell",
    "contact mains",
    "contact coil",
    "insulation mains",
    "withstand mains",
    "withstand coil",
)

SHORT_PROGRAM = """\
name: Brindle kettle warmer, short
revision: '1'
defaults:
  all: {rise: 0.1 s, dwell: 0.3 s, fall: 0 s}
steps:
  - name: bond shell
    kind: bonding
    apply_to: [shell]
    against: [earth]
    level: 10 A
    frequency: 50 Hz
    accept: {resistance: {at_most: 100 mohm}}
  - name: withstand mains
    kind: withstand_ac
    apply_to: [line, neutral]
    against: [earth]
    others: against
    unproved_contact: a short program that only tries faults
    level: 1250 V
    frequency: 50 Hz
    fall: 0.2 s
    limits_during_rise: yes
    accept: {total_current: {at_least: 0.2 mA, at_most: 5 mA}}
  - name: withstand coil
    kind: withstand_dc
    apply_to: [line, neutral]
    against: [coil a, coil b]
    unproved_contact: a short program that only tries faults
    level: 2120 V
    limits_during_rise: yes
    accept: {total_current: {at_most: 0.5 mA}}
"""

SHORT_STEPS = ("bond shell", "withstand mains", "withstand coil")

GOOD_PARTS = (
    "{between: [earth, shell], resistance: 25 mohm}",
    "{between: [line, neutral], resistance: 11 ohm}",
    "{between: [coil a, coil b], resistance: 4 ohm}",
    "{between: [line, earth], resistance: 180 Mohm, capacitance: 2 nF}",
    "{between: [neutral, earth], resistance: 200 Mohm, capacitance: 1 nF}",
    "{between: [line, coil a], resistance: 900 Mohm, capacitance: 100 pF}",
)


def unit_text(*extra: str, without: str | None = None) -> str:
    """A good unit, with more parts or without the one that holds this text."""
    parts = [part for part in GOOD_PARTS if without is None or without not in part]
    lines = "\n".join(f"  - {part}" for part in (*parts, *extra))
    return f"name: unit\nparts:\n{lines}\n"


GOOD = unit_text()
LEAKY = unit_text("{between: [neutral, coil b], resistance: 1.2 Mohm}")
"""2120 V over 1.2 Mohm is 1.8 mA, above the 0.5 mA of the last step (Ohm's law)."""
POOR_EARTH = unit_text("{between: [earth, shell], resistance: 600 mohm}", without="[earth, shell]")
BROKEN_MAINS = unit_text("{between: [line, neutral], resistance: 900 ohm}", without="11 ohm")


@dataclass(frozen=True, slots=True)
class Make:
    """What a station is made of."""

    tester: str
    chain: str
    unit: str
    place: str
    """The unit's line for its address."""
    reached: str
    """How the chain is reached."""
    banks: tuple[str, str, str]
    """High voltage, high current, sense."""
    exemption: str = ""


MAKES = {
    "orrin": Make(
        "orrin",
        "lattice",
        "upper",
        "address: 3",
        "link: {kind: simulated, instrument: lattice}",
        ("hv", "hc", "sense"),
    ),
    "pell": Make(
        "pell",
        "comb",
        "left",
        "address: 5",
        "link: {kind: simulated, instrument: comb}",
        ("high", "bond", "sense"),
        "exemptions:\n  - {rule: relay_position, instrument: comb, "
        "reason: the Comb reads back coil currents}\n",
    ),
    "stave": Make("stave", "sprig", "box", "", "carried_by: stave", ("mix", "heavy", "sense")),
}
STATIONS = tuple(MAKES)

TESTER_INPUT = "  - {{name: door contact, source: {{kind: tester, tester: {tester}}}}}\n"
GUARD_INPUT = "  - {name: guard switch, source: {kind: simulated}}\n"
PATIENT_INPUT = (
    "  - {{name: door contact, stale_after: 2 s, source: {{kind: tester, tester: {tester}}}}}\n"
)
FILE_INPUT = "  - {name: guard file, source: {kind: file, path: guard.txt}}\n"


def station_text(station: str, *, inputs: str | None = None, links: str = "simulated") -> str:
    """A station file. ``links``: 'simulated', or the tester's link as it is to be written."""
    make = MAKES[station]
    high, heavy, sense = make.banks
    link = f"{{kind: simulated, instrument: {make.tester}}}" if links == "simulated" else links
    interlock = TESTER_INPUT.format(tester=make.tester) + GUARD_INPUT if inputs is None else inputs
    t = make.tester
    lines = [
        f"name: station {station}",
        "testers:",
        f"  {t}: {{profile: {t}, simulated: yes, link: {link}}}",
        "chains:",
        f"  {make.chain}:",
        f"    profile: {make.chain}",
        "    simulated: yes",
        f"    {make.reached}",
        "    units:",
        f"      - name: {make.unit}",
        *([f"        {make.place}"] if make.place else []),
        "        feeds:",
        f"          {high}: {{source: {t}.output, return: {t}.return}}",
        f"          {heavy}: {{source: {t}.high_current_output, return: {t}.high_current_return}}",
        f"          {sense}: {{source: {t}.sense_high, return: {t}.sense_low}}",
        "interlock:",
        interlock.rstrip("\n"),
        "simulated_unit: unit.yaml",
        "positions:",
    ]
    for letter, bank in zip("HCS", make.banks, strict=True):
        lines += [
            f"  {letter}{n}: {make.chain}/{make.unit}/{bank}/{n}" for n in range(1, len(POINTS) + 1)
        ]
    lines.append("fixture:\n  name: Brindle cradle\n  revision: '1'\n  points:")
    lines += [
        f"    {point}: {{source: [H{n}, C{n}], sense: S{n}}}" for n, point in enumerate(POINTS, 1)
    ]
    return "\n".join(lines) + "\n" + make.exemption


def write_station(
    folder: Path,
    station: str,
    *,
    unit: str = GOOD,
    inputs: str | None = None,
    extra: str = "",
) -> Path:
    """Write a station folder; returns the station file. ``extra``: more lines for it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "unit.yaml").write_text(unit, encoding="utf-8")
    (folder / "program.yaml").write_text(PROGRAM, encoding="utf-8")
    (folder / "short.yaml").write_text(SHORT_PROGRAM, encoding="utf-8")
    path = folder / "station.yaml"
    path.write_text(station_text(station, inputs=inputs) + extra, encoding="utf-8")
    return path
