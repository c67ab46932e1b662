"""Probing inputs that hang on no tester: files, the bench's guard, remote I/O blocks."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.plugins import INPUTS, IO, plugin
from orchestrator.assembly.probing_findings import Answer, InputFound, Note, Tell
from orchestrator.clock import Clock
from orchestrator.contract import InputBlock, IoBlock, IoFactory
from orchestrator.errors import OhmwardError
from orchestrator.model.station import InterlockEntry, IoInput, SimulatedInput, TesterInput

SETTLE_S = 0.3
"""How long inputs are sampled until they count: life signs and second channels need a while."""
LOOK_S = 0.01


def probe_io(
    plan: StationPlan, *, clock: Clock, bench: Any, closing: ExitStack, tell: Tell
) -> dict[str, IoBlock]:
    """Connect to every I/O block, outputs off; those that answer come back."""
    blocks: dict[str, IoBlock] = {}
    for name, entry in plan.station.io.items():
        expected = f"{entry.driver}, {entry.host}, port {entry.port}, unit {entry.unit}"
        what = f"I/O block {name!r}"
        try:
            make: IoFactory = plugin(IO, entry.driver)
            block = make(entry, name, clock=clock, bench=bench)
        except OhmwardError as error:
            tell(Answer(what, name, "io", "silent", expected, str(error), error.remedy))
            continue
        closing.callback(block.close)
        blocks[name] = block
        tell(Answer(what, name, "io", "found", expected, "answers, its outputs ordered off"))
    if plan.station.outputs.enable is not None:
        told = "the enable output is off while probing: contacts in series with it read open"
        tell(Note(told))
    return blocks


def probe_inputs(
    plan: StationPlan, blocks: dict[str, IoBlock], *, clock: Clock, bench: Any, tell: Tell
) -> None:
    """Sample every interlock input that no tester reports, and the spare ones."""
    made: list[tuple[InterlockEntry, InputBlock]] = []
    for entry in plan.station.interlock:
        source = entry.source
        if isinstance(source, TesterInput):
            continue  # told with its tester
        if isinstance(source, IoInput) and source.block not in blocks:
            problem = f"I/O block {source.block} doesn't answer"
            tell(InputFound(entry.name, _source(entry), None, problem=problem))
            continue
        try:
            made.append((entry, _block(plan, entry, blocks, clock, bench)))
        except OhmwardError as error:
            tell(InputFound(entry.name, _source(entry), None, problem=f"can't be read: {error}"))
    until_s = clock.monotonic() + (SETTLE_S if blocks else 0.0)
    while clock.monotonic() < until_s:
        for _, block in made:
            block.sample()
        clock.sleep(LOOK_S)
    for entry, block in made:
        sample = block.sample()
        tell(InputFound(entry.name, _source(entry), sample.closed, sample.detail))
    _spares(plan, blocks, tell)


def _spares(plan: StationPlan, blocks: dict[str, IoBlock], tell: Tell) -> None:
    for spare in plan.station.watched:
        held = blocks.get(spare.block)
        bits = None if held is None else held.bits()
        on = None if bits is None or spare.input >= len(bits) else bits[spare.input]
        problem = "" if on is not None else f"I/O block {spare.block} gives no fresh inputs"
        detail = "" if on is None else f"input {spare.input} is {'high' if on else 'low'}"
        source = f"I/O block {spare.block}, spare"
        tell(InputFound(spare.name, source, None, detail, problem))


def _source(entry: InterlockEntry) -> str:
    source = entry.source
    return f"I/O block {source.block}" if isinstance(source, IoInput) else source.kind


def _block(
    plan: StationPlan, entry: InterlockEntry, blocks: dict[str, IoBlock], clock: Clock, bench: Any
) -> InputBlock:
    source = entry.source
    if isinstance(source, IoInput):
        return blocks[source.block].input(entry.name, source, clock)
    extra: dict[str, Any] = (
        {"guard": bench} if isinstance(source, SimulatedInput) else {"folder": plan.folder}
    )
    block: InputBlock = plugin(INPUTS, source.kind)(entry.name, source, clock=clock, **extra)
    return block
