"""`ohmward run`: exit codes, question, cautions, signals, display, JSON Lines."""

from __future__ import annotations

import io
import os
import signal
import sys
from pathlib import Path

import pytest

from orchestrator.assembly.gate import CAUTIONS
from orchestrator.cli.main import main
from orchestrator.errors import (
    Fault,
    LinkLost,
    RecordDamaged,
    Refused,
    StationBusy,
    WrongInstrument,
)
from orchestrator.model.words import Outcome
from orchestrator.records.faults import RecordsUnwritable
from orchestrator.running.interlock import Trip
from orchestrator.running.rack import Notice

from .conftest import RUN, PaperStation, lines_of, make_schedule, result_of, run_paper

Out = pytest.CaptureFixture[str]


@pytest.mark.parametrize(
    ("outcome", "code"),
    [(Outcome.PASS, 0), (Outcome.FAIL, 1), (Outcome.NO_VERDICT, 3)],
)
def test_the_outcome_decides_the_exit_code(
    paper: PaperStation, outcome: Outcome, code: int
) -> None:
    """0 pass, 1 a recorded fail, 3 no verdict."""
    paper.outcome = outcome
    assert run_paper() == code
    assert paper.closed


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (StationBusy("held by process 7"), 2),
        (RecordsUnwritable("disk full"), 2),
        (RecordDamaged("entry 3 was changed"), 2),
        (Refused([Fault("a", "b", "c", "d")]), 2),
        (LinkLost("no answer"), 3),
        (WrongInstrument("another unit"), 3),
        (Trip("guard open"), 3),
        (KeyboardInterrupt(), 3),
    ],
)
def test_what_stands_before_a_run_is_refused_or_no_verdict_but_never_a_fail(
    paper: PaperStation, error: Exception, code: int, capsys: Out
) -> None:
    """Caller's mistakes end as 2, instruments that fail at the take-over as 3; no traceback."""
    paper.opening = error
    assert run_paper() == code
    assert "Traceback" not in capsys.readouterr().err


def test_records_that_fail_in_the_middle_of_a_run_are_no_verdict(paper: PaperStation) -> None:
    """Once a step was started an unwritable journal is no longer a refusal."""

    def fail(_: PaperStation) -> None:
        raise RecordsUnwritable("disk full")

    paper.script = fail
    assert run_paper() == 3


def test_an_internal_fault_ends_as_4_and_leaves_a_report_beside_the_records(
    paper: PaperStation, capsys: Out
) -> None:
    """The traceback goes to a file, the message names it and tells of safety."""

    def fail(station: PaperStation) -> None:
        ended = result_of(station.schedule, Outcome.NO_VERDICT)
        station.show(Notice("run_ended", {"result": ended}))
        raise ZeroDivisionError("ours")

    paper.script = fail
    assert run_paper() == 4
    told = capsys.readouterr()
    (report,) = paper.records.parent.glob("ohmward-fault-*.txt")
    assert str(report) in told.err
    assert "made safe" in told.err
    assert "Traceback" not in told.out + told.err
    assert "ZeroDivisionError: ours" in report.read_text()


@pytest.mark.parametrize("kept", [True, False])
def test_an_internal_fault_without_proof_of_safety_says_keep_away(
    paper: PaperStation, capsys: Out, kept: bool
) -> None:
    """Made safe is claimed only where the run's end says so."""

    def fail(station: PaperStation) -> None:
        if kept:
            ended = result_of(station.schedule, Outcome.NO_VERDICT, relays_kept=True)
            station.show(Notice("run_ended", {"result": ended}))
        raise ZeroDivisionError

    paper.script = fail
    assert run_paper() == 4
    assert "keep away" in capsys.readouterr().err


@pytest.mark.parametrize("serial", ["", "  ", "a\tb", "a\x1b[31m", "x" * 33, "x\n", " X1"])
def test_a_serial_number_that_cant_be_read_back_is_refused(
    paper: PaperStation, serial: str, capsys: Out
) -> None:
    """Empty, not printable, or longer than 32 characters: nothing is opened."""
    assert main(["run", "s.yaml", "p.yaml", "--serial", serial, "--yes"]) == 2
    told = capsys.readouterr().err
    assert "serial number" in told
    assert "\x1b" not in told
    assert not paper.ran


