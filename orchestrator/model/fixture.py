"""The fixture: which product point sits at which position of the station."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from orchestrator.documents import Strict, refuse
from orchestrator.model.program import Name
from orchestrator.quantities import Dimension, Quantity, QuantityField

LeadLength = Annotated[Quantity, QuantityField(Dimension.LENGTH, "1 cm", "100 m")]
LeadOhms = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "0 ohm", "10 ohm")]
LeadAmps = Annotated[Quantity, QuantityField(Dimension.CURRENT, "0 A", "100 mA")]
_GAUGE = re.compile(r"AWG [0-9]{1,2}|[0-9]+(\.[0-9]+)? mm2")


def _as_gauge(text: str) -> str:
    if _GAUGE.fullmatch(text) is None:
        expected = "a wire gauge such as '1.5 mm2' or 'AWG 16'"
        raise refuse(found=f"{text!r:.60}", expected=expected, remedy="write it like one of these")
    return text


Gauge = Annotated[str, AfterValidator(_as_gauge)]


def _as_tuple(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Positions = Annotated[tuple[Name, ...], BeforeValidator(_as_tuple), Field(min_length=1)]


class Placement(Strict):
    """Where one point sits: driven through ``source``, sensed through ``sense``.

    ``source`` lists every position whose lead carries current to the point (a
    high-voltage lead and a high-current lead, say); ``sense`` those that only measure.
    """

    source: Positions
    sense: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = ()


def _as_placement(value: Any) -> Any:
    return {"source": value} if isinstance(value, str | list | tuple) else value


class Lead(Strict):
    """The lead at one position."""

    gauge: Gauge
    length: LeadLength


class Offset(Strict):
    """What the empty fixture itself contributes on one path, with the date it was measured."""

    between: Annotated[tuple[Name, Name], Field(description="two points")]
    resistance: LeadOhms | None = None
    current: LeadAmps | None = None
    measured: date


class Fixture(Strict):
    """A fixture with its identity."""

    name: Name
    revision: Name = "1"
    points: Annotated[
        dict[Name, Annotated[Placement, BeforeValidator(_as_placement)]], Field(min_length=1)
    ]
    leads: dict[Name, Lead] = Field(default_factory=dict)
    offsets: tuple[Offset, ...] = ()
