"""Would a lead that has fallen off be noticed? By contact steps, or by a proving lower limit."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.coverage.cover import cover
from orchestrator.coverage.report import Leads
from orchestrator.documents import Document, build
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import resolve

Data = dict[str, Any]

# 2π · 50 Hz · 1 kV · 10 nF = 3.1416 mA; what a capacitor of 10 nF draws.
LEVEL = {"kind": "withstand_ac", "level": "1 kV", "level_ceiling": "1 kV", "frequency": "50 Hz"}


def leads_of(
    capacitances: list[Data], step: Data, *, nets: Data | None = None, **more: Any
) -> Leads:
    """One withstand step on a product of two phases and earth."""
    demand: Data = {"name": "d", "between": [["a"], ["pe"]], "dwell": "1 s"}
    demand |= {**LEVEL, "accept": {"total_current": {"at_most": "90 mA"}}}
    product: Data = {
        "name": "filter (invented)",
        "revision": "1",
        "nets": nets or {"a": "a", "b": "b", "pe": "pe"},
        "capacitances": capacitances,
        "insulations": [{"among": "every_net", "value": "1 Tohm", "tolerance_percent": "0"}],
        "demands": [demand],
        **more,
    }
    steps = [{"name": "w", "dwell": "1 s", **LEVEL, **step}]
    data = {"name": "p", "revision": "1", "steps": steps}
    demands = resolve(Document.built(build(Product, product), "product"))
    return cover(demands, Document.built(build(Program, data), "program")).leads


def stray(one: Any, other: Any, value: str, percent: str = "0") -> Data:
    return {"between": [one, other], "value": value, "tolerance_percent": percent}


def limited(at_least: str, one: list[str], other: list[str]) -> Data:
    accept = {"total_current": {"at_least": at_least, "at_most": "90 mA"}}
    return {"apply_to": one, "against": other, "accept": accept}


def why(leads: Leads, point: str) -> str:
    return next(lead.why for lead in leads.unproved if lead.point == point)


def test_with_one_point_a_side_any_lower_limit_shows_an_open_lead() -> None:
    """Nothing is left that could carry the current."""
    leads = leads_of([], limited("1 uA", ["a"], ["pe"]))
    assert leads.by_limit == ("a", "pe")
    assert leads.idle == ("b",)


NONE_BETWEEN = stray(["a"], ["b"], "0 pF")
"""Between the two phases: declared, and nothing."""


def test_a_group_is_proved_only_above_the_sum_without_its_smallest_member() -> None:
    """10 nF and 20 nF: without the larger 3.14 mA flow, without the smaller 6.28 mA."""
    held = [stray(["a"], ["pe"], "10 nF"), stray(["b"], ["pe"], "20 nF"), NONE_BETWEEN]

    def proved(limit: str) -> tuple[str, ...]:
        return leads_of(held, limited(limit, ["a", "b"], ["pe"])).by_limit

    assert proved("6.29 mA") == ("a", "b", "pe")
    assert proved("6.28 mA") == ("b", "pe")  # 6.283 mA flow without a
    assert proved("3 mA") == ("pe",)


def test_tolerances_count_against_the_proof() -> None:
    """With 20 % the larger one alone may draw 7.54 mA."""
    held = [stray(["a"], ["pe"], "10 nF", "20"), stray(["b"], ["pe"], "20 nF", "20"), NONE_BETWEEN]
    leads = leads_of(held, limited("7 mA", ["a", "b"], ["pe"]))
    assert "b" in leads.by_limit
    assert "without it 7.54 mA may still flow; the lower limit is 7 mA" in why(leads, "a")


def test_a_net_that_floats_still_conducts_in_series_to_its_own_side() -> None:
    """a hangs on b by 100 nF: a's 10 nF go on as 100·10/110 = 9.09 nF, 20 + 9.09 nF = 9.139 mA."""
    held = [stray(["a"], ["pe"], "10 nF"), stray(["b"], ["pe"], "20 nF")]
    held += [stray(["a"], ["b"], "100 nF")]
    leads = leads_of(held, limited("9.1 mA", ["a", "b"], ["pe"]))
    assert "without it 9.139 mA may still flow" in why(leads, "a")
    assert "a" in leads_of(held, limited("9.14 mA", ["a", "b"], ["pe"])).by_limit


