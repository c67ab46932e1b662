"""With a binding, levels, limits and sides count as the wire carries them."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from orchestrator.coverage.cover import cover
from orchestrator.documents import Document, build
from orchestrator.errors import Refused
from orchestrator.model.demands import Demands
from orchestrator.model.product import Product
from orchestrator.model.program import Program
from orchestrator.model.resolve import resolve
from orchestrator.model.schedule import (
    Batch,
    BoundStep,
    LimitOrder,
    Route,
    Schedule,
    StepOrder,
)
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

INSULATION = {
    "name": "ir",
    "kind": "insulation",
    "level": "500 V",
    "dwell": "1 s",
    "accept": {"resistance": {"at_least": "10 Mohm"}},
}
ORDER = StepOrder(
    kind=StepKind.INSULATION,
    level=Decimal(500),
    waveform=Waveform.DC,
    dwell=Decimal(1),
    limits=(LimitOrder(Measured.RESISTANCE, Edge.AT_LEAST, Decimal(10_000_000)),),
)


def demands() -> Demands:
    product = {
        "name": "three nets (invented)",
        "revision": "1",
        "nets": {"a": "pa", "b": "pb", "c": "pc"},
        "demands": [{**INSULATION, "between": [["a"], ["b", "c"]]}],
        "never_above": [{"among": "every_net", "ac": "400 V", "dc": "510 V"}],
        "allow": {"unproved_contact": [{"points": ["pa", "pb", "pc"], "reason": "not asked here"}]},
    }
    return resolve(Document.built(build(Product, product), "product"))


def program() -> Document[Program]:
    step = {**INSULATION, "apply_to": ["pa"], "others": "against", "level_ceiling": "515 V"}
    data = {"name": "p", "revision": "1", "steps": [step]}
    return Document.built(build(Program, data), "program")


def bound(others: tuple[str, ...] = ("pb", "pc"), **order: Any) -> Schedule:
    carried = replace(ORDER, **order)
    step = BoundStep(
        index=0, name="ir", kind=StepKind.INSULATION, tester="t", asked=ORDER, order=carried,
        route=Route(), apply_to=("pa",), against=(), others=others, hazardous=True,
        on_failure="stop", leans_on=(), unproved_contact=None, predicted_s=1.0, deadline_s=5.0,
    )  # fmt: skip
    return Schedule(
        program="p", revision="1", fixture="f", station="s",
        batches=(Batch("t", (step,), Route(), 5.0),), simulated=True,
        safe_ac_v=Decimal(25), safe_dc_v=Decimal(60), relay_settle_s=0.1,
    )  # fmt: skip


def test_without_a_binding_a_level_may_reach_its_ceiling() -> None:
    """515 V where 510 V are allowed."""
    found = cover(demands(), program())
    assert (found.stresses[0].most_v, found.stresses[0].pairs) == (Decimal(515), 2)


def test_with_a_binding_the_level_is_that_of_the_wire() -> None:
    """505 V on the wire is allowed; 511 V isn't."""
    assert cover(demands(), program(), bound(level=Decimal(505))).complete
    found = cover(demands(), program(), bound(level=Decimal(511)))
    assert found.stresses[0].most_v == 511
    assert (found.station, found.fixture) == ("s", "f")


def test_limits_and_dwell_are_those_of_the_wire() -> None:
    """A dwell that the wire cuts short covers nothing."""
    assert cover(demands(), program(), bound(dwell=Decimal("0.9"))).pairs[0].open == 2


def test_points_that_the_fixture_lacks_are_open() -> None:
    """Others are what the fixture has."""
    found = cover(demands(), program(), bound(others=("pb",)))
    assert found.pairs[0].open_pairs == (("a", "c"),)
    assert found.afloat[0].first == (("c", None),)


def test_points_of_the_fixture_that_the_product_lacks_are_refused() -> None:
    """They would stand on the return side, and nobody said what they may see."""
    with pytest.raises(Refused, match="'px' of the fixture"):
        cover(demands(), program(), bound(others=("pb", "pc", "px")))


def test_a_schedule_of_another_program_is_an_error() -> None:
    """A mistake of the caller."""
    with pytest.raises(ValueError, match="another program"):
        cover(demands(), program(), replace(bound(), batches=()))
