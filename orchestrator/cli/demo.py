"""``ohmward demo``: one program on two testers that share no command, told as it goes.

Each part says what is to come; it came, or the exit code isn't 0.
"""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.cli.codes import Exit
from orchestrator.cli.demo_show import Ledger, Show, opened
from orchestrator.cli.demo_stage import Files, lay_out, read_station, serve
from orchestrator.cli.demo_words import SIMULATED, Teller, sides
from orchestrator.cli.progress import failing, reading_text
from orchestrator.cli.screen import make_console
from orchestrator.clock import SystemClock
from orchestrator.errors import Refused
from orchestrator.model.station import Link, SerialLink, TcpLink, VisaLink
from orchestrator.model.words import Measured, Outcome, TesterState

if TYPE_CHECKING:
    from orchestrator.model.record import RunResult
    from orchestrator.model.schedule import BoundStep
    from orchestrator.running.rack import Notice

LEAKY_STEP = "insulation mains to sensor"
GUARD_STEP = "withstand mains to all else"
STATIONS = {
    "A": "tester Orrin over VISA, two Lattice relay units over TCP",
    "B": "tester Pell on a serial line, two Comb relay units on a serial line of their own",
}


def demo(keep: Path | None = None) -> int:
    """Show it all. Returns an exit code: 0 only if everything came out as expected.

    Args:
        keep: a new folder for files and records; a temporary one if not given.

    Raises:
        Refused: the folder can't be used.
    """
    clock = SystemClock()
    began_s = clock.monotonic()
    teller = Teller(make_console())
    ledger = Ledger(teller)
    files = lay_out(keep)
    _introduce(teller, files)
    with serve(files, "A", clock) as a, serve(files, "B", clock) as b:
        _compare(files, ledger)
        for letter, served in (("A", a), ("B", b)):
            teller.heading(f"Station {letter}: {STATIONS[letter]}")
            with opened(files, letter, served, ledger, clock) as show:
                _good_and_leaky(show, files)
        teller.heading("Station A again: somebody opens the guard in the middle of a test")
        with opened(files, "A", a, ledger, clock) as show:
            _open_the_guard(show, files)
        violations = [str(entry) for served in (a, b) for entry in served.violations]
    _check_records(files, ledger)
    return _sum_up(ledger, violations, files, clock.monotonic() - began_s)


def _introduce(teller: Teller, files: Files) -> None:
    points = tuple(files.fixture.model.points)
    teller.heading("ohmward demo: one test program, two testers that share no command")
    teller.say(
        f"The product is the Larkfield dehumidifier with {len(points)} contact points:",
        f"  {', '.join(points[:5])},",
        f"  {', '.join(points[5:])}.",
        "It is invented, and so are its fixture, both stations and all instruments. The",
        f"instruments are {SIMULATED}: each sits on a socket or a serial line and answers in its",
        "own time, from a circuit that stands behind all of them.",
        f"Files and records: {files.folder}",
    )


def _compare(files: Files, ledger: Ledger) -> None:
    """What is the same at both stations, and what isn't."""
    teller = ledger.teller
    teller.heading("What differs between the stations")
    plans = [read_station(files, letter) for letter in STATIONS]
    rows = [
        (f"{name}.yaml", f"sha256 {document.sha256[:12]}", "the same file")
        for name, document in (("program", files.program), ("fixture", files.fixture))
    ]
    names = [Path(plan.document.file).name for plan in plans]
    rows.append(("station file", names[0], names[1]))
    for what, kind in (("tester", "testers"), ("relays", "chains")):
        told = [
            ", ".join(entry.profile for entry in getattr(plan, kind).values()) for plan in plans
        ]
        rows.append((f"profile of {what}", told[0], told[1]))
        links = [
            ", ".join(f"{_link(entry.link)}" for entry in getattr(plan.station, kind).values())
            for plan in plans
        ]
        rows.append((f"link of {what}", links[0], links[1]))
    point, placement = next(iter(files.fixture.model.points.items()))
    position = placement.source[0]
    wired = [plan.station.positions[position] for plan in plans]
    rows.append((f"{point}, lead {position}", wired[0], wired[1]))
    teller.table(("", "station A", "station B"), rows)
    schedules = [plan.bind(files.program, files.fixture) for plan in plans]
    for what in ("program", "fixture"):
        same = len({schedule.hashes[what] for schedule in schedules}) == 1
        ledger.expect(f"both stations use the same {what}", held=same)
    simulated = all(schedule.simulated for schedule in schedules)
    ledger.expect("all instruments are declared simulated", held=simulated)