def test_cautions_are_shown_and_only_yes_spelt_out_goes_on(
    paper: PaperStation, monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    """Without --yes the question is answered on standard input."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("yes\n"))
    assert main(RUN) == 0
    assert CAUTIONS in capsys.readouterr().err


@pytest.mark.parametrize("answer", ["y\n", "no\n", "\n", "yes please\n"])
def test_any_other_answer_is_a_no(
    paper: PaperStation, monkeypatch: pytest.MonkeyPatch, answer: str
) -> None:
    """Nothing runs; exit code 2."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
    assert main(RUN) == 2
    assert not paper.ran


@pytest.mark.parametrize("given", [None, io.StringIO("")])
def test_where_nobody_can_answer_the_message_says_so(
    paper: PaperStation, monkeypatch: pytest.MonkeyPatch, given: io.StringIO | None, capsys: Out
) -> None:
    """A service without standard input, or one that has ended: no run, and not 'another answer'."""
    monkeypatch.setattr(sys, "stdin", given)
    assert main(RUN) == 2
    assert not paper.ran
    told = " ".join(capsys.readouterr().err.split())
    assert "found no answer: standard input has ended" in told


def test_yes_is_refused_with_real_instruments_before_anything_is_connected(
    paper: PaperStation, capsys: Out
) -> None:
    """--yes needs a sign-off on real stations, which can't be recorded yet."""
    paper.schedule = make_schedule(simulated=False)
    assert run_paper() == 2
    assert "sign-off" in capsys.readouterr().err
    assert not paper.ran
    assert not paper.closed  # it was never opened


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
def test_a_signal_in_a_run_cancels_it_and_more_of_them_dont_cut_it_short(
    paper: PaperStation, name: str, capsys: Out
) -> None:
    """The first asks for a safe end, the second only hears that this is under way."""
    number = getattr(signal, name, None)
    if number is None or sys.platform == "win32":
        pytest.skip("no such signal here")
    before = signal.getsignal(number)

    def interrupt(_: PaperStation) -> None:
        os.kill(os.getpid(), number)

    paper.script = interrupt
    assert run_paper() == 3
    assert paper.cancelled == [f"stopped by {name}"]
    told = capsys.readouterr().out
    assert "making safe" in told
    assert "can't be cut short" in told
    assert signal.getsignal(number) is before


def test_a_screen_that_fails_ends_no_run(
    paper: PaperStation, monkeypatch: pytest.MonkeyPatch, capsys: Out
) -> None:
    """A display is no reason to stop, nor to change a verdict; it is told."""
    from orchestrator.cli.progress import RunScreen

    def broken(*_: object) -> None:
        raise OSError("gone")

    monkeypatch.setattr(RunScreen, "take", broken)
    assert run_paper() == 0
    assert "display failed" in capsys.readouterr().err


def test_a_reader_that_went_away_changes_no_exit_code(
    paper: PaperStation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A failed unit stays a failed unit, whoever closed the pipe."""
    from orchestrator.cli import running

    def broken(*_: object) -> None:
        raise BrokenPipeError

    monkeypatch.setattr(running, "show_result", broken)
    monkeypatch.setattr(running, "abandon_output", lambda: None)
    paper.outcome = Outcome.FAIL
    assert run_paper() == 1


def test_a_failing_take_over_says_that_the_station_may_be_live(
    paper: PaperStation, capsys: Out
) -> None:
    """Nothing is known of the output then; unknown is dangerous."""

    def fail(_: PaperStation) -> None:
        raise LinkLost("no answer")

    paper.script = fail
    assert run_paper() == 3
    assert "treat it as live" in capsys.readouterr().err


def test_the_display_names_points_readings_limits_and_says_simulated(
    paper: PaperStation, capsys: Out
) -> None:
    """Not on a terminal: one line as a step begins, one as it ends, the verdict last."""
    assert run_paper() == 0
    told = capsys.readouterr().out
    assert "step 1 of 2: first (withstand_ac on t1)" in told
    assert "total current 2.0734 mA (at most 5 mA)" in told
    assert "pass   serial X1   (simulated: not a test result)" in told
    assert "\x1b" not in told


def test_json_prints_objects_only_and_the_result_last(paper: PaperStation, capsys: Out) -> None:
    """Logs stay on standard error; the last line carries outcome, run_id and exit_code."""
    paper.outcome = Outcome.FAIL
    assert run_paper("--json", "--log-json") == 1
    told = capsys.readouterr()
    lines = lines_of(told.out)
    assert [line["kind"] for line in lines] == [
        "phase",
        *("step_started", "live", "step_ended") * 2,
        "result",
    ]
    assert lines[1]["apply_to"] == ["line", "neutral"]
    assert lines[2]["values"]["total_current"]["value"] == "0.00207345"
    last = lines[-1]
    assert (last["outcome"], last["run_id"], last["exit_code"]) == ("fail", "run-1", 1)
    logged = lines_of(told.err.replace(CAUTIONS, "").strip())
    assert {"timestamp", "level", "event"} <= set(logged[0])


def test_json_tells_a_refusal_as_an_object_too(paper: PaperStation, capsys: Out) -> None:
    """A machine never has to read standard error."""
    paper.opening = Refused([Fault("what", "found", "expected", "remedy")])
    assert run_paper("--json") == 2
    (line,) = lines_of(capsys.readouterr().out)
    assert (line["kind"], line["exit_code"]) == ("error", 2)
    assert line["faults"][0]["remedy"] == "remedy"


def test_a_log_file_takes_the_events_one_per_line(
    paper: PaperStation, tmp_path: Path, capsys: Out
) -> None:
    """Readable by default, and appended to."""
    file = tmp_path / "run.log"
    assert run_paper("--log-file", str(file)) == 0
    lines = file.read_text(encoding="utf-8").splitlines()
    assert "info    step started step=1 name=first" in lines[0]
    assert lines[-1].endswith("outcome=pass simulated=True")
    assert "step started" not in capsys.readouterr().err


def test_a_log_file_that_cant_be_written_is_refused_before_anything_opens(
    paper: PaperStation, tmp_path: Path
) -> None:
    """Bad input, exit code 2."""
    assert run_paper("--log-file", str(tmp_path / "none" / "run.log")) == 2
    assert not paper.ran
