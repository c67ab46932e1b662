"""The application. Everything heavy is imported inside the commands, so that help comes at once."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from orchestrator.cli.address import address_command
from orchestrator.cli.check import check
from orchestrator.cli.codes import HELP, Exit
from orchestrator.cli.commission import EPILOG as COMMISSION_EPILOG
from orchestrator.cli.commission import commission
from orchestrator.cli.coverage import EPILOG as COVERAGE_EPILOG
from orchestrator.cli.coverage import coverage_command
from orchestrator.cli.new import new
from orchestrator.cli.plan import EPILOG as PLAN_EPILOG
from orchestrator.cli.plan import plan_command
from orchestrator.cli.probe import EPILOG as PROBE_EPILOG
from orchestrator.cli.probe import probe_command
from orchestrator.cli.profile import profile_app
from orchestrator.cli.records import records_app
from orchestrator.cli.run import EPILOG, run_command
from orchestrator.cli.schema import schema_command
from orchestrator.cli.standing import reset_command, watch_command

# No rich panels: they paint errors red, and red has a meaning here that an error message hasn't.
app = typer.Typer(
    name="ohmward",
    help="Run production electrical-safety tests on many contact points.\n\n"
    "This program is not the safety function: the hard-wired interlock and emergency stop are.\n\n"
    + HELP,
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
app.command("new")(new)
app.command("check")(check)
app.command("address")(address_command)
app.command("probe", epilog=PROBE_EPILOG)(probe_command)
app.command("run", epilog=EPILOG)(run_command)
app.command("commission", epilog=COMMISSION_EPILOG)(commission)
app.command("plan", epilog=PLAN_EPILOG)(plan_command)
app.command("coverage", epilog=COVERAGE_EPILOG)(coverage_command)
app.command("reset")(reset_command)
app.command("watch")(watch_command)
app.command("schema")(schema_command)
app.add_typer(records_app, name="records")
app.add_typer(profile_app, name="profile")


def _version(wanted: bool) -> None:
    if wanted:
        from orchestrator.assembly.versions import software_version

        typer.echo(f"ohmward {software_version()}")
        raise typer.Exit(0)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    pass


@app.command("demo")
def demo(
    keep: Annotated[
        Path | None, typer.Option("--keep", help="New folder for the demo's files and records.")
    ] = None,
) -> None:
    """Show the whole of it on simulated instruments: two testers, one program."""
    from orchestrator.cli.failures import Situation, guarded

    def body(_: Situation) -> Exit:
        from orchestrator.cli.demo import demo as show

        return Exit(show(keep))

    raise typer.Exit(guarded(body))


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit code; usage errors are bad input (2)."""
    from orchestrator.cli.screen import forgive_encodings

    forgive_encodings()
    try:
        code = app(args=arguments, prog_name="ohmward", standalone_mode=False)
    except typer.Abort:
        return Exit.NO_VERDICT
    except typer.TyperException as error:
        show = getattr(error, "show", None)
        if show is None:
            print(f"Error: {error}", file=sys.stderr)
        else:
            show()
        return Exit.REFUSED
    # The library has a code of its own for Ctrl-C while it reads the options.
    return code if isinstance(code, int) and code in set(Exit) else Exit.NO_VERDICT


def run() -> None:
    """The entry point of the command ``ohmward``."""
    sys.exit(main())