def _link(link: Link | None) -> str:
    """A link in a few words."""
    match link:
        case VisaLink():
            return f"VISA {link.resource}"
        case SerialLink():
            return f"serial {link.port}"
        case TcpLink():
            return f"TCP {link.host}:{link.port}"
    return "none"


def _good_and_leaky(show: Show, files: Files) -> None:
    teller, ledger, letter = show.ledger.teller, show.ledger, show.letter
    for notice in show.schedule.notices:
        teller.note(f"note: {notice}")
    for (rule, instrument), reason in show.schedule.exemptions.items():
        teller.note(f"exempt from proof of {rule.replace('_', ' ')}: {instrument}, {reason}")
    teller.say("A good unit; it must pass.")
    show.served.load_unit(files.folder / "good.yaml")
    wire = _FirstWords(show)
    result = show.run("good", f"LD-100{letter}", in_full=letter == "A", meddle=wire)
    teller.say(f"  '{wire.step}' in this tester's words: {' | '.join(wire.words)} …")
    passed = all(step.outcome is Outcome.PASS for step in result.steps)
    whole = len(result.steps) == len(files.program.model.steps)
    ledger.expect(
        f"the good unit passes on station {letter}",
        held=result.outcome is Outcome.PASS and passed and whole,
    )

    teller.say(
        "", "A unit whose fan line leaks to the sensor circuit; it must fail, and say where."
    )
    show.served.load_unit(files.folder / "leaky.yaml")
    result = show.run("leaky", f"LD-200{letter}")
    _judge_leaky(show, result)


def _judge_leaky(show: Show, result: RunResult) -> None:
    ledger, letter = show.ledger, show.letter
    ledger.expect(
        f"the leaky unit fails on station {letter} in '{LEAKY_STEP}' alone",
        held=result.outcome is Outcome.FAIL and failing(result) == [LEAKY_STEP],
    )
    by_name = {step.name: step for step in result.steps}
    reading = by_name[LEAKY_STEP].values.get(Measured.RESISTANCE)
    value = None if reading is None else reading.value
    # 1.2 Mohm, and what the testers may be wrong by, at most 10 % and 100 kohm.
    ledger.expect(
        f"station {letter} reads the leak's 1.2 Mohm",
        held=value is not None and Decimal("0.98e6") <= value <= Decimal("1.42e6"),
    )
    later = result.steps[by_name[LEAKY_STEP].index + 1 :]
    ledger.expect(
        f"no voltage is put on the leaky unit after its failure on station {letter}",
        held=bool(later) and all(step.outcome is Outcome.NOT_RUN for step in later),
    )
    failed = next(step for step in show.schedule.steps if step.name == LEAKY_STEP)
    told = "no reading" if reading is None else reading_text(Measured.RESISTANCE, reading)
    ledger.teller.say(f"  failing step: {LEAKY_STEP}, {told}", f"  points: {sides(failed)}")


def _open_the_guard(show: Show, files: Files) -> None:
    teller, ledger = show.ledger.teller, show.ledger
    teller.say(
        f"A good unit again. While '{GUARD_STEP}' has its voltage on, the guard is opened. The",
        "output must go off, and nobody may call that a pass or a fail.",
    )
    show.served.load_unit(files.folder / "good.yaml")
    opener = _GuardOpener(show)
    result = show.run("good, guard opened", "LD-1001", meddle=opener)
    after = show.served.bench.state()
    step = next(step for step in result.steps if step.name == GUARD_STEP)
    ledger.expect("the guard was opened while the output was on", held=opener.was_on)
    ledger.expect(
        "the run ends without a verdict, in the step that was under way",
        held=result.outcome is Outcome.NO_VERDICT and step.outcome is Outcome.NO_VERDICT,
    )
    ledger.expect("no output is on afterwards", held=not after.any_on)
    ledger.expect(
        "all relays are open afterwards", held=not after.closed and not result.relays_kept
    )
    ledger.expect("the message says what to do", held=bool(result.remedy.strip()))
    outputs = ", ".join(f"{name}: {state.phase}" for name, state in after.outputs.items())
    on = "ON" if after.any_on else "off"
    teller.say(
        f"  seen on the bench itself: output {on} ({outputs}), {len(after.closed)} relays closed, "
        f"guard {'closed' if after.guard_closed else 'open'}"
    )
    show.served.bench.guard_closed = True
    _reset(show)


