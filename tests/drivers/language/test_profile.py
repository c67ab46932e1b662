"""Profiles: what may be written, what is refused, and the abilities that come of it."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.abilities import matrix_abilities
from drivers.language.abilities import tester_abilities as abilities_of
from drivers.language.compiled_matrix import compile_matrix
from drivers.language.compiled_tester import CompiledTester, compile_tester
from drivers.language.profile import find_profile, load_matrix, load_profile, load_tester
from drivers.language.profile import parse_profile as parse
from drivers.language.profile_banks import ChainModel, SwitchModel
from drivers.language.profile_common import unescape
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from drivers.language.switches import address_of, picture
from orchestrator.errors import Refused
from orchestrator.model.abilities import Span
from orchestrator.model.words import Edge, Measured, ReadBackProof, StepKind
from orchestrator.resources import resource_folder
from tests.profiles.examples import examples

SHIPPED = sorted(path.stem for path in resource_folder("profiles").glob("*.yaml"))


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_profile_loads_and_compiles(name: str) -> None:
    """No fault in any template or rule."""
    document = load_profile(name)
    if isinstance(document.model, TesterProfile):
        assert compile_tester(load_tester(name)).stop_bytes
    else:
        assert compile_matrix(load_matrix(name)).open_all


def test_a_profile_beside_the_station_comes_before_a_shipped_one(tmp_path: Path) -> None:
    """The user's own copy wins."""
    own = tmp_path / "pell.yaml"
    own.write_text("profile: 1\n")
    assert find_profile("pell", tmp_path) == own
    assert find_profile("pell").parent == resource_folder("profiles")


def test_an_unknown_name_is_refused_with_the_known_ones() -> None:
    """The message lists what there is."""
    with pytest.raises(Refused, match="pell"):
        find_profile("pel")


def test_a_matrix_is_not_taken_for_a_tester() -> None:
    """The kind is checked before the keys, so that one message says it."""
    with pytest.raises(Refused, match="kind matrix"):
        load_tester("comb")


@pytest.mark.parametrize("text", ["profile: 1\n", "kind: toaster\n", "- a\n"])
def test_a_file_that_is_no_profile_is_refused(text: str) -> None:
    """Tester or matrix, nothing else."""
    with pytest.raises(Refused, match="tester or matrix"):
        parse(text, "x.yaml")


def shipped_text(name: str) -> str:
    return (resource_folder("profiles") / f"{name}.yaml").read_text(encoding="utf-8")


def compiled(text: str) -> CompiledTester:
    document = parse(text, "pell.yaml")
    assert isinstance(document.model, TesterProfile)
    return compile_tester(document)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("send: 'SL{level:10V d4}'", "send: 'SL{levle:10V d4}'", "did you mean 'level'"),
        ("refusal_closes: yes", "", "refusal_closes"),
        ("send: {end: '\\r'}", "send: {end: '\\q'}", "escape"),
        ("frequencies: [50 Hz, 60 Hz]", "frequencies: [50 V]", "frequency"),
        ("compliance: 8 V", "compliance: 8 A", "voltage"),
        ("state: rising, when: {state: rising}", "state: rising, when: {state: risin}", "rising"),
    ],
)
def test_a_slip_in_a_profile_is_refused_with_its_line(old: str, new: str, told: str) -> None:
    """Line and column, what was found, and what to do."""
    text = shipped_text("pell")
    if old not in text:
        pytest.skip("the shipped profile writes this otherwise")
    line = text[: text.index(old)].count("\n") + 1
    with pytest.raises(Refused, match=told) as caught:
        compiled(text.replace(old, new))
    lines = [fault.position.line for fault in caught.value.faults if fault.position]
    assert min(abs(found - line) for found in lines) <= 8


@pytest.mark.parametrize(
    ("written", "meant"),
    [(r"\r\n", "\r\n"), (r"\x02", "\x02"), (r"a\\n", "a\\n"), (r"\0", "\0"), ("> ", "> ")],
)
def test_escapes_of_terminators_mean_bytes(written: str, meant: str) -> None:
    """As YAML's single quotes leave them."""
    assert unescape(written) == meant


# ---- abilities --------------------------------------------------------------------------------