def test_what_nobody_declared_bounds_nothing() -> None:
    """Between two phases there may be any capacitor: then a's whole share goes on through b."""
    held = [stray(["a"], ["pe"], "10 nF"), stray(["b"], ["pe"], "20 nF")]
    leads = leads_of(held, limited("9.4 mA", ["a", "b"], ["pe"]))
    assert "without it 9.425 mA may still flow" in why(leads, "a")
    leads = leads_of([held[0]], limited("9 mA", ["a", "b"], ["pe"]))
    assert "capacitance or insulation of pairs beside it isn't declared" in why(leads, "a")


def test_a_net_that_the_step_leaves_open_is_a_way_through_too() -> None:
    """c hangs on b and on earth by 10 nF each: 5 nF more, 1.571 mA, when a has fallen off."""
    held = [stray(["a"], ["pe"], "20 nF"), stray(["b"], ["pe"], "10 nF"), NONE_BETWEEN]
    held += [stray(["c"], ["a"], "0 pF"), stray(["c"], ["b", "pe"], "10 nF")]
    nets = {"a": "a", "b": "b", "c": "c", "pe": "pe"}
    step = limited("4.7 mA", ["a", "b"], ["pe"])
    assert "may still flow" in why(leads_of(held, step, nets=nets), "a")
    without = {name: point for name, point in nets.items() if name != "c"}
    assert "a" in leads_of(held[:3], step, nets=without).by_limit


OPEN_C = [
    ("n1", "n0", "100 pF", "0"),
    ("n2", "n0", "10 pF", "0"),
    ("n2", "n1", "20000 pF", "0"),
    ("n3", "n0", "1000 pF", "10"),
    ("n3", "n1", "5000 pF", "10"),
    ("n3", "n2", "100 pF", "0"),
    ("n4", "n0", "20000 pF", "10"),
    ("n4", "n1", "100 pF", "30"),
    ("n4", "n2", "100 pF", "10"),
    ("n4", "n3", "1000 pF", "10"),
]
OPEN_R = [
    ("n1", "n0", "10 Mohm", "0"),
    ("n2", "n0", "10 Mohm", "0"),
    ("n2", "n1", "1 Mohm", "30"),
    ("n3", "n0", "0.2 Mohm", "30"),
    ("n3", "n1", "100 Mohm", "0"),
    ("n3", "n2", "3 Mohm", "10"),
    ("n4", "n0", "3 Mohm", "30"),
    ("n4", "n1", "3 Mohm", "0"),
    ("n4", "n2", "0.2 Mohm", "10"),
    ("n4", "n3", "100 Mohm", "0"),
]


def test_a_net_left_open_among_resistors_and_capacitors_is_no_short() -> None:
    """By nodal analysis a unit of this product draws 8.841 mA with n0's lead off and n2 open: 15 %
    more than if all that floats were one node."""
    held, typical = ([stray([a], [b], v, p) for a, b, v, p in rows] for rows in (OPEN_C, OPEN_R))
    more: Data = {"nets": {f"n{i}": f"n{i}" for i in range(5)}, "insulations": typical}
    demand: Data = {"name": "d", "between": [["n0"], ["n4"]], "dwell": "1 s", **LEVEL}
    more["demands"] = [{**demand, "accept": {"total_current": {"at_most": "90 mA"}}}]

    def proved(limit: str) -> bool:
        leads = leads_of(held, limited(limit, ["n1", "n0", "n3"], ["n4"]), **more)
        return "n0" in leads.by_limit

    assert not proved("8 mA")
    assert not proved("8.841 mA")
    assert proved("20 mA")


