"""The unit under test of a simulated bench: a file of parts between contact points."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from drivers.simulators.circuit import Branch
from orchestrator.documents import Strict, parse_document, read_document
from orchestrator.errors import refuse
from orchestrator.quantities import Dimension, Quantity, QuantityField

Point = Annotated[str, Field(min_length=1)]
Resistance = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "1 uohm", "1000 Gohm")]
Capacitance = Annotated[Quantity, QuantityField(Dimension.CAPACITANCE, "1 pF", "1 mF")]
Voltage = Annotated[Quantity, QuantityField(Dimension.VOLTAGE, "1 V", "100 kV")]


class Part(Strict):
    """What lies between two points: resistance and capacitance in parallel.

    ``breakdown``: peak voltage above which the part conducts. A part that has only a breakdown
    voltage is a gap: nothing flows below it.
    """

    between: tuple[Point, Point]
    resistance: Resistance | None = None
    capacitance: Capacitance | None = None
    breakdown: Voltage | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Part:
        if self.between[0] == self.between[1]:
            found = f"{self.between[0]!r} twice"
            raise refuse(found=found, expected="two points", remedy="name two different points")
        if self.resistance is None and self.capacitance is None and self.breakdown is None:
            expected = "resistance, capacitance or breakdown"
            raise refuse(found="neither", expected=expected, remedy="give at least one of them")
        return self

    def branch(self) -> Branch:
        """The part as the circuit knows it, nodes named as the points."""
        return Branch(
            self.between[0],
            self.between[1],
            math.inf if self.resistance is None else float(self.resistance),
            0.0 if self.capacitance is None else float(self.capacitance),
            math.inf if self.breakdown is None else float(self.breakdown),
        )


class UnitUnderTest(Strict):
    """A unit under test, as parts between contact points."""

    name: str = "unit"
    parts: Annotated[tuple[Part, ...], Field(min_length=1)]

    def branches(self) -> tuple[Branch, ...]:
        """All parts as the circuit knows them."""
        return tuple(part.branch() for part in self.parts)


def read_unit(path: str | Path) -> UnitUnderTest:
    """Read a unit file.

    Raises:
        Refused: with every fault of the file.
    """
    return read_document(path, UnitUnderTest).model


def parse_unit(text: str, name: str = "unit") -> UnitUnderTest:
    """Read a unit from text.

    Raises:
        Refused: with every fault of the text.
    """
    return parse_document(text, name, UnitUnderTest).model
