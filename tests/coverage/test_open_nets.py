"""A net left open is a conductor: what it may reach, and what its body carries."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from orchestrator.coverage.cover import cover
from orchestrator.coverage.picture import Mark, picture_of
from orchestrator.coverage.report import Coverage
from orchestrator.documents import Document, build
from orchestrator.model.product import Product
from orchestrator.model.resolve import read_demands, resolve
from orchestrator.model.words import StepKind
from tests.coverage.test_cover import Data, judged, program_of, said, wires, withstand


def never(one: Any, other: Any, ac: str = "50 V", dc: str = "50 V") -> Data:
    return {"between": [one, other], "ac": ac, "dc": dc, "reason": "weak insulation"}


def strength(**more: Any) -> Data:
    """w0 against w1 at 1.5 kV; w2 and further nets may float."""
    demand = withstand("strength", [], [], between=[["w0"], ["w1"]], level="1.5 kV")
    demand = {k: v for k, v in demand.items() if k not in {"apply_to", "against"}}
    product = wires(4, demands=[demand])
    product["allow"]["floating"] = [{"nets": ["w2", "w3"], "reason": "it is shielded"}]
    return {**product, **more}


STEP = withstand("one", ["p0"], ["p1"], level="1.5 kV", level_ceiling="1.5 kV")


def pairs(found: Coverage) -> set[tuple[str, str]]:
    return {pair for each in found.reached for pair, _ in each.first}


def test_an_open_net_reaches_the_level_against_either_side_so_a_declared_ceiling_counts() -> None:
    """It may float, but not at 1.5 kV against nets that may see 50 V to it."""
    found = judged(strength(never_above=[never(["w0", "w1"], ["w2"])]), STEP)
    assert not found.complete
    (reached,) = found.reached
    assert (reached.pairs, reached.reach_v) == (2, Decimal(1500))
    assert pairs(found) == {("w0", "w2"), ("w1", "w2")}
    assert "step 1 (one) lets open nets reach up to 1.5 kV AC in 2 pairs" in said(found)
    assert "w0 – w2 may see 50 V (never_above" in said(found)


def test_two_open_nets_may_stand_at_opposite_ends() -> None:
    """One follows the source, the other the return."""
    assert pairs(judged(strength(never_above=[never(["w2"], ["w3"])]), STEP)) == {("w2", "w3")}


def test_where_nothing_is_declared_for_the_pair_the_licence_to_float_counts() -> None:
    """And a ceiling at the level or above forbids nothing."""
    assert judged(strength(), STEP).complete
    high = strength(never_above=[never(["w0", "w1", "w3"], ["w2"], "1.5 kV", "50 V")])
    assert judged(high, STEP).complete


def test_the_picture_marks_pairs_that_an_open_net_takes_too_high() -> None:
    """As it marks those on opposite sides."""
    product = strength(never_above=[never(["w0", "w3"], ["w2"])])
    demands = resolve(Document.built(build(Product, product), "product.yaml"))
    picture = picture_of(demands, program_of(STEP), complete=False)
    place = {name: row for row, name in enumerate(picture.rows)}

    def mark(one: str, other: str) -> Mark:
        return picture.cells[place[one]][place[other]].mark

    assert mark("w0", "w2") is mark("w3", "w2") is Mark.STRESSED
    assert mark("w1", "w2") is Mark.FREE
    rough = picture_of(demands, program_of(STEP), complete=False, most_nets=1, most_rows=1)
    assert rough.cells[0][0].mark is Mark.STRESSED


def test_an_open_part_of_a_driven_body_is_driven() -> None:
    """w3 hangs on w0 through a load; against w1 it may see 50 V. It counts as driven in stress,
    in exposures and in what it shares of the group; it isn't afloat, and not covered."""
    load = {"name": "coil", "between": ["w0", "w3"], "accept": {"at_most": "10 ohm"}}
    product = strength(loads=[load], never_above=[never(["w3"], ["w1"])])
    found = judged(product, STEP)
    assert [pair for each in found.stresses for pair, _ in each.first] == [("w3", "w1")]
    assert (found.afloat, found.reached) == ((), ())
    (exposed,) = found.exposures
    assert exposed.histogram == {0: 4, 1: 2}  # w0–w1 and w3–w1


def test_what_hangs_on_a_driven_net_carries_its_share_in_masking_and_in_proofs_of_leads() -> None:
    """3 · 24 nF beside the pair, two of them through the load: √(5² + 15.08²) = 15.88 mA; without
    w0's lead nothing of it flows."""
    load = {"name": "coil", "between": ["w0", "w3"], "accept": {"at_most": "10 ohm"}}
    stray = [{"between": [["w0", "w3", "w2"], ["w1"]], "value": "30 nF", "tolerance_percent": "20"}]
    product = strength(loads=[load], capacitances=stray)
    product["demands"][0]["level"] = "1 kV"
    product["demands"][0]["between"] = [["w0", "w3", "w2"], ["w1"]]
    product["allow"].pop("unproved_contact")
    accept = {"total_current": {"at_least": "1 uA", "at_most": "15.88 mA"}}
    found = judged(product, withstand("one", ["p0", "p2"], ["p1"], accept=accept))
    assert found.pairs[0].masked == 0
    assert found.leads.by_limit == ("p1",)


PRODUCT = """\
name: two wires and a shield (invented)
revision: "1"
nets: {{a: pa, b: pb, c: pc}}
demands:
  - {{name: w, kind: {kind}, between: [a, b], level: {level}, dwell: 1 s, {more}
     accept: {{total_current: {{at_most: 1 mA}}}}}}
allow:
  floating: [{{nets: c, {up_to}: {volts} V, reason: a shielded wire}}]
  unproved_contact: [{{points: [pa, pb, pc], reason: not the question here}}]
"""


@pytest.mark.parametrize(
    ("kind", "level", "up_to", "volts", "may"),
    [
        (StepKind.WITHSTAND_DC, "5 kV", "up_to_ac", 50, False),
        (StepKind.WITHSTAND_DC, "1 kV", "up_to_ac", 708, True),  # √2 · 708 V = 1001 V
        (StepKind.WITHSTAND_DC, "1 kV", "up_to_ac", 707, False),  # 999.8 V
        (StepKind.WITHSTAND_AC, "1 kV", "up_to_dc", 1415, True),  # 1415 V / √2 = 1000.6 V
        (StepKind.WITHSTAND_AC, "1 kV", "up_to_dc", 1414, False),  # 999.8 V
    ],
)
def test_a_licence_for_one_waveform_is_one_for_its_peak_equivalent_of_the_other(
    tmp_path: Path, kind: StepKind, level: str, up_to: str, volts: int, may: bool
) -> None:
    """What isn't written isn't without bounds."""
    more = "frequency: 50 Hz," if kind is StepKind.WITHSTAND_AC else ""
    text = PRODUCT.format(kind=str(kind), level=level, up_to=up_to, volts=volts, more=more)
    (tmp_path / "product.yaml").write_text(text, "utf-8")
    demands = read_demands(tmp_path / "product.yaml")
    accept = {"total_current": {"at_most": "1 mA"}}
    step = withstand("w", ["pa"], ["pb"], kind=str(kind), accept=accept)
    step |= {"level": level, "level_ceiling": level}
    if kind is StepKind.WITHSTAND_DC:
        del step["frequency"]
    found = cover(demands, program_of(step))
    assert (found.afloat == ()) is may
    assert found.complete is may
