"""Random products and programs of up to eight nets: judged by classes of nets and pair by pair."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.coverage.cover import cover
from orchestrator.coverage.picture import Mark, picture_of
from orchestrator.documents import Document, build
from orchestrator.errors import Refused
from orchestrator.model.demands import Demands
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import resolve
from tests.coverage.brute import Verdict, judge

LEVELS = ("200 V", "500 V", "700 V")
ACCEPT = {
    "insulation": ("resistance", "at_least", ("5 Mohm", "10 Mohm", "6 Mohm")),
    "withstand_ac": ("total_current", "at_most", ("2 mA", "3 mA", "2.5 mA")),
    "withstand_dc": ("total_current", "at_most", ("1 mA", "2 mA", "1.01 mA")),
}


@st.composite
def sets(draw: st.DrawFn, names: list[str]) -> tuple[list[str], list[str]]:
    """Two sides apart, none empty."""
    mixed = draw(st.permutations(names))
    first = draw(st.integers(1, len(names) - 1))
    return list(mixed[:first]), list(mixed[first : draw(st.integers(first + 1, len(names)))])


@st.composite
def pairs(draw: st.DrawFn, names: list[str]) -> dict[str, Any]:
    if draw(st.booleans()):
        return {"among": "every_net"}
    if draw(st.booleans()):
        return {"among": names[: draw(st.integers(2, len(names)))]}
    return {"between": list(draw(sets(names)))}


@st.composite
def limited(
    draw: st.DrawFn, name: str, *, asks: bool, kinds: tuple[str, ...] = tuple(ACCEPT)
) -> dict[str, Any]:
    kind = draw(st.sampled_from(kinds))
    quantity, edge, values = ACCEPT[kind]
    value = values[0] if asks else draw(st.sampled_from(values))
    entry: dict[str, Any] = {
        "name": name,
        "kind": kind,
        "level": draw(st.sampled_from(LEVELS[:2] if asks else LEVELS)),
        "dwell": "1 s" if asks else draw(st.sampled_from(["1 s", "1 s", "0.5 s"])),
        "accept": {quantity: {edge: value}},
    }
    if kind == "withstand_ac":
        entry["frequency"] = "50 Hz" if asks else draw(st.sampled_from(["50 Hz", "60 Hz"]))
    return entry


@st.composite
def products(draw: st.DrawFn) -> dict[str, Any]:
    names = [f"n{i}" for i in range(draw(st.integers(3, 8)))]
    nets = {name: [f"{name}.{k}" for k in range(draw(st.integers(1, 2)))] for name in names}
    product: dict[str, Any] = {"name": "made up", "revision": "1", "nets": nets}
    product["demands"] = [
        {**draw(limited(f"d{k}", asks=True)), **draw(pairs(names))}
        for k in range(draw(st.integers(1, 3)))
    ]
    if draw(st.integers(0, 3)) == 0:
        part = {"name": "coil", "between": names[:2], "accept": {"at_most": "10 ohm"}}
        product["loads"] = [part]
    counted = st.sampled_from(["each_pair", "together"])
    values = {
        "capacitances": st.sampled_from(["2 nF", "20 nF", "50 nF"]),
        "insulations": st.sampled_from(["20 Mohm", "100 Mohm", "1 Gohm"]),
    }
    for key, value in values.items():
        product[key] = [
            {**draw(pairs(names)), "value": draw(value), "tolerance_percent": "20",
             "counts": draw(counted)}
            for _ in range(draw(st.integers(0, 2)))
        ]  # fmt: skip
    high = st.sampled_from(["0 V", "300 V", "600 V", "1 kV"])
    product["never_above"] = [
        {**draw(pairs(names)), "ac": draw(high), "dc": draw(high)}
        for _ in range(draw(st.integers(0, 2)))
    ]
    product["allow"] = {}
    if draw(st.booleans()):
        floating = {"nets": names[-2:], "up_to_dc": "520 V", "reason": "it stands all of it"}
        product["allow"]["floating"] = [floating]
    product["allow"] |= {"extra_insulation": draw(st.integers(8, 12))}
    product["allow"] |= {"extra_withstand": draw(st.integers(8, 12))}
    if draw(st.integers(0, 3)) == 0:
        product["allow"]["undeclared_pairs"] = {
            "ac": "600 V",
            "dc": "600 V",
            "reason": "it is so built",
        }
    return product


@st.composite
def searches(draw: st.DrawFn, level: str) -> dict[str, Any]:
    found: dict[str, Any] = {"dwell": "1 s", "accept": {"resistance": {"at_least": "5 Mohm"}}}
    found["level"] = draw(st.sampled_from([level, "200 V"]))
    found["exposures_at_most"] = draw(st.integers(8, 12))
    if draw(st.booleans()):
        found["floating"] = "it says so here"
    if draw(st.booleans()):
        found["level_ceiling"] = found["level"]
    return found


@st.composite
def programs(draw: st.DrawFn, made: dict[str, Any]) -> dict[str, Any]:
    nets: dict[str, list[str]] = made["nets"]
    asked = tuple(demand["kind"] for demand in made["demands"]) * 2
    points = [point for held in nets.values() for point in held]
    steps = []
    for number in range(draw(st.integers(1, 5))):
        step = draw(limited(f"s{number}", asks=False, kinds=(*asked, *ACCEPT)))
        if draw(st.integers(0, 2)):  # whole nets, mostly; else single points, shorts included
            one, other = draw(sets(list(nets)))
            source = [point for net in one for point in nets[net]]
            back = [point for net in other for point in nets[net]]
        else:
            source, back = draw(sets(points))
        step |= {"apply_to": source, "against": back, "unproved_contact": "not the question"}
        step["others"] = draw(st.sampled_from(["open", "against"]))
        if draw(st.integers(0, 4)) == 0:
            step["level_ceiling"] = step["level"]
        if draw(st.integers(0, 2)) == 0:
            step |= {"on_failure": "locate", "locate": draw(searches(step["level"]))}
        steps.append(step)
    return {
        "name": "by hand",
        "revision": "1",
        "steps": steps,
        "no_protective_earth": "it is made up",
    }


def resolved(made: dict[str, Any]) -> Demands:
    """Without the loads and ceilings that forbid what the product demands."""
    for key in ("loads", "never_above", None):
        try:
            return resolve(Document.built(build(Product, made), "product"))
        except Refused:
            if key is None:
                raise
            made.pop(key, None)
    raise AssertionError("unreachable")


@given(st.data())
def test_pairs_stress_floating_and_exposures_agree_with_every_pair_looked_at(
    data: st.DataObject,
) -> None:
    """Open and masked nets can't be told by equal signatures alone; this looks at each pair."""
    made = data.draw(products())
    demands = resolved(made)
    program = Document.built(build(Program, data.draw(programs(made))), "program")
    found, wanted = cover(demands, program, name=1000), judge(demands, program.model)
    number = demands.net_named

    def numbered(names: tuple[str, str]) -> tuple[int, int]:
        one, other = sorted(number[name] for name in names)
        return one, other

    for each, bare, hidden in zip(found.pairs, wanted.open, wanted.masked, strict=True):
        assert {numbered(pair) for pair in each.open_pairs} == bare
        assert {numbered(pair.nets) for pair in each.masked_pairs} == hidden
        assert (each.open, each.masked) == (len(bare), len(hidden))
        assert each.complete == (not bare and not hidden)
    stressed = {
        s.step: {numbered(pair) for pair, _ in s.first} for s in found.stresses if not s.search
    }
    assert stressed == some(wanted.stressed)
    assert all(s.pairs == len(s.first) for s in found.stresses)
    assert all(r.pairs == len(r.first) for r in found.reached)
    floats = {a.step: {number[name] for name, _ in a.first} for a in found.afloat if not a.search}
    assert floats == some(wanted.afloat)
    reached = {
        r.step: {numbered(pair) for pair, _ in r.first} for r in found.reached if not r.search
    }
    assert reached == some(wanted.reached)
    for counted in found.exposures:
        assert counted.histogram == dict(wanted.exposed[counted.kinds])
    _same_picture(demands, program, found.complete, wanted)


