"""A probe: who answers, what is on, which unit stands at which address; nothing is energised."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from drivers.simulators.bench import Bench
from drivers.simulators.faults import answer_with
from drivers.simulators.io_block import SimulatedIo
from drivers.simulators.serve import serve_tcp
from orchestrator.assembly.plan import StationPlan
from orchestrator.assembly.probing import probe_station
from orchestrator.assembly.probing_findings import (
    Answer,
    InputFound,
    OutputFound,
    OutputOn,
    RelaysFound,
    SearchBegins,
    SearchFound,
    SearchStep,
)
from orchestrator.assembly.probing_lines import Line, OnlyReading, link_remedy, once, open_link
from orchestrator.clock import SystemClock, VirtualClock
from orchestrator.contract import Receive, Reply, Send, Talk
from orchestrator.errors import Refused, StationBusy, TimedOut
from orchestrator.model import entries
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.schedule import Contact, LimitOrder, Route, StepOrder
from orchestrator.model.words import Edge, Measured, Role, StepKind, TesterState, Waveform
from orchestrator.records.lock import StationLock
from orchestrator.records.store import SqliteStore
from orchestrator.running.ports import Port
from orchestrator.running.rack import TesterSeat
from tests.runs.probing_stations import (
    COMB,
    DECLARED,
    LATTICE,
    Heard,
    answer_of,
    bench_at,
    plan_of,
    probed,
    search_for,
)


def outputs(report: Any) -> list[OutputFound]:
    return [item for item in report.items if isinstance(item, OutputFound)]


def untouched(bench: Bench) -> None:
    """No output was switched on, no contact moved, no rule broken."""
    assert not bench.violations
    assert all(output.starts == 0 for output in bench.outputs.values())


# ---- all as declared


def test_a_station_as_declared_is_found_whole_and_nothing_moves(tmp_path: Path) -> None:
    """Everybody answers; no stop, no search, no relay, no start."""
    report, heard, bench = probed(tmp_path, DECLARED)
    assert report.ok
    assert [a.name for a in heard.of(Answer)] == ["t1", "left", "right"]
    (output,) = outputs(report)
    assert (output.met, output.stopped, output.problem) == (TesterState.OFF, False, "")
    assert not heard.of(SearchBegins)
    untouched(bench)
    sent = bench.instruments["t1"].faults.seen
    assert not any(line.startswith(b"ST") for line in sent)


def test_every_interlock_input_is_read(tmp_path: Path) -> None:
    """The tester's own and the bench's guard; an open guard is told, not judged."""
    plan, clock, heard = plan_of(tmp_path), VirtualClock(), Heard()
    bench = bench_at(plan, DECLARED, clock)
    bench.guard_closed = False
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    assert {i.name: i.closed for i in heard.of(InputFound)} == {"door": False, "guard": False}
    assert report.ok


def test_closed_relays_are_told_by_name_and_stay_closed(tmp_path: Path) -> None:
    """What a crash left closed may be the discharge path."""
    plan, clock, heard = plan_of(tmp_path), VirtualClock(), Heard()
    bench = bench_at(plan, DECLARED, clock)
    matrix = plan.chains["c1"].adapter
    assert matrix is not None
    contact = Contact("c1", "left", "high", 2, Role.SOURCE)
    line = line_to(plan, "c1", bench, clock, matrix)
    line.ask(matrix.apply(Route(frozenset({contact}))))
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    told = {r.unit: r.closed for r in heard.of(RelaysFound)}
    assert told == {"left": (contact,), "right": ()}
    assert report.ok
    assert ("c1/left/high/2", "source") in bench.state().closed


def line_to(
    plan: StationPlan, name: str, bench: Bench, clock: VirtualClock, owner: Any, seat: Any = None
) -> Line:
    entry = plan.station.testers.get(name) or plan.station.chains[name]
    assert entry.link is not None
    link = open_link(entry.link, name, None, clock=clock, bench=bench)
    return Line(plan, Port(link, clock), owner, clock, seat)


# ---- an output that is on


ORRIN = COMB.replace("profile: pell", "profile: orrin").replace(
    "instrument: pell", "instrument: orrin"
)


def switched_on(plan: StationPlan, bench: Bench, clock: VirtualClock) -> None:
    """Somebody before us started a step on this tester and went away."""
    adapter = plan.testers["t1"].adapter
    line = line_to(plan, "t1", bench, clock, adapter, TesterSeat("t1", adapter, "t1", True))
    order = adapter.quantise(
        StepOrder(
            kind=StepKind.WITHSTAND_DC,
            level=Decimal(1500),
            waveform=Waveform.DC,
            rise=Decimal("0.5"),
            dwell=Decimal(60),
            fall=Decimal(0),
            limits=(LimitOrder(Measured.TOTAL_CURRENT, Edge.AT_MOST, Decimal("0.005")),),
        )
    )
    for talk in (adapter.enter(), adapter.arm(), adapter.prepare((order,)), adapter.start()):
        line.ask(talk)
    clock.advance(2.0)
    assert bench.state().any_on


@pytest.mark.parametrize("text", [COMB, ORRIN], ids=["pell", "orrin"])
def test_an_output_that_is_on_is_told_at_once_and_stopped(tmp_path: Path, text: str) -> None:
    """Told before the stop, then proved off; the probe isn't 'ok' even so."""
    first, clock, heard = plan_of(tmp_path, text), VirtualClock(), Heard()
    bench = bench_at(first, DECLARED, clock)
    switched_on(first, bench, clock)
    on_when_told: list[bool] = []

    def tell(told: Any) -> None:
        heard.take(told)
        if isinstance(told, OutputOn):
            on_when_told.append(bench.state().any_on)

    report = probe_station(plan_of(tmp_path, text), clock=clock, bench=bench, tell=tell)
    assert on_when_told == [True]
    (told,) = heard.of(OutputOn)
    assert told.state is TesterState.DWELLING
    (output,) = outputs(report)
    assert output.was_on
    assert output.stopped
    assert not output.problem
    assert not report.ok
    state = bench.state()
    assert not state.any_on
    assert all(out.dc_v < 60 for out in state.outputs.values())  # EN 50191:2010 clause 1.2


