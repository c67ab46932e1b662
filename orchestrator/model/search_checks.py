"""What the keys of a search must keep beside their ranges; by pieces, as the models import this."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from orchestrator.documents import refuse
from orchestrator.model.plausible import LEAST_INSULATION
from orchestrator.quantities import Quantity


def check_pair(at_least: Quantity) -> None:
    """What one pair must have is an insulation resistance. Raises PydanticCustomError."""
    if at_least < LEAST_INSULATION:
        raise refuse(
            found=f"at_least {at_least} for a pair of insulated points",
            expected=f"{LEAST_INSULATION} or more",
            remedy="look at the prefix: M is mega, m is milli",
        )


def check_good(
    groups: Sequence[Sequence[str]] | None, least: Quantity, most: Quantity | None, counts: str
) -> None:
    """An entry of ``insulation``: each point once, bounds in order. Raises PydanticCustomError."""
    if most is not None and least > most:
        raise refuse(
            found=f"least {least} above most {most}",
            expected="least not above most",
            remedy="exchange or correct the two",
        )
    if groups is None and counts == "together":
        raise refuse(
            found="a value of pairs together without groups",
            expected="groups, which say whose value it is",
            remedy="write groups, or counts: each_pair",
        )
    points = [point for group in groups or () for point in group]
    if len(set(points)) < len(points):
        twice = next(point for point in points if points.count(point) > 1)
        raise refuse(
            found=f"the point {twice!r} twice",
            expected="each point in one group, once",
            remedy="take one of the two out",
        )


def check_ceiling(level: Quantity, ceiling: Quantity | None, step: Quantity | None) -> None:
    """The search's ceiling is at its level or above, and not above the step's that is written.

    Raises PydanticCustomError.
    """
    if ceiling is None:
        return
    if ceiling < level:
        raise refuse(
            found=f"locate with a level_ceiling of {ceiling}, below its level {level}",
            expected="a ceiling at the search's level or above",
            remedy="raise level_ceiling, or lower the level",
        )
    if step is not None and ceiling > step:
        raise refuse(
            found=f"locate with a level_ceiling of {ceiling}, above the step's {step}",
            expected="a search that the step's own ceiling covers",
            remedy="lower the search's level_ceiling",
        )


def check_named(points: Collection[str], own: Collection[str]) -> None:
    """Good insulation is that of the step's own points. Raises PydanticCustomError."""
    strange = next((point for point in points if point not in own), None)
    if strange is not None:
        raise refuse(
            found=f"locate with insulation of {strange!r}, which the step doesn't name",
            expected="points of apply_to and against",
            remedy="take it out, or name it in the step",
        )
