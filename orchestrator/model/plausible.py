"""Limits that no instrument of the kind is meant for: a slip of a prefix, mohm for Mohm.

The borders are far from what anybody tests (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from orchestrator.documents import Loc, refuse, refuse_parts
from orchestrator.model.words import StepKind
from orchestrator.quantities import Dimension, Quantity

if TYPE_CHECKING:
    from orchestrator.model.program import Accept

LEAST_INSULATION = Quantity.of("1 kohm", Dimension.RESISTANCE)
MOST_BOND = Quantity.of("100 ohm", Dimension.RESISTANCE)


def check_plausible(kind: StepKind, accept: Accept) -> None:
    """Raise the error of a model's validator for limits on resistance that can't be meant."""
    if accept.resistance is None:
        return
    wrong = []
    for edge in ("at_least", "at_most"):
        value: Quantity | None = getattr(accept.resistance, edge)
        if value is None:
            continue
        loc: Loc = ("accept", "resistance", edge)
        if kind is StepKind.INSULATION and value < LEAST_INSULATION:
            remedy = "correct the unit: Mohm, perhaps"
            told = f"{LEAST_INSULATION} or more for insulation"
            wrong.append((loc, refuse(found=str(value), expected=told, remedy=remedy)))
        if kind is StepKind.BONDING and value > MOST_BOND:
            remedy = "correct the unit: mohm, perhaps"
            told = f"{MOST_BOND} or less for bonding"
            wrong.append((loc, refuse(found=str(value), expected=told, remedy=remedy)))
    if wrong:
        raise refuse_parts(wrong)