def some(found: dict[int, set[Any]]) -> dict[int, set[Any]]:
    return {step: held for step, held in found.items() if held}


@given(st.data())
def test_what_a_search_may_do_agrees_with_every_pair_looked_at(data: st.DataObject) -> None:
    """Told of the search, or of its step where that does the same to the same pair or net."""
    made = data.draw(products())
    demands = resolved(made)
    program = Document.built(build(Program, data.draw(programs(made))), "program")
    found, wanted = cover(demands, program, name=1000), judge(demands, program.model)
    number = demands.net_named

    def pairs(told: Any, *, search: bool) -> dict[int, set[Any]]:
        by: dict[int, set[Any]] = {}
        for each in told:
            if each.search is search:
                numbered = {tuple(sorted(number[n] for n in pair)) for pair, _ in each.first}
                by.setdefault(each.step, set()).update(numbered)
        return by

    def nets(*, search: bool) -> dict[int, set[int]]:
        return {a.step: {number[n] for n, _ in a.first} for a in found.afloat if a.search is search}

    for told, own, all_of_it in (
        (pairs(found.stresses, search=True), pairs(found.stresses, search=False), wanted.searched),
        (
            pairs(found.reached, search=True),
            pairs(found.reached, search=False),
            wanted.search_reached,
        ),
        (nets(search=True), nets(search=False), wanted.search_afloat),
    ):
        for step in {*told, *all_of_it}:
            assert told.get(step, set()) <= all_of_it.get(step, set())
            missing = all_of_it.get(step, set()) - told.get(step, set())
            assert missing <= own.get(step, set())
    assert {each.step for each in found.overspent} == wanted.overspent


def _same_picture(
    demands: Demands, program: Document[Program], complete: bool, wanted: Verdict
) -> None:
    """Each cell says what the pairs say."""
    picture = picture_of(demands, program, complete=complete)
    place = {name: row for row, name in enumerate(picture.rows)}
    high = (wanted.stressed, wanted.reached, wanted.searched, wanted.search_reached)
    stressed = {pair for by_step in high for pairs in by_step.values() for pair in pairs}
    bare, hidden = (set().union(*sets) for sets in (wanted.open, wanted.masked))
    for pair in combinations(range(len(demands.nets)), 2):
        row, column = (place[demands.nets[net].name] for net in pair)
        mark = Mark.COVERED if demands.demands_of(*pair) else Mark.FREE
        mark = Mark.MASKED if pair in hidden else mark
        mark = Mark.OPEN if pair in bare else mark
        mark = Mark.STRESSED if pair in stressed else mark
        assert picture.cells[row][column].mark is mark
        assert picture.cells[row][column] == picture.cells[column][row]
    rough = picture_of(demands, program, complete=complete, most_nets=1, most_rows=2)
    total = sum(cell.open for row, cells in enumerate(rough.cells) for cell in cells[row:])
    assert total == sum(map(len, wanted.open))
    assert np.all([len(cells) == len(rough.rows) for cells in rough.cells])
