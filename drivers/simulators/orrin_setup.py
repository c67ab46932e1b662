"""Settings of the Orrin: what each kind of test takes, rounds and refuses."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal

from drivers.simulators.error_queue import ScpiError
from drivers.simulators.output_models import Kind, Order

KINDS = {
    "BOND_AC": Kind.BOND_AC,
    "BOND_DC": Kind.BOND_DC,
    "CONT": Kind.CONT,
    "INSUL": Kind.INSUL,
    "STAND_AC": Kind.STAND_AC,
    "STAND_DC": Kind.STAND_DC,
}
WITHSTAND = frozenset({"STAND_AC", "STAND_DC"})
OVER_RANGE, NO_VALUE = "+9.90000E+37", "+9.91000E+37"


@dataclass(frozen=True, slots=True)
class Span:
    """Range and resolution of a number."""

    least: str
    most: str
    step: str

    def take(self, number: Decimal) -> Decimal:
        """Round half away from zero, then check the range.

        Raises:
            ScpiError: -222.
        """
        step = Decimal(self.step)
        counts = (number / step).quantize(Decimal(1), rounding=ROUND_HALF_UP)
        rounded = counts * step
        if not Decimal(self.least) <= rounded <= Decimal(self.most):
            raise ScpiError(-222)
        return rounded


LEVELS = {
    "BOND_AC": Span("1", "40", "0.01"),
    "BOND_DC": Span("1", "40", "0.01"),
    "CONT": Span("0.1", "1", "0.01"),
    "INSUL": Span("50", "1000", "1"),
    "STAND_AC": Span("100", "5000", "1"),
    "STAND_DC": Span("100", "6000", "1"),
}
LIMITS = {
    "BOND_AC": Span("0.0001", "1.2", "0.0001"),
    "BOND_DC": Span("0.0001", "1.2", "0.0001"),
    "CONT": Span("0.001", "50", "0.001"),
    "INSUL": Span("1E5", "1E10", "1E5"),
    "STAND_AC": Span("1E-6", "0.1", "1E-6"),
    "STAND_DC": Span("1E-6", "0.02", "1E-6"),
}
TIMES = {
    "RISE": Span("0.1", "999.9", "0.1"),
    "DWELL": Span("0.3", "999.9", "0.1"),
    "FALL": Span("0", "999.9", "0.1"),
}
FLASH = Span("0.001", "0.1", "0.001")

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:E[+-]?[0-9]{1,3})?")
_WORD = re.compile(r"[A-Z][A-Z0-9_]*")


def exponent(value: float | Decimal) -> str:
    """A number as the Orrin answers it: `+1.50000E+03`."""
    return f"{float(value):+.5E}"


def number(text: str) -> Decimal:
    """Read a number.

    Raises:
        ScpiError: -138 with a unit behind it, -104 for a word, -102 for neither.
    """
    if _NUMBER.fullmatch(text):
        return Decimal(text)
    if _WORD.fullmatch(text):
        raise ScpiError(-104)
    started = _NUMBER.match(text)
    if started and re.fullmatch(r" ?[A-Z%]+", text[started.end() :]):
        raise ScpiError(-138)
    raise ScpiError(-102)


def word(text: str, *known: str) -> str:
    """Read a word out of a closed list.

    Raises:
        ScpiError: -104 for a number, -224 for an unknown word, -102 for neither.
    """
    if text in known:
        return text
    if _NUMBER.fullmatch(text):
        raise ScpiError(-104)
    raise ScpiError(-224 if _WORD.fullmatch(text) else -102)


@dataclass
class Setup:
    """All TASK settings; a new one has the defaults of its kind."""

    kind: str = "STAND_AC"
    level: Decimal = Decimal(0)
    frequency: int = 50
    times: dict[str, Decimal] = field(
        default_factory=lambda: {
            "RISE": Decimal("0.1"),
            "DWELL": Decimal("1.0"),
            "FALL": Decimal(0),
        }
    )
    limits: dict[str, Decimal | None] = field(
        default_factory=lambda: {"UPPER": None, "LOWER": None}
    )
    acts: dict[str, str] = field(default_factory=lambda: {"UPPER": "TOTAL", "LOWER": "TOTAL"})
    in_rise: str = "ON"
    flash: Decimal | None = None

    def __post_init__(self) -> None:
        self.level = Decimal(LEVELS[self.kind].least)

    def set(self, name: str, text: str) -> None:
        """Carry out `TASK:<name> <text>` (KIND excepted).

        Raises:
            ScpiError: refused; the old setting stays.
        """
        self._offered(name)
        if name == "LEVEL":
            self.level = LEVELS[self.kind].take(number(text))
        elif name == "FREQUENCY":
            value = number(text)
            if value not in {Decimal(50), Decimal(60)}:
                raise ScpiError(-222)
            self.frequency = int(value)
        elif name in TIMES:
            self.times[name] = self._time(name, number(text))
        elif name in {"LIMIT:UPPER", "LIMIT:LOWER"}:
            self.limits[name[6:]] = _number_or_off(text, LIMITS[self.kind])
        elif name == "FLASH":
            self.flash = _number_or_off(text, FLASH)
        elif name == "LIMIT:RISE":
            self.in_rise = word(text, "ON", "OFF")
        else:
            self.acts[name[6:11]] = word(text, "TOTAL", "INPHASE")

    def get(self, name: str) -> str:
        """What `TASK:<name>?` answers.

        Raises:
            ScpiError: -221 where the kind doesn't offer it.
        """
        self._offered(name)
        if name == "KIND":
            return self.kind
        if name == "LEVEL":
            return exponent(self.level)
        if name == "FREQUENCY":
            return str(self.frequency)
        if name in TIMES:
            return exponent(self.times[name])
        if name in {"LIMIT:UPPER", "LIMIT:LOWER"}:
            return _or_off(self.limits[name[6:]])
        if name == "FLASH":
            return _or_off(self.flash)
        if name == "LIMIT:RISE":
            return self.in_rise
        return self.acts[name[6:11]]

    def order(self) -> Order:
        """The test as set up.

        Raises:
            ScpiError: -221, the set-up is impossible (section 4 of the prose).
        """
        upper, lower = self.limits["UPPER"], self.limits["LOWER"]
        if upper is None and self.kind != "INSUL":
            raise ScpiError(-221)
        if lower is None and self.kind == "INSUL":
            raise ScpiError(-221)
        if upper is not None and lower is not None and not lower < upper:
            raise ScpiError(-221)
        if self.kind.startswith("BOND") and upper is not None and self.level * upper > 12:
            raise ScpiError(-221)
        return Order(
            kind=KINDS[self.kind],
            level=float(self.level),
            rise_s=float(self.times["RISE"]),
            dwell_s=float(self.times["DWELL"]),
            fall_s=float(self.times["FALL"]),
            frequency_hz=float(self.frequency),
            upper=None if upper is None else float(upper),
            lower=None if lower is None else float(lower),
            upper_in_phase=self.acts["UPPER"] == "INPHASE",
            lower_in_phase=self.acts["LOWER"] == "INPHASE",
            upper_in_rise=self.in_rise == "ON",
            flash_a=None if self.flash is None else float(self.flash),
        )

    @staticmethod
    def _time(name: str, value: Decimal) -> Decimal:
        if name == "DWELL" and Span("0", "999.9", "0.1").take(value) == 0:
            return Decimal(0)
        return TIMES[name].take(value)

    def _offered(self, name: str) -> None:
        if name == "FREQUENCY" and self.kind not in {"BOND_AC", "STAND_AC"}:
            raise ScpiError(-221)
        if name.endswith(":ACTS") and self.kind != "STAND_AC":
            raise ScpiError(-221)
        if name in {"LIMIT:RISE", "FLASH"} and self.kind not in WITHSTAND:
            raise ScpiError(-221)


SETTINGS = frozenset(
    {
        "KIND",
        "LEVEL",
        "FREQUENCY",
        "LIMIT:UPPER",
        "LIMIT:LOWER",
        "LIMIT:UPPER:ACTS",
        "LIMIT:LOWER:ACTS",
        "LIMIT:RISE",
        "FLASH",
        *TIMES,
    }
)


def _number_or_off(text: str, span: Span) -> Decimal | None:
    if _WORD.fullmatch(text):
        word(text, "OFF")
        return None
    return span.take(number(text))


def _or_off(value: Decimal | None) -> str:
    return "OFF" if value is None else exponent(value)
