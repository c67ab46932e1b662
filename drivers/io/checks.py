"""What must hold between the keys of a block before anything is connected. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.io.frames import ADDRESSES
from orchestrator.errors import Fault, Refused
from orchestrator.model.station import IoEntry, IoInput


def check_entry(entry: IoEntry, name: str) -> None:
    """Raises Refused with every fault of the entry."""
    faults = tuple(_faults(entry, f"I/O block {name!r}"))
    if faults:
        raise Refused(faults)


def check_input(entry: IoEntry, block: str, name: str, source: IoInput) -> None:
    """Raises Refused where an input isn't among those that are read."""
    what = f"interlock input {name!r}"
    numbers = [source.input] + ([source.second.input] if source.second else [])
    faults = [_beyond(what, "input", n, entry.inputs, block) for n in numbers if n >= entry.inputs]
    if len(set(numbers)) < len(numbers):
        faults.append(
            Fault(
                f"{what}, second channel",
                f"input {source.input} for both channels",
                "two different inputs",
                "give the input that the second contact is wired to",
            )
        )
    if faults:
        raise Refused(faults)


def check_output(entry: IoEntry, block: str, name: str, number: int) -> None:
    """Raises Refused where an output isn't among those that are written, or turns the life sign."""
    what = f"output {name!r}"
    if number >= entry.outputs:
        raise Refused([_beyond(what, "output", number, entry.outputs, block)])
    if entry.life_sign is not None and entry.life_sign.follows == number:
        raise Refused(
            [
                Fault(
                    what,
                    f"output {number} of I/O block {block!r}, which turns its life sign",
                    "an output of its own",
                    "give another output",
                )
            ]
        )


def _faults(entry: IoEntry, what: str) -> Iterator[Fault]:
    if not entry.inputs and not entry.outputs:
        yield Fault(what, "no input and no output", "at least one", "set inputs or outputs")
    for word, first, count in (
        ("input", entry.first_input, entry.inputs),
        ("output", entry.first_output, entry.outputs),
    ):
        if first + count > ADDRESSES:
            yield Fault(
                what,
                f"{word}s up to address {first + count - 1}",
                f"addresses up to {ADDRESSES - 1}",
                f"correct first_{word} or {word}s",
            )
    if entry.outputs and float(entry.drops_after) < 2 * float(entry.period):
        yield Fault(
            what,
            f"drops_after {entry.drops_after} with period {entry.period}",
            "a watchdog of at least two periods",
            "set the coupler's watchdog longer, or refresh more often",
        )
    sign = entry.life_sign
    if sign is None:
        return
    if sign.input >= entry.inputs:
        yield Fault(
            f"{what}, life_sign",
            f"input {sign.input}",
            f"one of the {entry.inputs} inputs read, counted from 0",
            "correct the number, or read more inputs",
        )
    if sign.follows is not None and sign.follows >= entry.outputs:
        yield Fault(
            f"{what}, life_sign",
            f"output {sign.follows}",
            f"one of the {entry.outputs} outputs written, counted from 0",
            "correct the number, or write more outputs",
        )
    if float(sign.changes_within) < 4 * float(entry.period):
        yield Fault(
            f"{what}, life_sign",
            f"changes_within {sign.changes_within} with period {entry.period}",
            "at least four periods: one to turn it and one to see it, both ways",
            "allow more time, or read more often",
        )


def _beyond(what: str, word: str, number: int, count: int, block: str) -> Fault:
    return Fault(
        what,
        f"{word} {number} of I/O block {block!r}",
        f"a number from 0 to {count - 1}" if count else f"a block with {word}s",
        f"correct the number, or set {word}s of the block",
    )