@given(st.data())
def test_where_a_lower_limit_is_said_to_prove_a_lead_the_current_without_it_is_lower(
    data: st.DataObject,
) -> None:
    """By nodal analysis of the whole network, at the ends of the tolerances."""
    names = [f"n{i}" for i in range(data.draw(st.integers(2, 6)))]
    pairs = list(combinations(names, 2))
    drawn = [data.draw(st.integers(0, 100)) for _ in pairs]
    held = [
        stray([one], [other], f"{value} nF", "20")
        for (one, other), value in zip(pairs, drawn, strict=True)
    ]
    ohms = [data.draw(st.sampled_from(["100 kohm", "1 Mohm", "1 Gohm"])) for _ in pairs]
    typical = [
        {**stray([one], [other], value, "20")}
        for (one, other), value in zip(pairs, ohms, strict=True)
    ]
    cut, end = sorted(data.draw(st.tuples(st.integers(1, len(names)), st.integers(1, len(names)))))
    cut = min(cut, len(names) - 1)
    up, down = names[:cut], names[cut : max(end, cut + 1)]
    limit = data.draw(st.integers(1, 900))
    demand: Data = {"between": [["n0"], [names[-1]]], "name": "d", "dwell": "1 s", **LEVEL}
    demand["accept"] = {"total_current": {"at_most": "990 mA"}}
    step: Data = {"apply_to": up, "against": down}
    step["accept"] = {"total_current": {"at_least": f"{limit / 10} mA", "at_most": "990 mA"}}
    leads = leads_of(
        held, step, nets={name: name for name in names}, insulations=typical, demands=[demand]
    )
    siemens = {"100 kohm": 1e-5, "1 Mohm": 1e-6, "1 Gohm": 1e-9}
    for point in leads.by_limit:
        for high in data.draw(st.lists(st.tuples(*[st.booleans()] * len(pairs)), max_size=3)):
            edges = {
                pair: 2j * np.pi * 50 * value * 1e-9 * (1.2 if most else 0.8)
                + siemens[ohm] / (0.8 if most else 1.2)
                for pair, value, ohm, most in zip(pairs, drawn, ohms, high, strict=True)
            }
            sides = {name: 1.0 for name in up if name != point}
            sides |= {name: 0.0 for name in down if name != point}
            assert 1000 * abs(admittance(names, edges, sides)) < limit / 10 * 1e-3


def admittance(
    names: list[str], edges: dict[tuple[str, str], complex], sides: dict[str, float]
) -> complex:
    """Current per volt from the nets at 1 V into those at 0 V; the others float."""
    if len(set(sides.values())) < 2:
        return 0j
    size = len(names)
    matrix = np.zeros((size, size), dtype=complex)
    for (one, other), value in edges.items():
        i, j = names.index(one), names.index(other)
        matrix[i, i] += value
        matrix[j, j] += value
        matrix[i, j] -= value
        matrix[j, i] -= value
    fixed = [names.index(name) for name in sides]
    loose = [i for i in range(size) if i not in fixed]
    volts = np.zeros(size, dtype=complex)
    volts[fixed] = list(sides.values())
    if loose:
        inner = matrix[np.ix_(loose, loose)]
        volts[loose] = np.linalg.solve(inner, -matrix[np.ix_(loose, fixed)] @ volts[fixed])
    current: complex = sum((matrix @ volts)[names.index(n)] for n, v in sides.items() if v == 1)
    return current


def test_a_lead_shown_in_one_step_is_proved_for_all_of_the_program() -> None:
    """The run passes only if every step does: by a lower limit of a later AC step for an
    insulation step before it, and for steps after it."""
    demand: Data = {"name": "d", "between": [["a"], ["pe"]], "dwell": "1 s"}
    demand |= {**LEVEL, "accept": {"total_current": {"at_most": "90 mA"}}}
    product: Data = {"name": "x", "revision": "1", "nets": {"a": "a", "pe": "pe"}}
    product["demands"] = [demand]
    ir: Data = {"kind": "insulation", "level": "500 V", "dwell": "1 s", "level_ceiling": "500 V"}
    ir |= {"apply_to": ["a"], "against": ["pe"], "unproved_contact": "the AC step shows it"}
    ir |= {"accept": {"resistance": {"at_least": "1 Mohm"}}}
    ac = {"name": "ac", "dwell": "1 s", **LEVEL, **limited("1 uA", ["a"], ["pe"])}
    plain = {**ac, "name": "plain", "unproved_contact": "the AC step before it shows it"}
    plain["accept"] = {"total_current": {"at_most": "90 mA"}}

    def judged(*steps: Data) -> Leads:
        data: Data = {"name": "p", "revision": "1", "steps": steps}
        demands = resolve(Document.built(build(Product, product), "product"))
        return cover(demands, Document.built(build(Program, data), "program")).leads

    leads = judged({**ir, "name": "before"}, ac, {**ir, "name": "after"}, plain)
    assert (leads.by_limit, leads.unproved) == (("a", "pe"), ())
    assert [(p.point, p.by, p.step) for p in leads.proofs] == [
        ("a", "limit", 2),
        ("pe", "limit", 2),
    ]
    without = judged({**ir, "name": "before"}, {**ir, "name": "after"}, plain)
    assert [lead.steps for lead in without.unproved] == [(1, 2, 3), (1, 2, 3)]


