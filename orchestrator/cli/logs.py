"""Logs by structlog: one event per line, readable or JSON, never on standard output."""

from __future__ import annotations

import sys
from collections.abc import Mapping, MutableMapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Protocol

from orchestrator.cli.failures import one_line
from orchestrator.cli.feed import TOLD, Stamped, Taker
from orchestrator.cli.jsonl import plain

LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}
_FIRST = ("timestamp", "level", "event")


class Lines(Protocol):
    """Where lines go."""

    def write(self, text: str, /) -> Any: ...

    def flush(self) -> None: ...


class _StandardError:
    """Standard error as it is now: a live display replaces it while it is up."""

    def write(self, text: str, /) -> Any:
        return sys.stderr.write(text)

    def flush(self) -> None:
        sys.stderr.flush()


class LineLogger:
    """What structlog writes through: one line for each event."""

    def __init__(self, lines: Lines) -> None:
        self._lines = lines

    def msg(self, message: str) -> None:
        """Write one line at once."""
        self._lines.write(message + "\n")
        self._lines.flush()

    debug = info = warning = error = msg


def readable(_logger: object, _method: str, event: MutableMapping[str, Any]) -> str:
    """``time level event key=value …`` in one line."""
    told = [str(event.pop(key, "")) for key in _FIRST]
    told[1] = f"{told[1]:<7}"
    told += [f"{key}={_value(value)}" for key, value in event.items()]
    return one_line(" ".join(told))


def _value(value: object) -> str:
    text = str(value)
    return repr(text) if not text or any(c.isspace() or c in "='\"" for c in text) else text


def make_logger(lines: Lines, *, as_json: bool, level: str) -> Any:
    """A structlog logger for these lines. The time of an event is handed in with it."""
    import structlog

    renderer = structlog.processors.JSONRenderer() if as_json else readable
    return structlog.wrap_logger(
        LineLogger(lines),
        processors=[structlog.processors.add_log_level, renderer],
        wrapper_class=structlog.make_filtering_bound_logger(LEVELS[level]),
        cache_logger_on_first_use=False,
    )


def log_notices(closing: ExitStack, *, as_json: bool, file: Path | None, level: str) -> Taker:
    """A taker that logs notices to standard error or to a file.

    Raises:
        Refused: the file can't be written.
    """
    lines: Lines = _StandardError() if file is None else _open(closing, file)
    logger = make_logger(lines, as_json=as_json, level=level)

    def take(item: Stamped) -> None:
        data = item.notice.data
        level, event, more = _event(item.notice.kind, data)
        if level:
            getattr(logger, level)(event, timestamp=item.utc, **more)

    return take


def _event(kind: str, data: Mapping[str, Any]) -> tuple[str, str, dict[str, Any]]:
    if kind == "phase":
        return "debug", "phase", {"phase": data["phase"]}
    if kind == "step_started":
        step = data["step"]
        more = {"step": step.index + 1, "name": step.name, "tester": step.tester}
        return "info", "step started", {**more, "hazardous": step.hazardous}
    if kind == "live":
        return "debug", "live", {"state": data["state"], "values": plain(data["values"])}
    if kind == "step_ended":
        result = data["result"]
        more = {"step": result.index + 1, "name": result.name, "outcome": str(result.outcome)}
        return "info", "step ended", more | ({"reason": result.reason} if result.reason else {})
    if kind == "located":
        found = data["located"]
        more = {"step": found.step + 1, "name": found.name, "ending": str(found.ending)}
        more["pairs"] = [f"{'+'.join(p.one)} against {'+'.join(p.other)}" for p in found.pairs]
        return "info", "located", more | ({"reason": found.reason} if found.reason else {})
    if kind == "run_ended":
        result = data["result"]
        level = "error" if result.relays_kept else "info"
        more = {"run": result.run_id, "serial": result.serial, "outcome": str(result.outcome)}
        more["simulated"] = result.simulated
        return level, "run ended", more | ({"reason": result.reason} if result.reason else {})
    if kind == "alarm":
        alarm = data["alarm"]
        return "error", f"alarm {alarm.value} latched: {alarm.title}", {"reason": data["reason"]}
    if kind == "event":
        return "warning", str(data["what"]), {"reason": data["reason"]}
    return ("info" if kind == TOLD else ""), str(data.get("text", kind)), {}


def _open(closing: ExitStack, file: Path) -> Lines:
    from orchestrator.errors import Fault, Position, Refused

    try:
        return closing.enter_context(file.open("a", encoding="utf-8", newline="\n"))
    except OSError as error:
        reason, remedy = error.strerror or str(error), "choose a file that you may write"
        fault = Fault("the log file", reason, "a file to write to", remedy, Position(str(file)))
        raise Refused([fault]) from error
