"""Bringing a link into step: a harmless query until its own answer fits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.adapters.conversation import Conversation
from drivers.language.exchanges import CompiledExchange
from orchestrator.contract import Talk
from orchestrator.errors import (
    InstrumentRefused,
    OhmwardError,
    ProtocolFault,
    TimedOut,
    WrongInstrument,
)

TRIES = 4


def resynchronise(
    talk: Conversation,
    exchange: CompiledExchange,
    values: Mapping[str, Any],
    tries: int = TRIES,
) -> Talk[None]:
    """Ask until the answer fits and nothing more comes behind it.

    What is late of earlier exchanges (echoes, acknowledges, refusals) is thrown away, events are
    taken. The silence demanded behind the answer keeps an earlier answer to the same query from
    passing for this one.

    Raises:
        TimedOut, ProtocolFault, InstrumentRefused, WrongInstrument: of the last try.
    """
    last: OhmwardError | None = None
    for _ in range(tries):
        yield from talk.quiet()
        try:
            yield from talk.hold(exchange, values, repeat=False)
        except (TimedOut, ProtocolFault, InstrumentRefused, WrongInstrument) as error:
            last = error
            continue
        yield from talk.quiet()
        return
    if last is not None:
        raise last
