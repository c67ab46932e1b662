"""The Varrowby Stave's slots: their formats, ranges and memory, after profiles/stave.md, section 3.

The memory outlives power-off, and a start runs every filled slot: what an earlier program left
behind is energised too.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

from drivers.simulators.stave_wire import Refused

SLOTS: Final = 16
_PLACES: Final = 10
_BOND_COMPLIANCE_V: Final = 10.0


@dataclass(frozen=True, slots=True)
class NumberFormat:
    """One numeric field: exact decimals, the unit directly behind, and its range."""

    decimals: int
    unit: str
    low: float
    high: float

    def read(self, text: str) -> float:
        """The number in the unit of the field.

        Raises:
            Refused: 04, another format; 05, out of range.
        """
        behind = rf"\.[0-9]{{{self.decimals}}}" if self.decimals else ""
        if re.fullmatch(rf"(0|[1-9][0-9]*){behind}{self.unit}", text) is None:
            raise Refused(4)
        value = float(text.removesuffix(self.unit))
        if not self.low <= value <= self.high:
            raise Refused(5)
        return value

    def write(self, value: float) -> str:
        """The value as the wire carries it."""
        return f"{value:.{self.decimals}f}{self.unit}"


@dataclass(frozen=True, slots=True)
class KindFormat:
    """What the fields of one kind of slot look like, and the measuring range of its reading."""

    level: NumberFormat
    limit: NumberFormat
    limit_scale: float  # base units (ohm, ampere) per unit of the limit
    over: float  # above this, in the unit of the limit, the reading is OVER
    frequencies: tuple[str, ...]
    at_most_required: bool
    is_withstand: bool = False

    @property
    def is_current_source(self) -> bool:
        """True if the level is a current: BOND and CONT."""
        return self.level.unit == "A"


_TIME_UNIT = "s"
RISE: Final = NumberFormat(1, _TIME_UNIT, 0.1, 99.9)
DWELL: Final = NumberFormat(1, _TIME_UNIT, 0.3, 600.0)
FALL: Final = NumberFormat(1, _TIME_UNIT, 0.0, 99.9)

KINDS: Final = {
    "BOND": KindFormat(
        level=NumberFormat(1, "A", 1.0, 30.0),
        limit=NumberFormat(1, "mohm", 0.1, 1000.0),
        limit_scale=1e-3,
        over=2000.0,
        frequencies=("50Hz", "60Hz"),
        at_most_required=True,
    ),
    "CONT": KindFormat(
        level=NumberFormat(2, "A", 0.10, 1.00),
        limit=NumberFormat(2, "ohm", 0.01, 20.00),
        limit_scale=1.0,
        over=50.0,
        frequencies=("DC",),
        at_most_required=True,
    ),
    "INSU": KindFormat(
        level=NumberFormat(0, "V", 50, 1000),
        limit=NumberFormat(2, "Mohm", 0.01, 2000.00),
        limit_scale=1e6,
        over=2000.0,
        frequencies=("DC",),
        at_most_required=False,
    ),
    "WAC": KindFormat(
        level=NumberFormat(0, "V", 100, 3000),
        limit=NumberFormat(2, "mA", 0.01, 30.00),
        limit_scale=1e-3,
        over=33.0,
        frequencies=("50Hz", "60Hz"),
        at_most_required=True,
        is_withstand=True,
    ),
    "WDC": KindFormat(
        level=NumberFormat(0, "V", 100, 4200),
        limit=NumberFormat(2, "mA", 0.01, 10.00),
        limit_scale=1e-3,
        over=11.0,
        frequencies=("DC",),
        at_most_required=True,
        is_withstand=True,
    ),
}


@dataclass(frozen=True, slots=True)
class Slot:
    """One stored test. Limits stand in the unit of their kind's format; None is OFF."""

    kind: str
    level: float
    frequency: str
    rise_s: float
    dwell_s: float
    fall_s: float
    at_most: float | None
    at_least: float | None
    limits_from: str

    @property
    def format(self) -> KindFormat:
        return KINDS[self.kind]

    def text(self) -> str:
        """All fields behind the slot's number, as they were sent."""
        kind = self.format
        limits = (
            "OFF" if limit is None else kind.limit.write(limit)
            for limit in (self.at_most, self.at_least)
        )
        return ",".join(
            (
                self.kind,
                kind.level.write(self.level),
                self.frequency,
                RISE.write(self.rise_s),
                DWELL.write(self.dwell_s),
                FALL.write(self.fall_s),
                *limits,
                self.limits_from,
            )
        )


