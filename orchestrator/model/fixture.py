"""The fixture: which product point sits at which position of the station."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from orchestrator.documents import Strict, WholeNumber, YesNo, refuse
from orchestrator.model.program import Hertz, Name, Reason, Volts
from orchestrator.quantities import Dimension, Quantity, QuantityField

LeadLength = Annotated[Quantity, QuantityField(Dimension.LENGTH, "1 cm", "100 m")]
LeadOhms = Annotated[Quantity, QuantityField(Dimension.RESISTANCE, "0 ohm", "10 ohm")]
LeadAmps = Annotated[Quantity, QuantityField(Dimension.CURRENT, "0 A", "100 mA")]
Carries = Annotated[Quantity, QuantityField(Dimension.CURRENT, "10 mA", "1 kA")]
Days = Annotated[WholeNumber, Field(ge=1, le=3650)]
_GAUGE = re.compile(r"AWG ([0-9]{1,2})|([0-9]{1,4}(?:\.[0-9]{1,4})?) mm2")
THINNEST_AWG = 40
AREAS_MM2 = (0.005, 1000.0)


def _as_gauge(text: str) -> str:
    found = _GAUGE.fullmatch(text)
    if found is None:
        expected = "a wire gauge such as '1.5 mm2' or 'AWG 16'"
        raise refuse(found=f"{text!r:.60}", expected=expected, remedy="write it like one of these")
    awg, area = found.groups()
    low, high = AREAS_MM2
    if int(awg) > THINNEST_AWG if awg is not None else not low <= float(area) <= high:
        expected = f"AWG 0 to AWG {THINNEST_AWG}, or {low:g} mm2 to {high:g} mm2"
        raise refuse(found=repr(text), expected=expected, remedy="correct the gauge")
    return text


Gauge = Annotated[str, AfterValidator(_as_gauge)]


def _as_tuple(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Positions = Annotated[tuple[Name, ...], BeforeValidator(_as_tuple), Field(min_length=1)]


class Placement(Strict):
    """Where one point sits: driven through ``source``, sensed through ``sense``.

    ``source`` lists every position whose lead carries current to the point (a
    high-voltage lead and a high-current lead, say); ``sense`` those that only measure.
    ``take_turns``: where several of them serve one terminal, the least worn channel is used.
    """

    source: Positions
    sense: Annotated[tuple[Name, ...], BeforeValidator(_as_tuple)] = ()
    take_turns: YesNo = False


def _as_placement(value: Any) -> Any:
    return {"source": value} if isinstance(value, str | list | tuple) else value


class Lead(Strict):
    """The lead at one position.

    ``carries``: the current that it stands, where somebody knows better than the tables do; then
    ``reason`` says why.
    """

    gauge: Gauge
    length: LeadLength
    carries: Carries | None = None
    reason: Reason | None = None

    @model_validator(mode="after")
    def _both(self) -> Lead:
        if (self.carries is None) != (self.reason is None):
            has, lacks = ("reason", "carries") if self.carries is None else ("carries", "reason")
            raise refuse(
                found=f"{has} without {lacks}",
                expected="both or neither",
                remedy="write for example carries: 40 A, reason: silicone, 180 degC by its maker",
            )
        return self


class Offset(Strict):
    """What the empty fixture itself contributes on one path, with the date it was measured.

    ``first``: the resistance when the fixture was new, for `Fixture.offset_drift_at_most`.
    ``level``, ``frequency``: at which the current was measured; without a frequency, DC.
    """

    between: Annotated[tuple[Name, Name], Field(description="two points")]
    resistance: LeadOhms | None = None
    first: LeadOhms | None = None
    current: LeadAmps | None = None
    level: Volts | None = None
    frequency: Hertz | None = None
    measured: date

    @model_validator(mode="after")
    def _of_a_current(self) -> Offset:
        for key, value, needs, held in (
            ("level", self.level, "current", self.current),
            ("frequency", self.frequency, "level", self.level),
        ):
            if value is not None and held is None:
                raise refuse(
                    found=f"{key} without {needs}",
                    expected=f"{needs} beside it: it says at which {key} that was measured",
                    remedy=f"add {needs}, or remove {key}",
                )
        return self


class Fixture(Strict):
    """A fixture with its identity.

    ``offsets_valid_days``: an offset measured longer ago is stale and refused; without it none
    is ever stale. ``offset_drift_at_most``: how far a resistance offset may lie from its first
    value.
    """

    name: Name
    revision: Name = "1"
    points: Annotated[
        dict[Name, Annotated[Placement, BeforeValidator(_as_placement)]], Field(min_length=1)
    ]
    leads: dict[Name, Lead] = Field(default_factory=dict)
    offsets: tuple[Offset, ...] = ()
    offsets_valid_days: Days | None = None
    offset_drift_at_most: LeadOhms | None = None
