"""A process that is really killed in a step, records that are really changed, a real socket."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from drivers.simulators.demo_bench import ServedBench, serve_station
from orchestrator.assembly.live import open_station
from orchestrator.assembly.plan import read_plan
from orchestrator.clock import SystemClock
from orchestrator.documents import read_document
from orchestrator.model.program import Program
from orchestrator.model.words import Outcome
from orchestrator.records.reader import list_runs, show_run
from orchestrator.records.verify import verify
from orchestrator.running.rack import Notice
from tests.faults.child import LONG_PROGRAM
from tests.faults.rig import Rig
from tests.faults.stations import FILE_INPUT, SHORT_STEPS, station_text, write_station

ROOT = Path(__file__).parents[2]


def killed_in_the_dwell(folder: Path) -> None:
    """Start a child process and kill it (SIGKILL on POSIX) while its output is at its level."""
    command = [sys.executable, str(Path(__file__).with_name("child.py")), str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, text=True) as child:
        assert child.stdout is not None
        try:
            assert child.stdout.readline().strip() == "dwelling"
        finally:
            child.kill()
    assert child.returncode != 0


@pytest.fixture(scope="module")
def after_kill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a station whose process was killed in a dwell."""
    folder = tmp_path_factory.mktemp("killed") / "orrin0"
    write_station(folder, "orrin")
    killed_in_the_dwell(folder)
    return folder


@pytest.mark.slow
def test_a_killed_run_stands_as_no_verdict_once_and_the_chain_holds(after_kill: Path) -> None:
    """The lock is free again, the open run is closed at the next take-over, and only once."""
    records = after_kill / "records.sqlite"
    assert [run.outcome for run in list_runs(records)] == ["unfinished"]
    for _ in range(2):  # the second start finds nothing left to close
        rig = Rig(after_kill, "orrin")
        rig.live.take_over()
        rig.check_bench()
        rig.close()
        (run,) = list_runs(records)
        assert (run.serial, run.outcome) == ("KILLED", Outcome.NO_VERDICT)
        assert "interrupted" in run.reason
        assert verify(records).ok
    view = show_run(records, run.run_id)
    assert view.end["remedy"]
    with closing(sqlite3.connect(records)) as connection:
        query = "SELECT count(*) FROM journal WHERE kind = 'run_ended'"
        assert connection.execute(query).fetchone() == (1,)


@pytest.mark.slow
def test_the_station_of_a_killed_run_tests_the_next_unit(after_kill: Path) -> None:
    """Nothing is repeated by itself; a new request runs."""
    rig = Rig(after_kill, "orrin")
    assert rig.output.starts == 0
    rig.check(rig.run(), Outcome.PASS, before=SHORT_STEPS)


def _finished(folder: Path) -> Path:
    rig = Rig(folder, "orrin")
    rig.run()
    rig.close()
    return folder / "records.sqlite"


def test_a_changed_value_of_a_stored_row_is_named(tmp_path: Path) -> None:
    """One figure of one reading, changed past the guards of the table."""
    records = _finished(tmp_path / "s")
    with closing(sqlite3.connect(records)) as connection:
        guards = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type='trigger'")
        ]
        texts = [
            text
            for (text,) in connection.execute("SELECT sql FROM sqlite_master WHERE type='trigger'")
        ]
        for name in guards:
            connection.execute(f"DROP TRIGGER {name}")
        (seq,) = connection.execute(
            "SELECT seq FROM journal WHERE kind = 'step_ended' LIMIT 1"
        ).fetchone()
        connection.execute(
            "UPDATE journal SET body = replace(body, '0.0250000', '0.0150000') WHERE seq = ?",
            (seq,),
        )
        for text in texts:
            connection.execute(text)
        connection.commit()
    report = verify(records)
    assert not report.ok
    assert [damage.seq for damage in report.damages] == [seq]


def test_a_deleted_newest_row_is_named(tmp_path: Path) -> None:
    """The second file counts one more entry than the table holds."""
    records = _finished(tmp_path / "s")
    with closing(sqlite3.connect(records)) as connection:
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type='trigger'"
        ).fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        (last,) = connection.execute("SELECT max(seq) FROM journal").fetchone()
        connection.execute("DELETE FROM journal WHERE seq = ?", (last,))
        connection.commit()
    report = verify(records)
    assert not report.ok
    assert any(d.seq == last and "missing" in d.what for d in report.damages), report.damages


# ---- the input changed by another process, the tester mute, a real socket

OPENER = """\
import pathlib, sys, threading, time
go, guard = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
print("ready", flush=True)
while not go.exists():
    threading.Event().wait(0.002)
guard.write_text("open")
print(time.perf_counter(), flush=True)
"""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Path, ServedBench]]:
    """A station whose instruments are behind real sockets, and their bench."""
    path = write_station(tmp_path, "orrin", inputs=FILE_INPUT)
    text = station_text("orrin", inputs=FILE_INPUT)
    for name in ("orrin", "lattice"):
        link = f"link: {{kind: simulated, instrument: {name}}}"
        text = text.replace(link, f"link: {{kind: tcp, host: 127.0.0.1, port: {len(name)}}}")
    path.write_text(text, encoding="utf-8")
    plan = read_plan(path)
    addresses = {name: chain.addresses for name, chain in plan.chains.items()}
    fixture = plan.station.fixture
    assert fixture is not None
    with serve_station(plan.station, fixture, addresses, clock=SystemClock()) as bench:
        bench.load_unit(tmp_path / "unit.yaml")
        for name, link in bench.links.items():
            old = f"{{kind: tcp, host: 127.0.0.1, port: {len(name)}}}"
            text = text.replace(old, link)
        path.write_text(text, encoding="utf-8")
        yield path, bench


@pytest.mark.slow
def test_an_input_changed_by_another_process_stops_a_mute_tester_over_a_real_socket(
    served: tuple[Path, ServedBench], tmp_path: Path
) -> None:
    """The tester answers nothing until the stop has come; it goes out all the same, and works.

    How fast is measured by the benchmarks; here it is only not left to a deadline of an exchange.
    """
    path, bench = served
    guard, go, tester = tmp_path / "guard.txt", tmp_path / "go", bench.bench.instruments["orrin"]
    guard.write_text("closed", encoding="utf-8")
    (tmp_path / "long.yaml").write_text(LONG_PROGRAM, encoding="utf-8")
    stopped: list[float] = []
    clock = SystemClock()

    def stop_came() -> None:
        stopped.append(clock.monotonic())
        tester.faults.mute = False

    def show(notice: Notice) -> None:
        if notice.kind == "live" and notice.data["state"] == "dwelling" and not go.exists():
            tester.faults.do(stop_came, message=b"TASK:HALT")
            tester.faults.mute = True
            go.write_text("")

    command = [sys.executable, "-c", OPENER, str(go), str(guard)]
    with (
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as opener,
        open_station(path, show=show) as live,
    ):
        assert opener.stdout is not None
        assert opener.stdout.readline().strip() == "ready"
        result = live.run(read_document(tmp_path / "long.yaml", Program), serial="K1")
        opened_s = float(opener.stdout.readline())
    assert result.outcome is Outcome.NO_VERDICT
    assert "guard file" in result.reason
    state = bench.bench.state()
    assert not state.any_on
    assert not state.closed
    assert bench.violations == ()
    # perf_counter has one base for all processes of a computer (CLOCK_MONOTONIC; QPC).
    assert -0.05 < stopped[0] - opened_s < 0.15
    assert verify(tmp_path / "records.sqlite").ok