def _reset(show: Show) -> None:
    """The alarm of that trip refuses what comes next, until a person's reset."""
    teller, ledger, live = show.ledger.teller, show.ledger, show.live
    latched = live.alarms
    for alarm in latched:
        teller.say(f"  alarm {alarm.kind.value} is latched: {alarm.kind.title}")
    try:
        live.run(show.schedule, serial="LD-1002", confirm=lambda _, __: True)
        refused = False
    except Refused:
        refused = True
    ledger.expect("nothing runs while an alarm is latched", held=bool(latched) and refused)
    live.reset(by="M. Example")
    teller.say("  the guard is closed again; M. Example resets the alarm (ohmward reset), recorded")
    ledger.expect("a person's reset clears it and starts nothing", held=not live.alarms)
    ledger.expect("nothing is on after the reset", held=not show.served.bench.state().any_on)


class _FirstWords:
    """Keeps what was sent to the tester to set up the first step."""

    def __init__(self, show: Show) -> None:
        self._show = show
        self._since_s: float | None = None
        self.step = ""
        self.words: tuple[str, ...] = ()

    def __call__(self, notice: Notice) -> None:
        if notice.kind == "phase" and notice.data["phase"] == "setting_up":
            self._since_s = self._since_s or self._show.clock.monotonic()
        elif notice.kind == "step_started" and not self.words and self._since_s is not None:
            step: BoundStep = notice.data["step"]
            lines = self._show.live.controller.rack.ports[step.tester].traffic()
            sent = [x.data for x in lines if x.way == "sent" and x.at_s >= self._since_s]
            texts = [data.decode("ascii", "replace").strip() for data in sent]
            # Only what carries a number: the step's own figures in the tester's spelling.
            figures = [text for text in texts if any(map(str.isdigit, text))]
            self.step, self.words = step.name, tuple(figures[:6])


class _GuardOpener:
    """Opens the guard once the output stands at its level in the step of `GUARD_STEP`."""

    def __init__(self, show: Show) -> None:
        self._bench = show.served.bench
        self._step = ""
        self.was_on = False

    def __call__(self, notice: Notice) -> str | None:
        if notice.kind == "step_started":
            self._step = notice.data["step"].name
        ready = notice.kind == "live" and notice.data["state"] == TesterState.DWELLING
        if not ready or self._step != GUARD_STEP or self.was_on:
            return None
        self.was_on = self._bench.state().any_on
        self._bench.guard_closed = False
        return f"the guard is opened {notice.data['elapsed_s']:.1f} s after the start"


def _check_records(files: Files, ledger: Ledger) -> None:
    """Every run stands on record with its outcome, and the chain holds."""
    from orchestrator.fault_words import counted
    from orchestrator.records.reader import list_runs
    from orchestrator.records.verify import verify

    teller = ledger.teller
    teller.heading("The records")
    for letter, ran in ledger.ran.items():
        path = read_station(files, letter).records
        report = verify(path)
        found = [(run.run_id, run.outcome) for run in reversed(list_runs(path))]
        ledger.expect(f"the records of station {letter} are whole", held=report.ok)
        ledger.expect(f"each run of station {letter} stands there once", held=found == ran)
        state = "whole" if report.ok else "; ".join(map(str, report.damages))
        held = f"{counted(len(found), 'run')}, {counted(report.length, 'entry')}"
        teller.say(f"{path}: {held}, {state}")
    teller.say("to look closer:  ohmward records list FILE,  ohmward records show RUN FILE")


def _sum_up(ledger: Ledger, violations: list[str], files: Files, took_s: float) -> int:
    teller = ledger.teller
    teller.heading("Summary")
    columns = ("station", "unit", "serial", "verdict", "failed or ended in", "time")
    teller.table(columns, ledger.rows)
    ledger.expect("the bench saw nothing that must never happen", held=not violations)
    for line in violations:
        teller.alert(f"VIOLATION: {line}")
    if not violations:
        teller.say(
            "violations seen by the bench itself (relay moved under voltage, output on with the",
            "guard open, rating exceeded, on for too long …): none",
        )
    good = ledger.checked - len(ledger.wrong)
    teller.say(f"{good} of {ledger.checked} expectations held; {took_s:.1f} s in all")
    for what in ledger.wrong:
        teller.alert(f"NOT AS EXPECTED: {what}")
    teller.say(f"files and records stay in {files.folder}")
    return int(Exit.INTERNAL if ledger.wrong else Exit.DONE)
