"""The shipped profiles speak as their manuals say: lines of the dialogues in profiles/*.md.

Source of every line: the section 'Dialogues' of the manual named, checksums included.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.checker import check_profile, render_report
from drivers.language.profile import load_matrix, load_profile, load_tester
from drivers.language.switches import address_of, picture
from tests.profiles.harness import MatrixPlayer, TesterPlayer

PROFILES = Path(__file__).parents[2] / "profiles"
TESTERS = ("orrin", "pell", "stave")
NAMES = (*TESTERS, "lattice", "comb", "sprig")

PELL = r"""
= identify -> PELL, SIM-0093, simulated
> ID
< ID
< DUNMARROW,PELL,SIM-0093,V1.4
< K
= interlock -> closed
> QI
< QI
< 1
< K
= prepare {kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, \
fall: 0 s, at_most: 5 mA}
> QT
< QT
< 30
< K
> CL
< CL
< K
> QT
< QT
< 00
< K
> SK4
< SK4
< K
> SL0150
< SL0150
< K
> SF50
< SF50
< K
> SR010
< SR010
< K
> SD020
< SD020
< K
> SW000
< SW000
< K
> SH00500
< SH00500
< K
> SM00000
< SM00000
< K
> QS
< QS
< 40150500100200000050000000
< K
= start
> GO
< GO
< K
= off -> on
> QT
< QT
< 00
< K
= poll -> off
> QT
< QT
< 00
< K
= poll -> dwelling, voltage 1500, total_current 0.00071
> QT
< QT
< 12
< K
> QL
< QL
< 12015000071006
< K
= poll -> complete
> QT
< QT
< 30
< K
= result -> pass, voltage 1500, total_current 0.00071, time 2, by cleared
> QR
< QR
< 4P015000071020
< K
= off -> off, discharged
> QT
< QT
< 30
< K
= prepare {kind: insulation, level: 500 V, rise: 0.5 s, dwell: 1 s, fall: 0 s, \
at_least: 2 Mohm} -> InstrumentRefused
> QT
< QT
< 40
< K
"""

STAVE = r"""
= identify -> Stave, SIM-2207, simulated
> WHO?;2D
< WHO Varrowby,Stave,SIM-2207,3.0;63
< END;D7
= prepare [{kind: bonding, level: 25 A, frequency: 50 Hz, rise: 0.5 s, dwell: 2 s, fall: 0 s, \
at_most: 100 mohm}, {kind: continuity, level: 0.2 A, rise: 0.1 s, dwell: 0.5 s, fall: 0 s, \
at_most: 1 ohm}, {kind: insulation, level: 500 V, rise: 0.5 s, dwell: 1 s, fall: 0 s, \
at_least: 2 Mohm}, {kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, \
fall: 0.5 s, at_most: 5 mA, during_rise: yes}, {kind: withstand_dc, level: 2121 V, rise: 1 s, \
dwell: 2 s, fall: 0 s, at_most: 1 mA, during_rise: yes}]
> STATUS?;23
< STATUS 0060,0;26
< END;D7
> RESET;7E
< END;D7
> STATUS?;23
< STATUS 0020,0;22
< END;D7
> SLOT 1,BOND,25.0A,50Hz,0.5s,2.0s,0.0s,100.0mohm,OFF,DWELL;6C
< END;D7
> SLOT? 1;D2
< SLOT 1,BOND,25.0A,50Hz,0.5s,2.0s,0.0s,100.0mohm,OFF,DWELL;6C
< END;D7
> SLOT 2,CONT,0.20A,DC,0.1s,0.5s,0.0s,1.00ohm,OFF,DWELL;3B
< END;D7
> SLOT? 2;D3
< SLOT 2,CONT,0.20A,DC,0.1s,0.5s,0.0s,1.00ohm,OFF,DWELL;3B
< END;D7
> SLOT 3,INSU,500V,DC,0.5s,1.0s,0.0s,OFF,2.00Mohm,DWELL;7F
< END;D7
> SLOT? 3;D4
< SLOT 3,INSU,500V,DC,0.5s,1.0s,0.0s,OFF,2.00Mohm,DWELL;7F
< END;D7
> SLOT 4,WAC,1500V,50Hz,1.0s,2.0s,0.5s,5.00mA,OFF,RISE;CA
< END;D7
> SLOT? 4;D5
< SLOT 4,WAC,1500V,50Hz,1.0s,2.0s,0.5s,5.00mA,OFF,RISE;CA
< END;D7
> SLOT 5,WDC,2121V,DC,1.0s,2.0s,0.0s,1.00mA,OFF,RISE;25
< END;D7
> SLOT? 5;D6
< SLOT 5,WDC,2121V,DC,1.0s,2.0s,0.0s,1.00mA,OFF,RISE;25
< END;D7
> CLEAR 6;BD
< END;D7
> COUNT?;C8
< COUNT 5;DE
< END;D7
= start
> LAUNCH;BB
< END;D7
= poll -> rising, slot 0
> STATUS?;23
< STATUS 0003,1;24
< END;D7
> LIVE?;6F
< LIVE 1,NONE,NONE;30
< END;D7
= poll -> dwelling, slot 3, voltage 1500, total_current 0.00071
> STATUS?;23
< STATUS 0005,4;29
< END;D7
> LIVE?;6F
< LIVE 4,1500V,0.71mA;6C
< END;D7
= poll -> discharging, slot 4
> STATUS?;23
< STATUS 0020,5;27
< END;D7
= off -> on
> STATUS?;23
< STATUS 0020,5;27
< END;D7
= poll -> complete
> STATUS?;23
< STATUS 0060,0;26
< END;D7
= result 0 -> pass, current 25, resistance 0.042, by slot_echo
> RESULT? 1;6F
< RESULT 1,BOND,PASS,25.0A,42.0mohm,2.0s;E4
< END;D7
= result 2 -> pass, voltage 500, resistance above 2000000000, time 1
> RESULT? 3;71
< RESULT 3,INSU,PASS,500V,OVER,1.0s;AD
< END;D7
= result 4 -> pass, voltage 2120, total_current 0.00001
> RESULT? 5;73
< RESULT 5,WDC,PASS,2120V,0.01mA,2.0s;B0
< END;D7
= off -> off, discharged
> STATUS?;23
< STATUS 0060,0;26
< END;D7
= poll -> off
> STATUS?;23
< STATUS 08A0,0;39
< END;D7
= identify -> InstrumentRefused
> WHO?;2D
< REFUSED 01 checksum;02
< END;D7
"""

ORRIN = r"""
= identify -> ORRIN, SIM-00417, simulated
> *IDN?
< QUILLHAVEN,ORRIN,SIM-00417,2.31
= arm
> GUARD:WATCH ON
> GUARD:WATCH?
< ON
> SYST:ERR?
< 0,"No error"
= interlock -> closed
> GUARD:DOOR?
< CLOSED
= start
> TASK:COUNT?
< 0
> TASK:BEGIN
> SYST:ERR?
< 0,"No error"
= off -> on
> TASK:STATE?
< DONE
> TERMINAL:VOLTAGE?
< +1.10000E+00
= poll -> dwelling
> TASK:STATE?
< HOLD
= off -> off, residual 4.122
> TASK:STATE?
< DONE
> TERMINAL:VOLTAGE?
< +1.10000E+00
"""

ORRIN_AC = r"""
> TASK:KIND STAND_AC
> TASK:LEVEL 1500
> TASK:FREQUENCY 50
> TASK:RISE 1.0
> TASK:DWELL 2.0
> TASK:FALL 0.5
> TASK:LIMIT:UPPER 0.005000
> TASK:LIMIT:UPPER:ACTS TOTAL
> TASK:LIMIT:LOWER 0.000100
> TASK:LIMIT:LOWER:ACTS INPHASE
> TASK:LIMIT:RISE ON
> TASK:FLASH OFF
"""
ORRIN_ANSWERS = {
    "KIND": "STAND_AC",
    "LEVEL": "+1.50000E+03",
    "FREQUENCY": "50",
    "RISE": "+1.00000E+00",
    "DWELL": "+2.00000E+00",
    "FALL": "+5.00000E-01",
    "LIMIT:UPPER": "+5.00000E-03",
    "LIMIT:UPPER:ACTS": "TOTAL",
    "LIMIT:LOWER": "+1.00000E-04",
    "LIMIT:LOWER:ACTS": "INPHASE",
    "LIMIT:RISE": "ON",
    "FLASH": "OFF",
}

COMB = r"""
= identify -> a SIM-0512, b SIM-0517
> {05I4C
< {05iFENNICK,COMB,SIM-0512,1.153
> {11I49
< {11iFENNICK,COMB,SIM-0517,1.153
= open_all
> {05Z5F
< {05+2E
> {11Z5A
< {11+2B
> {05Q54
< {05q145
> {05Q54
< {05q044
> {11Q51
< {11q041
= look -> a/high/1=source a/high/4=return a/high/5=return a/high/6=return b/high/2=return
> {05R166
< {05r101384C
> {05R265
< {05r2000045
> {05R364
< {05r3000044
> {11R163
< {11r1000241
> {11R260
< {11r2000040
> {11R361
< {11r3000041
"""

LATTICE = r"""
= identify -> a SIM-4001, b SIM-4002
> 1 NAME?
< 1 NAME Ostrel,Lattice,SIM-4001,2.0
> 2 NAME?
< 2 NAME Ostrel,Lattice,SIM-4002,2.0
= look -> a/hv/1=source a/hv/4=return a/hv/5=return a/hv/6=return b/hv/2=return
> 1 CONTACTS? hv
< 1 CONTACTS hv 5:return 1:source 6:return 4:return
> 1 CONTACTS? hc
< 1 CONTACTS hc none
> 1 CONTACTS? sense
< 1 CONTACTS sense none
> 2 CONTACTS? hv
< 2 CONTACTS hv 2:return
> 2 CONTACTS? hc
< 2 CONTACTS hc none
> 2 CONTACTS? sense
< 2 CONTACTS sense none
= look -> RelayMismatch
> 1 CONTACTS? hv
< 1 CONTACTS hv 5:unsure 1:unsure 6:unsure 4:unsure
= identify -> InstrumentRefused
> 1 NAME?
< 1 ERROR 40 no such unit
"""

SPRIG = r"""
= apply own/mix/1=source own/mix/5=return own/mix/6=return
> CARRY 1,do=put,bank=mix,c01=source,c05=return,c06=return;97
< CARRIED 1,ok=put,bank=mix;AC
< END;D7
> CARRY 1,do=put,bank=heavy;17
< CARRIED 1,ok=put,bank=heavy;09
< END;D7
"""


def wire(script: str, end: str) -> str:
    """Lines of a manual, each with its end."""
    return re.sub(r"^([<>] .*)$", lambda m: m[1] + end, script, flags=re.MULTILINE)


def summed(text: str) -> str:
    """A Stave line: the body's byte sum behind it (section 1 of its manual)."""
    return f"{text};{sum(text.encode()) & 0xFF:02X}"


def resummed(script: str) -> str:
    """A script whose bodies are right and whose sums are to be reckoned anew."""
    return re.sub(
        r"^([<>] )(.*);[0-9A-F]{2}$", lambda m: m[1] + summed(m[2]), script, flags=re.MULTILINE
    )


@pytest.mark.parametrize("name", NAMES)
def test_every_shipped_profile_is_sound(name: str) -> None:
    """No fault; what is missing has a consequence told."""
    report = check_profile(load_profile(name))
    assert report.sound, render_report(report)
    assert all(gap.consequence for gap in report.missing)


def test_the_pell_is_set_up_and_read_as_its_manual_shows() -> None:
    """Section 7: withstand AC; off isn't believed while the state may lag the start."""
    TesterPlayer(ProfileTester(load_tester("pell"), "t")).play(wire(PELL, r"\r"))


def test_the_pell_stops_with_half_a_line_in_its_input() -> None:
    """Section 1: CR S T CR."""
    assert ProfileTester(load_tester("pell"), "t").stop_bytes == (b"\rST\r",)


def test_the_stave_runs_five_slots_as_its_manual_shows() -> None:
    """Section 8; the state between two slots is no end, though the output is off there."""
    TesterPlayer(ProfileTester(load_tester("stave"), "t")).play(wire(resummed(STAVE), r"\n"))


def test_the_checksums_of_the_stave_s_manual_are_those_reckoned() -> None:
    """Lines with a sum in profiles/stave.md agree with its own rule."""
    text = (PROFILES / "stave.md").read_text(encoding="utf-8")
    lines = re.findall(r"^[<>] (.*);([0-9A-F]{2})$", text, flags=re.MULTILINE)
    wrong = [body for body, check in lines if summed(body) != f"{body};{check}"]
    assert len(lines) > 60
    assert wrong == ["WHO?"]  # sent wrong on purpose, to be refused


def test_the_orrin_speaks_as_its_manual_shows() -> None:
    """Section 8: first contact, start, measured voltage (at the upper end of its accuracy)."""
    TesterPlayer(ProfileTester(load_tester("orrin"), "t")).play(wire(ORRIN, r"\n"))


def test_the_orrin_s_set_up_is_that_of_its_manual_with_every_setting_read_back() -> None:
    """Section 8: AC withstand, limits on different currents."""
    lines = ["> SYST:ERR?", '< 0,"No error"']
    for line in ORRIN_AC.strip().splitlines():
        setting = line.removeprefix("> TASK:").split(" ")[0]
        lines += [line, f"> TASK:{setting}?", f"< {ORRIN_ANSWERS[setting]}"]
    lines += ["> SYST:ERR?", '< 0,"No error"']
    order = (
        "{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, fall: 0.5 s, "
        "total_current_at_most: 5 mA, in_phase_current_at_least: 0.1 mA, during_rise: yes}"
    )
    script = "\n".join([f"= prepare {order}", *lines])
    TesterPlayer(ProfileTester(load_tester("orrin"), "t")).play(wire(script, r"\n"))


def test_the_comb_speaks_as_its_manual_shows() -> None:
    """Section 5, units 05 and 17."""
    chain = ProfileMatrix(load_matrix("comb"), "c", {"a": 5, "b": 17})
    MatrixPlayer(chain).play(wire(COMB, r"\r"))


def test_the_lattice_speaks_as_its_manual_shows() -> None:
    """Section 5, units 1 and 2."""
    chain = ProfileMatrix(load_matrix("lattice"), "c", {"a": 1, "b": 2})
    MatrixPlayer(chain).play(wire(LATTICE, r"\n"))


def test_the_sprig_is_carried_by_the_stave_as_its_manual_shows() -> None:
    """Section 5: 'byte for byte on a Stave's link', here with the telegram of the mix bank."""
    chain = ProfileMatrix(load_matrix("sprig"), "c", {"own": None})
    carrier = ProfileTester(load_tester("stave"), "t")
    script = resummed(SPRIG)
    for bank in ("sense",):
        script += f"> {summed(f'CARRY 1,do=put,bank={bank}')}\n"
        script += f"< {summed(f'CARRIED 1,ok=put,bank={bank}')}\n< END;D7\n"
    for bank in ("mix", "heavy", "sense"):
        script += f"> {summed(f'CARRY 1,do=look,bank={bank}')}\n"
        script += f"< {summed(f'CARRIED 1,ok=look,bank={bank},moving=no')}\n< END;D7\n"
    MatrixPlayer(CarriedMatrix(chain, carrier)).play(wire(script, r"\n"))


@pytest.mark.parametrize(
    ("name", "switches", "address"),
    [
        ("comb", "up up down up down", 5),  # comb.md section 1
        ("comb", "down up up up down", 17),
        ("comb", "up up up up up", 0),
        ("lattice", "up up down down", 3),  # lattice.md section 1
        ("lattice", "down up down up", 10),
    ],
)
def test_address_switches_read_as_the_manuals_say(name: str, switches: str, address: int) -> None:
    """Both ways; position 1 counts most in one and least in the other."""
    chain = load_matrix(name).model.chain
    assert chain is not None
    assert address_of(switches, chain) == address
    assert picture(address, chain) == switches


@pytest.mark.parametrize("name", NAMES)
def test_every_block_of_a_profile_cites_its_manual(name: str) -> None:
    """Section marks in the comments, and the manual's file beside the profile."""
    text = (PROFILES / f"{name}.yaml").read_text(encoding="utf-8")
    assert text.count("§") >= 15
    assert (PROFILES / load_profile(name).model.manual).is_file()