def test_the_abilities_of_the_pell_are_those_of_its_manual() -> None:
    """pell.md sections 3 and 4."""
    abilities = abilities_of(load_tester("pell").model)
    kind = abilities.kinds[StepKind.WITHSTAND_AC]
    assert kind.level == Span(Decimal(100), Decimal(4000), Decimal(10))
    limit = kind.limits[Measured.TOTAL_CURRENT, Edge.AT_MOST]
    assert limit.most == Decimal("0.04")
    assert kind.limits_during_rise == "always"
    assert (Measured.IN_PHASE_CURRENT, Edge.AT_MOST) not in kind.limits
    assert kind.indefinite_dwell_s == 0
    assert abilities.setup_check == "both"
    assert abilities.keep_alive_s == 2
    assert abilities.slots == 1
    assert abilities.reports_dwell
    assert abilities.has_interlock_query
    assert not abilities.needs_arming
    assert abilities.off_proof == "state"


def test_what_differs_between_testers_shows_in_their_abilities() -> None:
    """Arming, memory, evidence of discharge."""
    orrin = abilities_of(load_tester("orrin").model)
    stave = abilities_of(load_tester("stave").model)
    assert orrin.needs_arming
    assert orrin.discharge == "voltage"
    assert stave.slots == 16
    assert stave.discharge == "status"
    assert orrin.kinds[StepKind.WITHSTAND_AC].limits_during_rise == "settable"
    assert {m.value for m in orrin.kinds[StepKind.WITHSTAND_AC].readings} >= {
        "total_current",
        "in_phase_current",
        "voltage",
        "time",
    }


def test_the_abilities_of_a_matrix_tell_what_its_read_back_proves() -> None:
    """comb.md: coils; lattice.md: contacts."""
    proofs = {n: matrix_abilities(load_matrix(n).model).read_back for n in ("comb", "lattice")}
    assert proofs == {"comb": ReadBackProof.COIL, "lattice": ReadBackProof.CONTACT}
    bank = matrix_abilities(load_matrix("comb").model).banks["high"]
    assert bank.channels == tuple(range(1, 9))
    assert bank.rating.ac_rms_v == 4000


# ---- address switches ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "switches", "address"),
    [
        # comb.md section 1: position 1 is the most significant, down counts.
        ("comb", "up up down up down", 5),
        ("comb", "down up up up down", 17),
        ("comb", "up up up up up", 0),
        # lattice.md section 1: position 1 is the least significant, up counts.
        ("lattice", "up up down down", 3),
        ("lattice", "down up down up", 10),
    ],
)
def test_a_switch_reads_as_its_manual_says(name: str, switches: str, address: int) -> None:
    """The examples of the two manuals, both ways."""
    chain = load_matrix(name).model.chain
    assert chain is not None
    assert address_of(switches, chain) == address
    assert picture(address, chain) == switches


@pytest.mark.parametrize(
    "switches", ["down down down down", "up up up", "up up up left", "up up up up up"]
)
def test_a_picture_that_shows_no_address_is_refused(switches: str) -> None:
    """Reserved 0, a wrong number of positions, an unknown word."""
    chain = load_matrix("lattice").model.chain
    assert chain is not None
    with pytest.raises(Refused):
        address_of(switches, chain)


@given(
    positions=st.integers(1, 8),
    first=st.sampled_from(["most_significant", "least_significant"]),
    on=st.sampled_from(["on", "off"]),
    offset=st.integers(-3, 3),
    data=st.data(),
)
def test_picture_and_address_are_each_others_reverse(
    positions: int, first: str, on: str, offset: int, data: st.DataObject
) -> None:
    """Whatever order, polarity and offset the profile states."""
    switch = SwitchModel.model_validate(
        {"positions": positions, "first": first, "on": on, "words": ("on", "off"), "offset": offset}
    )
    least, most = max(offset, 0), (1 << positions) - 1 + offset
    if most < least:
        return
    chain = ChainModel(addresses=(least, most), switch=switch)
    address = data.draw(st.integers(least, most))
    assert address_of(picture(address, chain), chain) == address


def test_a_matrix_without_a_way_to_move_relays_is_refused() -> None:
    """Apply, or close with open."""
    text = shipped_text("comb")
    document = parse(text, "comb.yaml")
    assert isinstance(document.model, MatrixProfile)
    with pytest.raises(Refused, match="one way to move relays"):
        parse(text.replace("\napply:", "\nclose:", 1), "comb.yaml")


def test_a_range_of_something_that_is_not_reckoned_is_refused() -> None:
    """`derived` takes derived fields and no others."""
    text = examples()["a"].text
    given_ = "    source_current: 6 mA\n"
    assert given_ in text
    altered = text.replace(given_, f"{given_}    derived: {{level: {{range: 1 V .. 2 V}}}}\n")
    with pytest.raises(Refused, match="slope"):
        parse(altered, "p.yaml")