def test_an_output_whose_stop_is_cut_short_gets_another_one(tmp_path: Path) -> None:
    """Ctrl-C while the discharge is being confirmed: the stop goes out once more."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, DECLARED, clock)
    switched_on(plan, bench, clock)
    seen = bench.instruments["t1"].faults.seen
    stopping = [False]

    def interrupt(_: float) -> None:
        if stopping[0] and any(line.startswith(b"ST") for line in list(seen)[before:]):
            stopping[0] = False
            raise KeyboardInterrupt

    def tell(told: Any) -> None:
        stopping[0] = stopping[0] or isinstance(told, OutputOn)

    before = len(seen)
    clock.on_advance(interrupt)
    with pytest.raises(KeyboardInterrupt):
        probe_station(plan_of(tmp_path), clock=clock, bench=bench, tell=tell)
    clock.advance(15.0)
    assert sum(line.startswith(b"ST") for line in list(seen)[before:]) == 2
    assert not bench.state().any_on


# ---- instruments that fail


def test_a_mute_tester_keeps_nobody_else_from_being_asked(tmp_path: Path) -> None:
    """It is told as silent with what to check, and gets a stop blind; the chain is asked."""
    plan, clock, heard = plan_of(tmp_path), VirtualClock(), Heard()
    bench = bench_at(plan, DECLARED, clock)
    bench.instruments["t1"].faults.mute = True
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    tester = answer_of(report, "t1")
    assert tester.status == "silent"
    assert "Dunmarrow Pell" in tester.expected
    assert tester.remedy
    (output,) = outputs(report)
    assert output.stopped
    assert "nothing says that it arrived" in output.problem
    assert answer_of(report, "left").ok
    assert answer_of(report, "right").ok
    assert not report.ok


def test_a_link_that_cannot_be_opened_keeps_nobody_else_from_being_asked(tmp_path: Path) -> None:
    """An unplugged chain, then an unplugged tester."""
    for gone, there in (("c1", "t1"), ("t1", "left")):
        plan, clock = plan_of(tmp_path), VirtualClock()
        bench = bench_at(plan, DECLARED, clock)
        bench.instruments[gone].faults.unplugged = True
        report = probe_station(plan, clock=clock, bench=bench)
        assert answer_of(report, gone).status == "silent"
        assert "unplugged" in answer_of(report, gone).found
        assert answer_of(report, there).ok
        assert not report.ok


def test_another_type_of_tester_is_named_and_sent_nothing_more(tmp_path: Path) -> None:
    """Its stop would be another instrument's words; its output isn't known."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, DECLARED, clock)
    tester: Any = bench.instruments["t1"]
    changed = tmp_path / "other.yaml"
    from orchestrator.resources import resource_folder

    text = (resource_folder("profiles") / "pell.yaml").read_text(encoding="utf-8")
    changed.write_text(text.replace("model: PELL", "model: PELLET"), encoding="utf-8")
    assert changed.read_text(encoding="utf-8") != text
    other = plan_of(tmp_path, COMB.replace("profile: pell", f"profile: {changed}"))
    report = probe_station(other, clock=clock, bench=bench)
    answer = answer_of(report, "t1")
    assert answer.status == "other"
    assert "'PELLET'" in answer.found
    (output,) = outputs(report)
    assert not output.stopped
    assert "can't be read" in output.problem
    assert not any(line.startswith(b"ST") for line in tester.faults.seen)


