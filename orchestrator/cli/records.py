"""``ohmward records``: list, show, verify and export what was recorded."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.codes import Exit
from orchestrator.cli.failures import Situation, guarded

records_app = typer.Typer(
    help="Read the records of a station. Nothing here changes them.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Where = Annotated[
    Path, typer.Argument(help="Station file, its folder, or the file of records itself.")
]
Json = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]
SerialOnly = Annotated[str | None, typer.Option("--serial", help="Only this serial number.")]


class Format(StrEnum):
    """What to export to."""

    CSV = "csv"
    JSONL = "jsonl"
    JUNIT = "junit"


def _reading(as_json: bool = False) -> Situation:
    return Situation(as_json=as_json, reads_records=True)


@records_app.command("list")
def list_command(
    where: Where = Path(),
    serial: SerialOnly = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many runs.")] = 50,
    as_json: Json = False,
) -> None:
    """List runs, the newest first."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import list_runs_of

        return list_runs_of(now, where, serial, limit)

    raise typer.Exit(guarded(body, _reading(as_json)))


@records_app.command("show")
def show_command(
    run: Annotated[str, typer.Argument(help="The run's id, or its beginning.")],
    where: Where = Path(),
    traffic: Annotated[
        bool, typer.Option("--traffic", help="Also the bytes saved before a fault.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Show one run: steps, readings, events."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import show_run_of

        return show_run_of(now, where, run, traffic=traffic)

    raise typer.Exit(guarded(body, _reading(as_json)))


@records_app.command("verify")
def verify_command(where: Where = Path(), as_json: Json = False) -> None:
    """Compare every row with the chain of hashes and its head; exit code 5 on damage."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import verify_of

        return verify_of(now, where)

    raise typer.Exit(guarded(body, _reading(as_json)))


@records_app.command("export")
def export_command(
    where: Where = Path(),
    form: Annotated[
        Format,
        typer.Option(
            "--format",
            help="csv: one line per reading; jsonl: one run per line; "
            "junit: JUnit XML, a suite per run.",
        ),
    ] = Format.CSV,
    out: Annotated[
        Path | None, typer.Option(help="A new file; standard output without it.")
    ] = None,
    serial: SerialOnly = None,
) -> None:
    """Export runs in SI units, the oldest first."""

    def body(_: Situation) -> Exit:
        from orchestrator.cli.record_views import export_of

        return export_of(where, form, out, serial)

    raise typer.Exit(guarded(body, _reading()))


@records_app.command("alarms")
def alarms_command(where: Where = Path(), as_json: Json = False) -> None:
    """List every alarm, the oldest first: latched, or reset by whom and when."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import alarms_of

        return alarms_of(now, where)

    raise typer.Exit(guarded(body, _reading(as_json)))


@records_app.command("signoffs")
def signoffs_command(where: Where = Path(), as_json: Json = False) -> None:
    """List every recorded commissioning, the newest first, with its items."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import sign_offs_of

        return sign_offs_of(now, where)

    raise typer.Exit(guarded(body, _reading(as_json)))


@records_app.command("relays")
def relays_command(where: Where = Path(), as_json: Json = False) -> None:
    """How often each relay contact has closed since these records began."""

    def body(now: Situation) -> Exit:
        from orchestrator.cli.record_views import relays_of

        return relays_of(now, where)

    raise typer.Exit(guarded(body, _reading(as_json)))
