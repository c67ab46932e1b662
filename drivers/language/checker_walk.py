"""Every exchange of a profile with its place in the file and the block it belongs to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from drivers.language.compiled_tester import dimensions_of
from drivers.language.exchanges import Place
from drivers.language.profile_common import Exchange
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.model.words import StepKind
from orchestrator.units import Dimension


@dataclass(frozen=True, slots=True)
class Spot:
    """One exchange. ``block``: setup, result, start …; ``kind``: where it depends on one."""

    place: Place
    model: Exchange
    block: str
    kind: StepKind | None = None

    @property
    def dimensions(self) -> Mapping[str, Dimension]:
        """Of the fields that depend on the kind of step."""
        return {} if self.kind is None else dimensions_of(self.kind)


def spots_of(profile: TesterProfile | MatrixProfile) -> tuple[Spot, ...]:
    """All of them, selections and what they select included, in the order of the file."""
    found = _tester(profile) if isinstance(profile, TesterProfile) else _matrix(profile)
    return tuple(spot for outer in found for spot in _with_selections(outer))


def _with_selections(spot: Spot) -> Iterator[Spot]:
    for number, model in enumerate(spot.model.select):
        inner = Spot((*spot.place, "select", number), model, "select", spot.kind)
        yield from _with_selections(inner)
    yield spot


def _one(model: Exchange | None, *place: str, block: str | None = None) -> Iterator[Spot]:
    if model is not None:
        yield Spot(place, model, block or place[-1])


def _all(models: Iterable[Exchange], *place: str, block: str | None = None) -> Iterator[Spot]:
    for number, model in enumerate(models):
        yield Spot((*place, number), model, block or place[-1])


def _tester(profile: TesterProfile) -> Iterator[Spot]:
    p = profile
    yield from _one(p.identify, "identify")
    yield from _all(p.enter, "enter")
    yield from _one(p.keep_alive, "keep_alive")
    yield from _all(p.arm, "arm")
    yield from _all(p.clear.exchanges if p.clear else (), "clear", "exchanges", block="clear")
    yield from _one(p.errors.ask if p.errors else None, "errors", "ask", block="errors")
    if p.memory is not None:
        yield from _all(p.memory.clear_tail, "memory", "clear_tail")
        yield from _one(p.memory.count, "memory", "count")
    for kind in p.kinds:
        yield from _kind(profile, kind)
    yield from _one(p.counter, "counter")
    yield from _one(p.start, "start")
    yield from _all(p.stop, "stop")
    yield from _one(p.status, "status")
    yield from _one(p.off.voltage, "off", "voltage")
    yield from _one(p.interlock.ask if p.interlock else None, "interlock", "ask", block="interlock")
    yield from _one(p.resync, "resync")


def _kind(profile: TesterProfile, kind: StepKind) -> Iterator[Spot]:
    model, own = profile.kinds[kind], ("kinds", kind.value)
    for number, exchange in enumerate(model.setup):
        yield Spot((*own, "setup", number), exchange, "setup", kind)
    common = profile.memory.stored if profile.memory else None
    for name, special, shared, place in (
        ("stored", model.stored, common, ("memory", "stored")),
        ("live", model.live, profile.live, ("live",)),
        ("result", model.result, profile.result, ("result",)),
    ):
        chosen = special or shared
        if chosen is not None:
            yield Spot((*own, name) if special else place, chosen, name, kind)


def _matrix(profile: MatrixProfile) -> Iterator[Spot]:
    p = profile
    yield from _one(p.identify, "identify")
    yield from _all(p.apply, "apply")
    yield from _all(p.open, "open")
    yield from _all(p.close, "close")
    yield from _all(p.open_all, "open_all")
    yield from _one(p.moving, "moving")
    yield from _one(p.look, "look")
    yield from _one(p.resync, "resync")