@pytest.mark.parametrize(
    ("old", "new", "name", "told"),
    [
        ("simulated: yes", "simulated: no", "t1", "declares it real"),
        ("simulated: yes", "simulated: no", "left", "declares it real"),
        (
            "instrument: pell}, simulated: yes",
            "instrument: pell}, simulated: yes, serial: OLD-1",
            "t1",
            "OLD-1",
        ),
        ("address: 17", "address: 17, serial: OLD-2", "right", "OLD-2"),
    ],
)
def test_a_flag_or_serial_number_that_differs_is_told_with_both(
    tmp_path: Path, old: str, new: str, name: str, told: str
) -> None:
    """Other than declared: what was expected, what was found, what to do; its state is read."""
    text = COMB.replace(old, new)
    if "simulated: no" in new:
        text = text.replace("  - {name: guard, source: {kind: simulated}}\n", "")
    report, _, _ = probed(tmp_path, DECLARED, text)
    answer = answer_of(report, name)
    assert answer.status == "other"
    assert told in answer.found
    assert answer.identity is not None
    assert answer.remedy
    assert not report.ok
    assert outputs(report)[0].ok


def test_a_calibration_date_that_has_passed_is_noted(tmp_path: Path) -> None:
    """A run would be refused; to look who is there is not."""
    text = COMB.replace(
        "simulated: yes}\nchains", "simulated: yes, calibration_due: 2025-12-31}\nchains"
    )
    assert text != COMB
    report, _, _ = probed(tmp_path, DECLARED, text)
    assert report.ok
    assert "due on 2025-12-31" in report.notes[0]


def test_faults_of_the_station_file_are_refused_and_a_held_station_is_busy(tmp_path: Path) -> None:
    """As for every command that opens a station."""
    plan = plan_of(tmp_path, COMB.replace("p2: c1/left/high/2", "p2: c1/left/high/99"))
    with pytest.raises(Refused, match="99"):
        probe_station(plan, clock=VirtualClock())
    plan = plan_of(tmp_path)
    with StationLock(plan.records, VirtualClock()), pytest.raises(StationBusy):
        probe_station(plan, clock=VirtualClock())


# ---- the search


@pytest.mark.parametrize(
    ("stands", "kinds", "why"),
    [
        (7, ("one position",), "position 4 stands down, should be up"),
        (13, ("one position",), "position 2 stands down, should be up"),
        (4, ("one position",), "position 5 stands up, should be down"),
        (20, ("reversed",), "as if set from the wrong end"),
        (26, ("inverted",), "every position stands the other way round"),
        (6, ("other",), "position 4 stands down, should be up and position 5 stands up, should"),
    ],
)
def test_a_unit_at_a_wrong_address_is_found_and_its_switch_explained(
    tmp_path: Path, stands: int, kinds: tuple[str, ...], why: str
) -> None:
    """Declared at 5 (up up down up down on a Comb): worked out by hand from its prose."""
    report, heard, bench = probed(tmp_path, {"left": stands, "right": 17})
    found = search_for(report, "left")
    (candidate,) = found.candidates
    assert (candidate.address, candidate.kinds) == (stands, kinds)
    assert why in candidate.why
    assert candidate.identity is not None
    assert not report.ok
    assert answer_of(report, "left").status == "silent"
    assert answer_of(report, "right").ok
    asked = [step.address for step in heard.of(SearchStep)]
    assert asked == [
        21,
        13,
        1,
        7,
        4,
        20,
        26,
        *sorted(set(range(32)) - {5, 17, 21, 13, 1, 7, 4, 20, 26}),
    ]
    untouched(bench)


@pytest.mark.parametrize("stands", [1, 3, 6, 10, 4, 13, 15])
def test_a_chain_that_reports_missing_units_is_searched_alike(tmp_path: Path, stands: int) -> None:
    """The Lattice answers 'no such unit' where the Comb keeps silent."""
    report, _, bench = probed(tmp_path, {"left": stands, "right": 9}, LATTICE)
    assert [c.address for c in search_for(report, "left").candidates] == [stands]
    untouched(bench)


