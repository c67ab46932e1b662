"""The plan of the Quorrick Dapple: one test, after its manual, section 4."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from drivers.simulators.output_models import Kind, Order
from tests.profiles.unknown.dapple.notation import (
    Refused,
    amperes,
    bond_limit,
    current,
    figures,
    seconds,
    show_current,
    show_volts,
    slope,
    volts,
)

D = Decimal
RISE_OF_BOND_S: Final = D("0.1")
_LEAST_RISE_S: Final = D("0.1")
_LEAST_DWELL_S: Final = D("0.2")


@dataclass(frozen=True, slots=True)
class Rules:
    """What a kind of test takes: key of its level, notation and range of level and limits."""

    kind: Kind
    level_key: str
    level: Callable[[str], Decimal]
    level_range: tuple[Decimal, Decimal]
    limit: Callable[[str], Decimal]
    limit_range: tuple[Decimal, Decimal]

    @property
    def bonding(self) -> bool:
        return self.kind is Kind.BOND_AC


KINDS: Final = {
    "ALT": Rules(Kind.STAND_AC, "U", volts, (D(100), D(5000)), current, (D("1e-6"), D("0.04"))),
    "DIRECT": Rules(Kind.STAND_DC, "U", volts, (D(100), D(6000)), current, (D("1e-6"), D("0.015"))),
    "INSUL": Rules(Kind.INSUL, "U", volts, (D(50), D(1000)), current, (D("1e-9"), D("999e-6"))),
    "PE": Rules(Kind.BOND_AC, "I", amperes, (D(5), D(30)), bond_limit, (D("0.001"), D("0.6"))),
}


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan as taken; `most` and `least` as sent: A, or ohm for bonding."""

    name: str
    level: Decimal
    frequency_hz: int
    slope: Decimal | None
    total_s: Decimal
    most: Decimal
    least: Decimal | None

    @property
    def rules(self) -> Rules:
        return KINDS[self.name]

    @property
    def rise_s(self) -> Decimal:
        return RISE_OF_BOND_S if self.slope is None else self.level / self.slope

    def text(self) -> str:
        """The PLAN answer, without station and checksum."""
        rules = self.rules
        level = f"I={self.level:.1f}A" if rules.bonding else f"U={show_volts(float(self.level))}"
        parts = [f"KIND={self.name}", level]
        if rules.kind.ac:
            parts.append(f"F={self.frequency_hz}Hz")
        if self.slope is not None:
            parts.append(f"SLOPE={self.slope}V/s")
        parts.append(f"TOTAL={self.total_s}s")
        show = _milliohm if rules.bonding else show_current
        parts.append(f"MAX={show(float(self.most))}")
        parts.append("MIN=OFF" if self.least is None else f"MIN={show(float(self.least))}")
        return "PLAN," + ",".join(parts)

    def order(self) -> Order:
        """What the output is to do."""
        upper: float | None = float(self.most)
        lower = None if self.least is None else float(self.least)
        if self.rules.kind is Kind.INSUL:
            # Ohm's law: the highest current is the lowest resistance.
            upper = None if self.least is None else float(self.level / self.least)
            lower = float(self.level / self.most)
        return Order(
            kind=self.rules.kind,
            level=float(self.level),
            rise_s=float(self.rise_s),
            dwell_s=float(self.total_s - self.rise_s),
            fall_s=0.0,
            frequency_hz=float(self.frequency_hz),
            upper=upper,
            lower=lower,
        )


def _milliohm(ohm: float) -> str:
    return figures(ohm, 3, (("mOHM", 1e-3),))


def parse_plan(items: tuple[str, ...], before: Plan | None) -> Plan:
    """A plan from its KEY=VALUE items.

    Args:
        before: the plan of before, whose F and MIN stay where they are left out.

    Raises:
        Refused: manual, section 6.
    """
    found = _keys(items)
    name = found.pop("KIND", None)
    if name is None:
        raise Refused(4)
    if name not in KINDS:
        raise Refused(2)
    rules = KINDS[name]
    wanted = {rules.level_key, "TOTAL", "MAX"} | (set() if rules.bonding else {"SLOPE"})
    allowed = wanted | {"MIN"} | ({"F"} if rules.kind.ac else set())
    if found.keys() - allowed:
        raise Refused(2)
    if wanted - found.keys():
        raise Refused(4)
    same = before if before is not None and before.name == name else None
    plan = Plan(
        name=name,
        level=_within(rules.level(found[rules.level_key]), *rules.level_range),
        frequency_hz=_frequency(found.get("F"), before),
        slope=None if rules.bonding else _within(slope(found["SLOPE"]), D(10), D(5000)),
        total_s=seconds(found["TOTAL"]),
        most=_within(rules.limit(found["MAX"]), *rules.limit_range),
        least=_least(found.get("MIN"), rules, same),
    )
    if plan.least is not None and plan.least >= plan.most:
        raise Refused(5)
    if plan.rise_s < _LEAST_RISE_S or plan.total_s - plan.rise_s < _LEAST_DWELL_S:
        raise Refused(6)
    return plan


def _keys(items: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for item in items:
        key, sign, value = item.partition("=")
        if not sign or key in found:
            raise Refused(3)
        found[key] = value
    return found


def _frequency(text: str | None, before: Plan | None) -> int:
    if text is None:
        return 50 if before is None else before.frequency_hz
    if text not in {"50Hz", "60Hz"}:
        raise Refused(2)
    return int(text[:2])


def _least(text: str | None, rules: Rules, before: Plan | None) -> Decimal | None:
    if text is None:
        return None if before is None else before.least
    return None if text == "OFF" else _within(rules.limit(text), *rules.limit_range)


def _within(value: Decimal, least: Decimal, most: Decimal) -> Decimal:
    if not least <= value <= most:
        raise Refused(5)
    return value
