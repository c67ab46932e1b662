"""Two stations of instruments that nobody knew: one with a relay rack, one that routes itself.

Everything is invented: the Brindle hot plate, its points, its limits.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent
POINTS = ("earth", "shell", "line", "neutral")

UNIT = """\
name: unit
parts:
  - {between: [earth, shell], resistance: 25 mohm}
  - {between: [line, neutral], resistance: 11 ohm}
  - {between: [line, earth], resistance: 180 Mohm, capacitance: 2 nF}
  - {between: [neutral, earth], resistance: 200 Mohm, capacitance: 1 nF}
"""
LEAKY_UNIT = UNIT + "  - {between: [neutral, shell], resistance: 1 Mohm}\n"
"""1 Mohm is below the 2 Mohm wanted, and draws 0.5 mA at 500 V (Ohm's law)."""

_BONDING = """\
  - name: bond shell
    kind: bonding
    apply_to: [shell]
    against: [earth]
    level: 10 A
    frequency: 50 Hz
    dwell: 0.5 s
    accept: {resistance: {at_most: 100 mohm}}
"""
_CONTINUITY = """\
  - name: contact mains
    kind: continuity
    apply_to: [line]
    against: [neutral]
    level: 0.2 A
    dwell: 0.3 s
    accept: {resistance: {at_most: 18 ohm}}
"""
_HIGH_VOLTAGE = """\
  - name: insulation mains
    kind: insulation
    apply_to: [line, neutral]
    against: [earth]
    others: against
    unproved_contact: a trial of profiles
    level: 500 V
    rise: 0.2 s
    dwell: 0.4 s
    accept: {resistance: {at_least: 2 Mohm}}
  - name: withstand mains
    kind: withstand_ac
    apply_to: [line, neutral]
    against: [earth]
    others: against
    unproved_contact: a trial of profiles
    level: 1250 V
    frequency: 50 Hz
    rise: 0.3 s
    dwell: 0.6 s
    limits_during_rise: yes
    accept: {total_current: {at_least: 0.2 mA, at_most: 5 mA}}
"""


def _rack_station() -> str:
    profile = HERE / "thicket" / "profile.yaml"
    chain = (
        f"    profile: {profile.as_posix()}\n"
        "    simulated: yes\n"
        "    link: {kind: simulated, instrument: thicket}\n"
        "    units:\n"
    )
    places = "".join(
        f"  H{n}: rack/first/high/{n}\n  C{n}: rack/first/bond/{n}\n  S{n}: feelers/only/bond/{n}\n"
        for n in range(1, len(POINTS) + 1)
    )
    points = "".join(
        f"    {point}: {{source: [H{n}, C{n}], sense: S{n}}}\n" for n, point in enumerate(POINTS, 1)
    )
    return (
        "name: station with a rack\n" + _tester("dapple") + f"chains:\n  rack:\n{chain}"
        "      - name: first\n        address: 0\n        feeds:\n"
        "          high: {source: dapple.output, return: dapple.return}\n"
        "          bond: {source: dapple.high_current_output, return: dapple.high_current_return}\n"
        f"  feelers:\n{chain}"
        "      - name: only\n        address: 3\n        feeds:\n"
        "          bond: {source: dapple.sense_high, return: dapple.sense_low}\n"
        f"positions:\n{places}fixture:\n  name: Brindle tray\n  revision: '1'\n  points:\n{points}"
    )


def _own_station() -> str:
    profile = HERE / "marl" / "profile.yaml"
    places = "".join(f"  H{n}: marl/1/scan/{n}\n" for n in range(1, len(POINTS) + 1))
    points = "".join(f"    {point}: {{source: [H{n}]}}\n" for n, point in enumerate(POINTS, 1))
    return (
        "name: station without a rack\n"
        + _tester("marl")
        + f"chains:\n  marl:\n    profile: {profile.as_posix()}\n"
        "    simulated: yes\n    built_in: marl\n    units:\n"
        "      - name: '1'\n        feeds:\n"
        "          scan: {source: marl.output, return: marl.return}\n"
        "exemptions:\n"
        "  - {rule: relay_position, instrument: marl, reason: its scanner can't be read back}\n"
        f"positions:\n{places}fixture:\n  name: Brindle tray\n  revision: '1'\n  points:\n{points}"
    )


def _tester(name: str) -> str:
    profile = HERE / name / "profile.yaml"
    return (
        f"testers:\n  {name}:\n    profile: {profile.as_posix()}\n    simulated: yes\n"
        f"    link: {{kind: simulated, instrument: {name}}}\n"
        "interlock:\n"
        f"  - {{name: door contact, source: {{kind: tester, tester: {name}}}}}\n"
        "  - {name: guard switch, source: {kind: simulated}}\n"
        "simulated_unit: unit.yaml\n"
    )


PROGRAMS = {
    "rack": "name: Brindle hot plate\nrevision: '1'\nsteps:\n" + _BONDING + _HIGH_VOLTAGE,
    "own": (
        "name: Brindle hot plate\nrevision: '1'\n"
        "no_protective_earth: a trial of profiles\nsteps:\n"
        + _CONTINUITY
        + _HIGH_VOLTAGE.replace("    accept", "    fall: 0 s\n    accept")
    ),
}
STATIONS = {"rack": _rack_station, "own": _own_station}


def write(folder: Path, station: str, unit: str = UNIT) -> tuple[Path, Path]:
    """A station folder; the station file and the program."""
    files = {"unit": unit, "program": PROGRAMS[station], "station": STATIONS[station]()}
    for name, text in files.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return folder / "station.yaml", folder / "program.yaml"