def test_the_time_of_the_whole_search_is_told_before_it_begins_and_is_about_right(
    tmp_path: Path,
) -> None:
    """Within a third of what it takes, in virtual time; only one address answers sooner."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, {"left": 7, "right": 17}, clock)
    began_s, told_s = [0.0], [0.0]

    def tell(told: Any) -> None:
        if isinstance(told, SearchBegins):
            began_s[0], told_s[0] = clock.monotonic(), told.takes_s
            assert told.addresses == 30
        if isinstance(told, SearchFound):
            began_s[0] = clock.monotonic() - began_s[0]

    probe_station(plan, clock=clock, bench=bench, tell=tell)
    assert told_s[0] > 1.0
    assert abs(told_s[0] - began_s[0]) < began_s[0] / 3


def test_several_candidates_are_ranked(tmp_path: Path) -> None:
    """One position wrong, then reversed, then inverted, then others."""
    stand = {"left": 6, "right": 17, "a": 26, "b": 20, "c": 7}
    report, _, _ = probed(tmp_path, stand)
    found = search_for(report, "left").candidates
    assert [c.address for c in found] == [7, 20, 26, 6]
    assert [c.kinds[0] for c in found] == ["one position", "reversed", "inverted", "other"]


def test_a_pinned_serial_number_beats_every_likelihood(tmp_path: Path) -> None:
    """It is the very unit, however its switch got there."""
    text = COMB.replace("- name: left\n", "- name: left\n        serial: SIM-0506\n")
    report, _, _ = probed(tmp_path, {"left": 6, "right": 17, "c": 7}, text)
    first, second = search_for(report, "left").candidates
    assert (first.address, first.pinned) == (6, True)
    assert (second.address, second.pinned) == (7, False)


def test_two_missing_units_are_told_apart(tmp_path: Path) -> None:
    """Each gets its likeliest address, and is told where an address fits the other better."""
    report, heard, _ = probed(tmp_path, {"left": 7, "right": 19})
    assert len(heard.of(SearchBegins)) == 1
    for unit, first, second in (("left", 7, 19), ("right", 19, 7)):
        candidates = search_for(report, unit).candidates
        assert [c.address for c in candidates] == [first, second]
        assert [c.better_for for c in candidates] == ["", {"left": "right", "right": "left"}[unit]]


def test_a_unit_that_stands_at_anothers_address_is_suspected_there(tmp_path: Path) -> None:
    """Two units talk over each other: the other's answer is garbled, and both are named."""
    report, _, bench = probed(tmp_path, {"left": 9, "right": 9}, LATTICE)
    assert answer_of(report, "right").status == "other"
    assert "two units" in answer_of(report, "right").remedy
    (candidate,) = search_for(report, "left").candidates
    assert (candidate.address, candidate.garbled) == (9, True)
    untouched(bench)


def test_a_unit_that_is_nowhere_has_no_candidate(tmp_path: Path) -> None:
    """Switched off: all addresses were asked."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, DECLARED, clock)
    chain: Any = bench.instruments["c1"]
    chain.units["left"].answers = False
    report = probe_station(plan, clock=clock, bench=bench)
    found = search_for(report, "left")
    assert not found.candidates
    assert (found.asked, found.addresses, found.broken_off) == (30, 30, "")


def test_ctrl_c_ends_a_search_and_keeps_what_was_found(tmp_path: Path) -> None:
    """The report comes all the same."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, {"left": 7, "right": 17}, clock)

    def tell(told: Any) -> None:
        if isinstance(told, SearchStep) and told.asked == 9:
            raise KeyboardInterrupt

    report = probe_station(plan, clock=clock, bench=bench, tell=tell)
    found = search_for(report, "left")
    assert (found.asked, found.broken_off) == (8, "interrupted")
    assert [c.address for c in found.candidates] == [7]


def test_a_search_can_be_left_out(tmp_path: Path) -> None:
    """Then the missing unit is told, and nothing more."""
    plan, clock, heard = plan_of(tmp_path), VirtualClock(), Heard()
    bench = bench_at(plan, {"left": 7, "right": 17}, clock)
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take, searching=False)
    assert answer_of(report, "left").status == "silent"
    assert not heard.of(SearchFound)
    assert not report.ok


