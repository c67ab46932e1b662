"""Reckoned figures as people read them: three digits."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Context, Decimal

from orchestrator.model.amounts import shown
from orchestrator.model.words import StepKind
from orchestrator.quantities import Dimension

_THREE = Context(prec=3, rounding=ROUND_HALF_EVEN)


def _about(value: float | Decimal, dimension: Dimension) -> str:
    exact = value if isinstance(value, Decimal) else Decimal(repr(value))
    return shown(_THREE.plus(exact), dimension)


def volts(value: float | Decimal) -> str:
    """A voltage in V."""
    return _about(value, Dimension.VOLTAGE)


def amps(value: float | Decimal) -> str:
    """A current in A."""
    return _about(value, Dimension.CURRENT)


def farads(value: float | Decimal) -> str:
    """A capacitance in F."""
    return _about(value, Dimension.CAPACITANCE)


def joules(value: float | Decimal) -> str:
    """An energy in J."""
    return _about(value, Dimension.ENERGY)


def seconds(value: float | Decimal) -> str:
    """A time in s."""
    return _about(value, Dimension.TIME)


def siemens(value: float) -> str:
    """A conductance (S) as the resistance that it is."""
    return "no conductance" if value <= 0 else _about(1 / value, Dimension.RESISTANCE)


def kind_word(kind: StepKind) -> str:
    """'withstand AC'."""
    return {StepKind.WITHSTAND_AC: "withstand AC", StepKind.WITHSTAND_DC: "withstand DC"}.get(
        kind, str(kind)
    )


def counted(count: int, word: str) -> str:
    """'1 test', '3 tests'."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def listed(names: list[str], most: int = 6) -> str:
    """'a, b, c and 9 more'."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[: most - 1])} and {len(names) - most + 1} more"
