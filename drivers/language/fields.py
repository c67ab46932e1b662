"""The closed vocabulary of the profile language: what may stand between braces in a template.

A name that isn't here is refused wherever it stands; a misspelt field can't be sent as nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from types import MappingProxyType
from typing import Literal

from orchestrator.model.words import StepKind, Waveform
from orchestrator.units import Dimension


class FieldKind(StrEnum):
    """What travels in a field."""

    QUANTITY = "quantity"  # Decimal in SI units; a Reading where the field is a reading
    WORD = "word"  # a neutral word
    NUMBER = "number"  # whole number
    TEXT = "text"
    BITS = "bits"  # register whose single bits have meanings; whole number
    MASK = "mask"  # one bit per channel; whole number
    LIST = "list"  # tuple of whole numbers
    ROLES = "roles"  # tuple of role words


Rounding = Literal["up", "down", "nearest", "exact"]


@dataclass(frozen=True, slots=True)
class FieldSpec:
    """One field of the vocabulary.

    Attributes:
        dimension: of a quantity; ``None`` where it depends on the kind of step.
        settable: may stand in a message to the instrument. readable: in one from it.
        reading: parses to ``Reading``: a value, a bound or no reading.
        derived: computed from the order, never asked for in a program.
        rounding: which way the value may move on its way to the wire, if binding asks for it:
            limits tighten, a level goes up. Derived fields move so by themselves.
        words: the neutral words; ``None`` where the profile names them (banks, states, causes).
    """

    name: str
    kind: FieldKind
    doc: str
    dimension: Dimension | None = None
    settable: bool = False
    readable: bool = True
    reading: bool = False
    derived: bool = False
    rounding: Rounding = "exact"
    words: frozenset[str] | None = None


def _set_point(
    name: str,
    doc: str,
    dimension: Dimension | None,
    rounding: Rounding,
    *,
    derived: bool = False,
) -> FieldSpec:
    return FieldSpec(
        name,
        FieldKind.QUANTITY,
        doc,
        dimension,
        settable=True,
        rounding=rounding,
        derived=derived,
    )


def _reading(name: str, doc: str, dimension: Dimension | None) -> FieldSpec:
    return FieldSpec(name, FieldKind.QUANTITY, doc, dimension, reading=True, rounding="nearest")


def _word(
    name: str,
    doc: str,
    words: Iterable[str] | None = None,
    *,
    settable: bool = True,
    derived: bool = False,
) -> FieldSpec:
    closed = None if words is None else frozenset(map(str, words))
    return FieldSpec(name, FieldKind.WORD, doc, settable=settable, derived=derived, words=closed)


def _plain(kind: FieldKind, name: str, doc: str, *, settable: bool = True) -> FieldSpec:
    return FieldSpec(name, kind, doc, settable=settable)


_ON_OFF = ("on", "off")
_V, _A, _OHM = Dimension.VOLTAGE, Dimension.CURRENT, Dimension.RESISTANCE
_S, _HZ, _SLOPE = Dimension.TIME, Dimension.FREQUENCY, Dimension.SLOPE

_SET_POINTS = (
    _set_point("level", "test level: V, or A in bonding and continuity", None, "up"),
    _set_point("rise", "time from zero to the level", _S, "up"),
    _set_point("dwell", "time at the level", _S, "up"),
    _set_point("fall", "time from the level to zero", _S, "up"),
    _set_point("frequency", "frequency of an AC level", _HZ, "exact"),
    _set_point("at_least", "lower limit of the kind's main quantity", None, "up"),
    _set_point("at_most", "upper limit of the kind's main quantity", None, "down"),
    _set_point("total_current_at_least", "lower limit of the total current", _A, "up"),
    _set_point("total_current_at_most", "upper limit of the total current", _A, "down"),
    _set_point("in_phase_current_at_least", "lower limit of the in-phase current", _A, "up"),
    _set_point("in_phase_current_at_most", "upper limit of the in-phase current", _A, "down"),
    _set_point("resistance_at_least", "lower limit of the resistance", _OHM, "up"),
    _set_point("resistance_at_most", "upper limit of the resistance", _OHM, "down"),
    _set_point("flash_over", "limit of a fast current step", _A, "down"),
    _set_point("settle", "wait before the reading is judged", _S, "up"),
)

_DERIVED = (
    _set_point("total_time", "rise + dwell + fall", _S, "up", derived=True),
    _set_point("slope", "level / rise, V/s or A/s", _SLOPE, "down", derived=True),
    _set_point("fall_slope", "level / fall, V/s or A/s", _SLOPE, "down", derived=True),
    _set_point("peak_level", "square root of 2 times an AC level", None, "up", derived=True),
    _set_point(
        "judged_current_at_least",
        "lower limit of the total or the in-phase current, whichever the order has",
        _A,
        "up",
    ),
    _set_point(
        "judged_current_at_most",
        "upper limit of the total or the in-phase current, whichever the order has",
        _A,
        "down",
    ),
    _set_point("limit_current_at_least", "level / resistance_at_most", _A, "up", derived=True),
    _set_point("limit_current_at_most", "level / resistance_at_least", _A, "down", derived=True),
    _set_point("limit_drop_at_least", "level · resistance_at_least", _V, "up", derived=True),
    _set_point("limit_drop_at_most", "level · resistance_at_most", _V, "down", derived=True),
    _set_point(
        "limit_resistance_at_least",
        "level / total_current_at_most",
        _OHM,
        "up",
        derived=True,
    ),
    _set_point(
        "limit_resistance_at_most",
        "level / total_current_at_least",
        _OHM,
        "down",
        derived=True,
    ),
)

_JUDGED = ("total_current", "in_phase_current")
_WORDS = (
    _word("kind", "kind of step", tuple(StepKind)),
    _word(
        "kind_waveform",
        "kind of step together with AC or DC, where one wire word says both",
        (
            "bonding_ac",
            "bonding_dc",
            "continuity_ac",
            "continuity_dc",
            "insulation",
            "withstand_ac",
            "withstand_dc",
        ),
        derived=True,
    ),
    _word("waveform", "AC or DC", tuple(Waveform)),
    _word("during_rise", "whether limits act in the rise", _ON_OFF),
    _word("at_most_acts_on", "which current an upper limit acts on", _JUDGED, derived=True),
    _word("at_least_acts_on", "which current a lower limit acts on", _JUDGED, derived=True),
    _word("switch", "on or off", _ON_OFF),
    _word("armed", "whether a protection is switched on", _ON_OFF),
    _word("remote", "whether remote mode is on", _ON_OFF),
    _word("moving", "whether relays are moving", _ON_OFF, settable=False),
    _word("interlock", "as the instrument sees it", ("closed", "open"), settable=False),
    _word("state", "what the instrument says it does; the profile's own words", settable=False),
    _word(
        "verdict",
        "the instrument's verdict",
        ("pass", "fail", "breakdown", "overloaded", "no_verdict"),
        settable=False,
    ),
    _word("cause", "why a step ended; the profile's own words", settable=False),
    _word("role", "role of a channel", ("source", "return", "sense", "open", "both", "unsure")),
    _word("bank", "bank of a relay unit; the profile's own names"),
)

_NUMBERS = (
    _plain(FieldKind.NUMBER, "slot", "number of a stored step, as the instrument counts"),
    _plain(FieldKind.NUMBER, "next_slot", "the slot behind the last one of the batch"),
    _plain(FieldKind.NUMBER, "steps", "number of steps in the batch"),
    _plain(FieldKind.NUMBER, "unit", "address of a unit"),
    _plain(FieldKind.NUMBER, "channel", "channel of a bank"),
    _plain(FieldKind.NUMBER, "count", "how many"),
    _plain(FieldKind.NUMBER, "position", "place of an item in a list"),
    _plain(FieldKind.NUMBER, "exponent", "power of ten of a mantissa (exp=exponent)"),
    _plain(FieldKind.NUMBER, "exponent_2", "power of ten of a second mantissa"),
    _plain(FieldKind.NUMBER, "exponent_3", "power of ten of a third mantissa"),
    _plain(FieldKind.NUMBER, "counter", "counter of starts or results", settable=False),
    _plain(FieldKind.NUMBER, "code", "number of an error or of a reason", settable=False),
    _plain(FieldKind.BITS, "status", "status register", settable=False),
    _plain(FieldKind.BITS, "status_2", "a second status register", settable=False),
    _plain(FieldKind.MASK, "source_mask", "channels on the source side, bit per channel"),
    _plain(FieldKind.MASK, "return_mask", "channels on the return side, bit per channel"),
    _plain(FieldKind.MASK, "sense_mask", "channels on sense, bit per channel"),
    _plain(FieldKind.MASK, "closed_mask", "closed channels, bit per channel"),
    _plain(FieldKind.LIST, "channels", "channels of whatever role"),
    _plain(FieldKind.LIST, "source_channels", "channels on the source side"),
    _plain(FieldKind.LIST, "return_channels", "channels on the return side"),
    _plain(FieldKind.LIST, "sense_channels", "channels on sense"),
    _plain(FieldKind.LIST, "open_channels", "channels that are open"),
    _plain(FieldKind.ROLES, "channel_roles", "role word of every channel of a bank in turn"),
)

_READINGS = (
    _reading("reading", "the kind's main measured quantity", None),
    _reading("live", "the kind's main quantity while the step runs", None),
    _reading("level_reached", "level reached: V, or A in bonding and continuity", None),
    _reading("total_current", "total current", _A),
    _reading("in_phase_current", "current in phase with the voltage", _A),
    _reading("resistance", "resistance", _OHM),
    _reading("voltage", "voltage reached", _V),
    _reading("current", "current driven", _A),
    _reading("elapsed", "time at the level", _S),
    _reading("state_time", "time in the present state", _S),
    _reading("residual", "voltage at the output after the end", _V),
)

_TEXTS = (
    _plain(FieldKind.TEXT, "maker", "maker of the instrument", settable=False),
    _plain(FieldKind.TEXT, "model", "model of the instrument", settable=False),
    _plain(FieldKind.TEXT, "serial", "serial number", settable=False),
    _plain(FieldKind.TEXT, "firmware", "version of the firmware", settable=False),
    _plain(FieldKind.TEXT, "payload", "message of a carried instrument"),
    _plain(FieldKind.TEXT, "items", "list of items with a notation of their own"),
    _plain(FieldKind.TEXT, "message", "text of an error or event", settable=False),
    _plain(FieldKind.TEXT, "skip", "text that is ignored; may stand several times", settable=False),
)

FIELDS: Mapping[str, FieldSpec] = MappingProxyType(
    {spec.name: spec for spec in (*_SET_POINTS, *_DERIVED, *_WORDS, *_NUMBERS, *_READINGS, *_TEXTS)}
)
"""Every field, by name."""


def nearest(name: str, known: Iterable[str]) -> str:
    """'write X' or 'one of …': the remedy for an unknown name."""
    names = sorted(known)
    by_case = {n.casefold(): n for n in names}
    near = by_case.get(name.casefold()) or next(iter(get_close_matches(name, names, n=1)), None)
    if near is not None:
        return f"did you mean {near!r}?"
    shown = ", ".join(names[:24]) + (", …" if len(names) > 24 else "")
    return f"use one of {shown}" if names else "leave it out"