def test_a_link_that_breaks_during_the_search_is_told(tmp_path: Path) -> None:
    """What was asked until then counts; the rest is not made up."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, {"left": 7, "right": 17}, clock)

    def tell(told: Any) -> None:
        if isinstance(told, SearchStep) and told.asked == 9:
            bench.instruments["c1"].faults.unplugged = True
            bench.instruments["c1"].link_up = False

    report = probe_station(plan, clock=clock, bench=bench, tell=tell)
    found = search_for(report, "left")
    assert "link is lost" in found.broken_off
    assert [c.address for c in found.candidates] == [7]


@pytest.mark.parametrize("skip", [0, 1, 3, 12])
def test_a_link_that_drops_once_is_reopened_and_the_probe_goes_on(
    tmp_path: Path, skip: int
) -> None:
    """A coupler that hangs up is no missing unit."""
    plan, clock = plan_of(tmp_path), VirtualClock()
    bench = bench_at(plan, {"left": 7, "right": 17}, clock)
    bench.instruments["c1"].faults.drop_link(skip=skip)
    report = probe_station(plan, clock=clock, bench=bench)
    found = search_for(report, "left")
    assert (found.asked, found.broken_off) == (30, "")
    assert [c.address for c in found.candidates] == [7]
    assert answer_of(report, "right").ok


def test_relays_that_cannot_be_read_are_told_and_the_rest_goes_on(tmp_path: Path) -> None:
    """Garbage instead of one unit's relays."""
    plan, clock, heard = plan_of(tmp_path), VirtualClock(), Heard()
    bench = bench_at(plan, DECLARED, clock)
    bench.instruments["c1"].faults.on(answer_with(b"{??\r"), message=b"{05R2", times=None)
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    left, right = heard.of(RelaysFound)
    assert left.closed is None
    assert "can't be read" in left.problem
    assert right.closed == ()
    assert not report.ok


# ---- parts


def test_a_probe_can_move_no_relay(tmp_path: Path) -> None:
    """Whoever asks its chain to gets an error, also under -O."""
    matrix = plan_of(tmp_path).chains["c1"].adapter
    assert matrix is not None
    with pytest.raises(RuntimeError, match="moves no relay"):
        OnlyReading(matrix).open_all()
    with pytest.raises(RuntimeError, match="moves no relay"):
        OnlyReading(matrix).apply(Route())


def test_once_ends_a_conversation_at_its_first_silence() -> None:
    """What would ask again isn't let."""
    from orchestrator.contract import Frame

    sent = []

    def stubborn() -> Talk[str]:
        for _ in range(2):
            sent.append(1)
            yield Send(b"?")
            try:
                reply = yield Receive(Frame(), 0.1)
            except TimedOut:
                continue
            return "" if reply is None else reply.data.decode()
        raise TimedOut("never")

    talk = once(stubborn())
    next(talk)
    talk.send(None)
    with pytest.raises(TimedOut):
        talk.throw(TimedOut("silence"))
    assert len(sent) == 1
    talk = once(stubborn())
    next(talk)
    talk.send(None)
    with pytest.raises(StopIteration) as stop:
        talk.send(Reply(b"here", b"\n"))
    assert stop.value.value == "here"


def test_every_kind_of_link_has_something_to_check(tmp_path: Path) -> None:
    """Settings on a serial line, host and port on a socket."""
    from pydantic import TypeAdapter

    from orchestrator.model.station import Link

    read = TypeAdapter[Any](Link).validate_python
    serial = read({"kind": "serial", "port": "COM3", "baud": 9600})
    assert "baud" in link_remedy(serial)
    assert "port" in link_remedy(read({"kind": "tcp", "host": "h", "port": 1}))
    assert "resource" in link_remedy(read({"kind": "visa", "resource": "TCPIP::h"}))


@pytest.mark.slow
def test_over_a_real_socket_a_unit_one_switch_off_is_found(tmp_path: Path) -> None:
    """The same in real time, with a chain behind TCP."""
    clock = SystemClock()
    bench = Bench(clock)
    chain = bench.add("c1", "lattice", units={"left": 3, "right": 9})
    with serve_tcp(bench.add("t1", "pell")) as tester, serve_tcp(chain) as served:
        links = {"pell": tester.port, "lattice": served.port}
        text = LATTICE.replace("  - {name: guard, source: {kind: simulated}}\n", "")
        for name, port in links.items():
            inside = f"{{kind: tcp, host: 127.0.0.1, port: {port}}}"
            text = text.replace(f"{{kind: simulated, instrument: {name}}}", inside)
        report = probe_station(plan_of(tmp_path, text), clock=clock)
    assert [c.address for c in search_for(report, "left").candidates] == [3]
    assert answer_of(report, "t1").ok
    assert answer_of(report, "right").ok
    untouched(bench)