def slot_number(text: str) -> int:
    """The number of a slot, 1-16.

    Raises:
        Refused: 04, not a plain number; 05, no such slot.
    """
    if re.fullmatch(r"0|[1-9][0-9]*", text) is None:
        raise Refused(4)
    number = int(text)
    if not 1 <= number <= SLOTS:
        raise Refused(5)
    return number


def parse_slot(fields: tuple[str, ...]) -> tuple[int, Slot]:
    """The number and the content of a SLOT command's ten fields.

    Raises:
        Refused: 03 alone; else one code for each field at fault, in the order of the fields;
            else 11 for limits that don't go together.
    """
    if len(fields) != _PLACES:
        raise Refused(3)
    faults: list[int] = []

    def number(form: NumberFormat, text: str) -> float:
        try:
            return form.read(text)
        except Refused as refused:
            faults.extend(refused.codes)
            return form.low

    def limit(form: NumberFormat, text: str) -> float | None:
        return None if text == "OFF" else number(form, text)

    index = 1
    try:
        index = slot_number(fields[0])
    except Refused as refused:
        faults.extend(refused.codes)
    kind = KINDS.get(fields[1])
    if kind is None:
        # No other field can be judged without the kind.
        raise Refused(*faults, 4)
    level = number(kind.level, fields[2])
    if fields[3] not in kind.frequencies:
        faults.append(4)
    rise_s, dwell_s, fall_s = (
        number(form, text) for form, text in zip((RISE, DWELL, FALL), fields[4:7], strict=True)
    )
    at_most, at_least = (limit(kind.limit, text) for text in fields[7:9])
    if fields[9] not in (("RISE", "DWELL") if kind.is_withstand else ("DWELL",)):
        faults.append(4)
    if faults:
        raise Refused(*faults)
    slot = Slot(fields[1], level, fields[3], rise_s, dwell_s, fall_s, at_most, at_least, fields[9])
    _check_limits(slot)
    return index, slot


def _check_limits(slot: Slot) -> None:
    kind = slot.format
    required = slot.at_most if kind.at_most_required else slot.at_least
    if required is None:
        raise Refused(11)
    if slot.at_most is not None and slot.at_least is not None and not slot.at_least < slot.at_most:
        raise Refused(11)
    # Only BOND's compliance is stated as a rule for the set-up; CONT's 5 V shows in the run.
    if (
        slot.kind == "BOND"
        and slot.at_most is not None
        # The margin hides the binary fractions of products like 12.5 A x 800 mohm.
        and slot.level * slot.at_most * kind.limit_scale > _BOND_COMPLIANCE_V + 1e-9
    ):
        raise Refused(11)


@dataclass(slots=True)
class StepMemory:
    """The sixteen slots; they outlive power-off."""

    _slots: dict[int, Slot] = field(default_factory=dict)

    def fill(self, number: int, slot: Slot) -> None:
        """Store a slot; what stood there is replaced whole."""
        self._slots[number] = slot

    def clear_from(self, number: int) -> None:
        """Empty the slots from `number` to the last."""
        self._slots = {n: slot for n, slot in self._slots.items() if n < number}

    def filled(self) -> tuple[tuple[int, Slot], ...]:
        """All filled slots in ascending order, as a start runs them."""
        return tuple(sorted(self._slots.items(), key=lambda item: item[0]))

    def get(self, number: int) -> Slot | None:
        """The slot stored there, if any."""
        return self._slots.get(number)