def test_a_contact_step_need_not_be_named_by_the_step_that_relies_on_it() -> None:
    """A pass of the run takes both; what `prove_contact` adds is that the second one waits."""
    demand: Data = {"name": "d", "between": [["a"], ["pe"]], "dwell": "1 s"}
    demand |= {**LEVEL, "accept": {"total_current": {"at_most": "90 mA"}}}
    product: Data = {"name": "x", "revision": "1", "nets": {"a": "a", "pe": "pe"}}
    product["demands"] = [demand]
    contact: Data = {"name": "c", "kind": "continuity", "level": "100 mA", "dwell": "0.2 s"}
    contact |= {"apply_to": ["a"], "against": ["pe"]}
    step: Data = {"name": "w", "dwell": "1 s", **LEVEL, "apply_to": ["a"], "against": ["pe"]}
    step |= {"accept": {"total_current": {"at_most": "90 mA"}}, "unproved_contact": "see step c"}
    demands = resolve(Document.built(build(Product, product), "product"))
    for accept, proved in (({"at_most": "1 ohm"}, ("a", "pe")), ({"at_least": "1 ohm"}, ())):
        steps = [{**contact, "accept": {"resistance": accept}}, step]
        data: Data = {"name": "p", "revision": "1", "steps": steps}
        leads = cover(demands, Document.built(build(Program, data), "program")).leads
        assert leads.by_step == proved


def test_a_net_driven_by_two_points_is_shown_by_no_lower_limit() -> None:
    """One lead may hang loose unnoticed."""
    nets = {"a": ["a", "a2"], "pe": "pe"}
    leads = leads_of([], limited("1 uA", ["a", "a2"], ["pe"]), nets=nets)
    assert leads.by_limit == ("pe",)
    assert "another point drives its net" in why(leads, "a2")


def test_an_upper_limit_alone_proves_nothing() -> None:
    """An open lead passes it."""
    accept = {"total_current": {"at_most": "90 mA"}}
    step = {"apply_to": ["a"], "against": ["pe"], "accept": accept}
    assert "no lower limit on current" in why(leads_of([], step), "a")


def test_the_products_reason_accepts_a_lead_the_programs_own_is_only_told() -> None:
    """Both stand in the report."""
    accept = {"total_current": {"at_most": "90 mA"}}
    step = {"apply_to": ["a"], "against": ["pe"], "accept": accept}
    step["unproved_contact"] = "the operator looks"
    allow = {"unproved_contact": [{"points": ["pe"], "reason": "riveted, seen"}]}
    leads = leads_of([], step, allow=allow)
    assert [(lead.point, lead.reason) for lead in leads.accepted] == [("pe", "riveted, seen")]
    assert [lead.point for lead in leads.unproved] == ["a"]
    assert "the program's own reason: the operator looks" in why(leads, "a")


@pytest.mark.parametrize(
    ("contact", "proved"),
    [
        ({"apply_to": ["a"], "against": ["pe"]}, ("a", "pe")),
        ({"apply_to": ["a"], "against": ["pe", "b"]}, ("a",)),
        ({"apply_to": ["b"], "against": ["c"]}, ()),
    ],
)
def test_a_contact_step_proves_points_that_are_alone_on_their_side(
    contact: Data, proved: tuple[str, ...]
) -> None:
    """In parallel a good lead hides an open one. Before or after the step that relies on it: the
    run passes only if both pass."""
    demand: Data = {"name": "d", "between": [["a"], ["pe"]], "dwell": "1 s"}
    demand |= {**LEVEL, "accept": {"total_current": {"at_most": "90 mA"}}}
    nets = {"a": "a", "b": "b", "c": "c", "pe": "pe"}
    product: Data = {"name": "x", "revision": "1", "nets": nets, "demands": [demand]}
    named: Data = {
        "name": "c",
        "kind": "continuity",
        "level": "100 mA",
        "dwell": "0.2 s",
        **contact,
    }
    named["accept"] = {"resistance": {"at_most": "1 ohm"}}
    step: Data = {"name": "w", "dwell": "1 s", **LEVEL, "apply_to": ["a"], "against": ["pe"]}
    step |= {"accept": {"total_current": {"at_most": "90 mA"}}, "prove_contact": ["c"]}
    data: Data = {"name": "p", "revision": "1", "steps": [named, step]}
    demands = resolve(Document.built(build(Product, product), "product"))
    program = Document.built(build(Program, data), "program")
    assert cover(demands, program).leads.by_step == proved
    later = Document.built(build(Program, {**data, "steps": [step, named]}), "program")
    assert cover(demands, later).leads.by_step == proved