# ---- chains without a link of their own, remote inputs

CARRIED = COMB.replace("profile: pell", "profile: stave").replace(
    "instrument: pell", "instrument: stave"
)
CARRIED = (
    CARRIED[: CARRIED.index("chains:")]
    + """\
chains:
  c1:
    profile: sprig
    carried_by: t1
    simulated: yes
    units: [{name: left}]
positions: {p1: c1/left/mix/1}
interlock:
  - {name: door, source: {kind: tester, tester: t1}}
"""
)


def test_a_chain_carried_through_a_tester_is_probed_through_it(tmp_path: Path) -> None:
    """Its units have no address; where the tester is mute it is told as not reached."""
    report, heard, bench = probed(tmp_path, {}, CARRIED)
    assert answer_of(report, "left").ok
    assert [r.closed for r in heard.of(RelaysFound)] == [()]
    assert report.ok
    untouched(bench)
    plan, clock = plan_of(tmp_path, CARRIED), VirtualClock()
    bench = bench_at(plan, {}, clock)
    bench.instruments["t1"].faults.mute = True
    report = probe_station(plan, clock=clock, bench=bench)
    assert answer_of(report, "c1").status == "silent"
    assert "'t1', which carries it" in answer_of(report, "c1").found


IO = COMB.replace(
    "  - {name: guard, source: {kind: simulated}}\n",
    """\
  - {name: hatch, source: {kind: io, block: rack, input: 2}}
io:
  rack:
    host: bench
    inputs: 4
    outputs: 2
    drops_after: 200 ms
    simulated: yes
    driver: simulated
    life_sign: {input: 0, follows: 1}
outputs:
  enable: {block: rack, output: 0, feeds_relay_coils: no}
watched:
  - {name: air pressure, block: rack, input: 3}
""",
)


def test_remote_inputs_are_read_and_no_output_is_switched_on(tmp_path: Path) -> None:
    """An interlock input and a spare one of an I/O block; the enable stays off."""
    plan, clock, heard = plan_of(tmp_path, IO), VirtualClock(), Heard()
    bench = bench_at(plan, DECLARED, clock)
    levels = {2: lambda: True, 3: lambda: False}
    block = SimulatedIo(clock, inputs=4, outputs=2, levels=levels, wires={0: 1})
    bench.add_block("rack", block)
    report = probe_station(plan, clock=clock, bench=bench, tell=heard.take)
    found = {i.name: (i.closed, i.detail) for i in heard.of(InputFound)}
    assert found["hatch"][0] is True
    assert found["air pressure"] == (None, "input 3 is low")
    assert answer_of(report, "rack").ok
    assert report.ok
    assert "enable output is off" in report.notes[0]
    assert not any(change.on for change in block.log if change.output == 0)


def test_an_io_block_that_does_not_answer_is_told_and_its_inputs_as_unknown(
    tmp_path: Path,
) -> None:
    """There is no such block on this bench."""
    plan, clock, heard = plan_of(tmp_path, IO), VirtualClock(), Heard()
    report = probe_station(
        plan, clock=clock, bench=BlocklessBench(bench_at(plan, DECLARED, clock)), tell=heard.take
    )
    assert answer_of(report, "rack").status == "silent"
    closed = {i.name: i.closed for i in heard.of(InputFound)}
    # The enable, off outside a run, lies in series with the door contact of the tester.
    assert closed == {"door": False, "hatch": None, "air pressure": None}
    assert not report.ok


class BlocklessBench:
    """The same bench, its I/O block unplugged."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def io_block(self, name: str) -> Any:
        raise KeyError(name)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._bench, name)


def test_a_latched_alarm_is_told_and_stays_latched(tmp_path: Path) -> None:
    """Whoever probes learns why nothing runs."""
    plan, clock = plan_of(tmp_path, COMB), VirtualClock()
    with SqliteStore(plan.records) as store:
        at = entries.Stamp("2026-11-25T10:00:00.000000Z", 0.0)
        store.append(entries.alarm("", at, AlarmKind.LINK_LOST, "t1 is mute", ""))
    report = probe_station(plan, clock=clock, bench=bench_at(plan, DECLARED, clock))
    assert any("alarm 6 is latched" in note for note in report.notes)
    with SqliteStore(plan.records) as store:
        assert len(store.alarms()) == 1
