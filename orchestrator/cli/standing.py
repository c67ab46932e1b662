"""``ohmward reset`` and ``ohmward watch``: what is done at a station between runs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

if TYPE_CHECKING:
    from orchestrator.cli.feed import Stamped
    from orchestrator.model.alarms import Alarm
    from orchestrator.running.rack import Notice

StationFile = Annotated[Path, typer.Argument(help="Station file.")]
Json = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]


def reset_command(
    station: StationFile,
    by: Annotated[str, typer.Option("--by", help="Who resets; goes into the record.")],
    as_json: Json = False,
) -> None:
    """Clear latched alarms and trips: a person's act, recorded with the name.

    Takes the station over (stops the testers, confirms off and discharged, opens the relays) and
    clears what is latched, only with every input closed. Nothing starts by it.
    """

    def body(now: Situation) -> Exit:
        from orchestrator.assembly.live import open_station
        from orchestrator.assembly.requests import check_person

        check_person(by)
        with open_station(station, show=lambda notice: _follow(now, notice)) as live:
            now.records = live.plan.records
            now.touched = True
            cleared = live.reset(by=by)
        _tell_cleared(cleared, by, as_json=as_json)
        return Exit.DONE

    raise typer.Exit(guarded(body, Situation(as_json=as_json)))


def _follow(now: Situation, notice: Notice) -> None:
    if notice.kind == "phase":
        now.proved_safe = notice.data["phase"] in {"ready", "safe"}


def _tell_cleared(cleared: tuple[Alarm, ...], by: str, *, as_json: bool) -> None:
    if as_json:
        alarms = [
            {"number": a.kind.value, "title": a.kind.title, "utc": a.utc, "reason": a.reason}
            for a in cleared
        ]
        print(json.dumps({"ok": True, "by": by, "cleared": alarms}))
        return
    print("station taken over: off, discharged, relays open; every input is closed")
    for alarm in cleared:
        print(f"reset by {by}: alarm {alarm.kind.value}, {alarm.kind.title} ({alarm.reason})")
    if not cleared:
        print("no alarm was latched")


def watch_command(
    station: StationFile,
    lasting: Annotated[
        str | None, typer.Option("--for", help="How long, e.g. '10 min'; else until Ctrl-C.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Watch a station between runs; nothing is energised.

    Looks again and again for an output that nobody ordered (front panel, second computer), lost
    protections, relays that moved, an open emergency stop. What is found is stopped, recorded as
    an alarm and told; the exit code is 3 then.
    """

    def body(now: Situation) -> Exit:
        return _watch(now, station, _seconds(lasting))

    raise typer.Exit(guarded(body, Situation(as_json=as_json)))


def _seconds(text: str | None) -> float | None:
    from orchestrator.errors import Fault, Refused
    from orchestrator.quantities import Dimension, Quantity

    if text is None:
        return None
    try:
        return float(Quantity.of(text, Dimension.TIME))
    except ValueError as error:
        expected = "a time such as '10 min'"
        raise Refused([Fault("--for", repr(text), expected, "write number and unit")]) from error


def _watch(now: Situation, station: Path, lasting_s: float | None) -> Exit:
    from orchestrator.assembly.live import open_station
    from orchestrator.cli.feed import Feed
    from orchestrator.cli.signals import Signals
    from orchestrator.clock import SystemClock
    from orchestrator.running.interlock import RunCancelled

    clock = SystemClock()
    feed = Feed(clock, [_json_line if now.as_json else _plain_line])

    def show(notice: Notice) -> None:
        _follow(now, notice)
        feed.show(notice)

    until_s = None if lasting_s is None else clock.monotonic() + lasting_s
    try:
        with Signals(feed.tell) as signals, open_station(station, clock=clock, show=show) as live:
            now.records = live.plan.records
            now.touched = True
            signals.arm(live.cancel)
            try:
                live.idle(lambda: until_s is not None and clock.monotonic() >= until_s)
                feed.tell(f"watch ended after {lasting_s:.0f} s: nothing found")
            except RunCancelled:
                if not now.proved_safe:
                    raise  # while the station was being taken over: nothing is proved
                feed.tell("watch ended; off, discharged, relays open")
    finally:
        feed.close()
    return Exit.DONE


def _plain_line(item: Stamped) -> None:
    kind, data = item.notice.kind, item.notice.data
    if kind == "idle":
        print(f"{item.utc}  {'ready' if data['ready'] else 'not ready'}: {data['reason']}")
    elif kind == "watched":
        level = {True: "high", False: "low", None: "not known"}[data["high"]]
        print(f"{item.utc}  input {data['name']}: {level}")
    elif kind == "phase" and data["phase"] == "ready":
        print("station taken over: off, discharged, relays open; watching")
    elif kind == "alarm":
        print(f"{item.utc}  alarm {data['alarm'].value}, {data['alarm'].title}: {data['reason']}")
    elif kind == "told":
        print(data["text"])


def _json_line(item: Stamped) -> None:
    kind, data = item.notice.kind, dict(item.notice.data)
    if kind not in {"idle", "phase", "alarm", "told", "watched"}:
        return
    if kind == "alarm":
        alarm = data["alarm"]
        data |= {"alarm": alarm.value, "title": alarm.title}
    print(json.dumps({"kind": kind, "utc": item.utc, **data}), flush=True)
