"""Searches after a failed step, on three stations: the pair is named, or what keeps it hidden.

Everything is invented: the Brindle kettle warmer of `tests.faults.stations`, once as it is (points
joined by heater, coil and earth bond) and once as six wires that nothing joins.
"""

from __future__ import annotations

import json
from collections import Counter
from decimal import Decimal
from itertools import combinations, product
from typing import Any

import pytest

from drivers.simulators.output_models import Phase
from drivers.simulators.unit import parse_unit
from orchestrator.assembly import searching
from orchestrator.cli.feed import Stamped
from orchestrator.cli.jsonl import json_lines
from orchestrator.cli.progress import RunScreen, show_result
from orchestrator.cli.screen import make_console
from orchestrator.errors import Fault, Refused
from orchestrator.model.record import Located, RunResult
from orchestrator.model.words import Measured, Outcome, SearchEnding
from orchestrator.records.export import export_csv
from orchestrator.records.junit import export_junit
from orchestrator.records.reader import search_exposures, show_run
from orchestrator.running.locating import Locator
from tests.faults.fixtures import MakeRig
from tests.faults.stations import POINTS, PROGRAM, STATIONS, STEPS, unit_text

LOCATE = "{level: 500 V, rise: 0.2 s, dwell: 0.4 s, accept: {resistance: {at_least: 2 Mohm}}%s}"


def with_search(text: str, more: str = "") -> str:
    """The program with a search after each insulation and withstand step."""
    asked = f"on_failure: locate, locate: {LOCATE % more}, "
    for kind in ("insulation", "withstand_ac", "withstand_dc"):
        text = text.replace(f"  {kind}: {{", f"  {kind}: {{{asked}", 1)
    return text


WARMER = with_search(PROGRAM)
JOINED = {
    "earth": ("earth", "shell"),
    "shell": ("earth", "shell"),
    "line": ("line", "neutral"),
    "neutral": ("line", "neutral"),
    "coil a": ("coil a", "coil b"),
    "coil b": ("coil a", "coil b"),
}
"""By the bonding and continuity steps of the program, which pass before any search."""
ACROSS = [
    (one, other) for one in ("line", "neutral") for other in ("earth", "shell", "coil a", "coil b")
]


LIMIT_MA = {"withstand_ac": "0.44", "withstand_dc": "0.5"}
"""At which the coarsest reading (10 uA) of a trip in the rise still shows the limit broken."""


def wires_program(kind: str, more: str = "", others: str = "") -> str:
    """Six wires, all pairs opposed by three group tests: bits of the wire's number (Harary, Hsu,
    Miller 1977: ceil(log2 6) = 3)."""
    level = (
        "1250 V, frequency: 50 Hz, limits_during_rise: yes"
        if kind == "withstand_ac"
        else ("500 V" if kind == "insulation" else "2120 V, limits_during_rise: yes")
    )
    limit = (
        "{resistance: {at_least: 2 Mohm}}"
        if kind == "insulation"
        else f"{{total_current: {{at_most: {LIMIT_MA[kind]} mA}}}}"
    )
    fall = "0.2 s" if kind == "withstand_ac" else "0 s"
    lines = [
        "name: six wires",
        "revision: '1'",
        "no_protective_earth: six loose wires without any earth",
        "defaults:",
        f"  all: {{kind: {kind}, level: {level}, rise: 0.2 s, dwell: 0.4 s, fall: {fall},",
        f"    accept: {limit}, on_failure: locate, locate: {LOCATE % more},",
        f"    unproved_contact: six wires that only try searches{others}}}",
        "steps:",
    ]
    for bit in range(3):
        here = [p for n, p in enumerate(POINTS) if n >> bit & 1]
        there = [p for n, p in enumerate(POINTS) if not n >> bit & 1]
        lines += [
            f"  - name: group {bit}",
            f"    apply_to: [{', '.join(here)}]",
            f"    against: [{', '.join(there)}]",
        ]
    return "\n".join(lines) + "\n"


def wires(*parts: str) -> str:
    lines = "\n".join(f"  - {part}" for part in parts)
    return f"name: unit\nparts:\n{lines}\n"


def leak(one: str, other: str, size: str = "1.9 Mohm") -> str:
    return f"{{between: [{one}, {other}], resistance: {size}}}"


def gap(one: str, other: str, level: str) -> str:
    return f"{{between: [{one}, {other}], breakdown: {level}}}"


GOOD_WIRES = tuple(leak(one, other, "900 Mohm") for one, other in combinations(POINTS, 2))


def located(result: RunResult) -> Located:
    (found,) = result.located
    return found


def named(result: RunResult) -> list[set[str]]:
    """The pairs found, as points."""
    return [{*pair.one, *pair.other} for pair in located(result).pairs]


def against_all(text: str) -> str:
    """The warmer's insulation step against all other points, not against earth alone."""
    return text.replace(
        "    against: [earth]\n    prove_contact: [bond shell, contact mains]\n    accept",
        "    against: [earth]\n    others: against\n"
        "    prove_contact: [bond shell, contact mains, contact coil]\n    accept",
    )


# ---- found


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(("one", "other"), ACROSS)
def test_every_pair_of_the_warmer_just_below_its_limit_is_found(
    make_rig: MakeRig, station: str, one: str, other: str
) -> None:
    """1.9 Mohm where 2 Mohm are asked for; points joined by proved contact count as one."""
    text = against_all(with_search(PROGRAM, ", floating: nothing is charged at 500 V"))
    rig = make_rig(station, unit=unit_text(leak(one, other)))
    result = rig.run(text)
    found = located(result)
    assert found.name == "insulation mains"
    assert found.ending is SearchEnding.FOUND
    assert [{p.one, p.other} for p in found.pairs] == [{JOINED[one], JOINED[other]}]
    assert found.pairs[0].evidence == "failed alone"
    rig.check(result, Outcome.FAIL, before=STEPS[:3])


KINDS = ("insulation", "withstand_ac", "withstand_dc")
BY_DEFAULT = (STATIONS[0], "withstand_dc")
"""All other stations and kinds are for soak."""


@pytest.mark.parametrize(
    ("station", "kind"),
    [
        pytest.param(*both, marks=() if both == BY_DEFAULT else pytest.mark.soak)
        for both in product(STATIONS, KINDS)
    ],
)
def test_every_pair_of_six_wires_just_below_its_limit_is_found(
    make_rig: MakeRig, station: str, kind: str
) -> None:
    """Every other one of the fifteen, whichever group test shows it, and nothing else is called
    faulty.

    At most ceil(log2 9) = 4 splits of the nine pairs of a group, one more to see whether it shows
    at all, one to confirm, two for what is left of the suspects then.
    """
    rig = make_rig(station)
    text = wires_program(kind)
    for number, (one, other) in enumerate([*combinations(POINTS, 2)][::2]):
        rig.bench.load_unit(parse_unit(wires(*GOOD_WIRES, leak(one, other))))
        result = rig.run(text, serial=f"W{number}")
        assert result.outcome is Outcome.FAIL
        assert located(result).ending is SearchEnding.FOUND
        assert named(result) == [{one, other}]
        assert len(located(result).steps) <= 8
    # So many runs: the instrument's list of lines seen is shorter, so that the stop isn't in it.
    rig.check(result, Outcome.FAIL, delivered=False)


@pytest.mark.parametrize("station", STATIONS)
def test_two_faulty_pairs_are_both_found(make_rig: MakeRig, station: str) -> None:
    """One search names all pairs of the failed step."""
    unit = wires(*GOOD_WIRES, leak("earth", "shell"), leak("line", "neutral", "1.5 Mohm"))
    rig = make_rig(station, unit=unit)
    result = rig.run(wires_program("insulation"))
    assert located(result).ending is SearchEnding.FOUND
    assert {frozenset(pair) for pair in named(result)} == {
        frozenset({"earth", "shell"}),
        frozenset({"line", "neutral"}),
    }
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_the_step_stays_failed_and_the_rest_of_the_program_is_not_run(
    make_rig: MakeRig, station: str
) -> None:
    """As with stop; the search's own steps don't count among the program's."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    result = rig.run(wires_program("insulation"))
    assert [step.outcome for step in result.steps] == [
        Outcome.FAIL,
        Outcome.NOT_RUN,
        Outcome.NOT_RUN,
    ]
    assert result.steps[1].reason == "step 'group 0' ended as fail"
    assert [step.result.index for step in located(result).steps] == [
        *range(3, 3 + len(located(result).steps))
    ]
    rig.check(result, Outcome.FAIL)


def test_a_good_unit_is_never_searched(make_rig: MakeRig) -> None:
    """Nothing is added to a run that passes."""
    rig = make_rig("orrin")
    result = rig.run(WARMER)
    assert result.located == ()
    assert rig.output.starts == len(STEPS)
    rig.check(result, Outcome.PASS, before=STEPS)


# ---- the record


@pytest.mark.parametrize("station", STATIONS)
def test_the_record_names_the_pair_and_keeps_every_search_step(
    make_rig: MakeRig, station: str
) -> None:
    """Steps of the program, steps of the search and what came of it, each where it belongs."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    result = rig.run(wires_program("withstand_dc"))
    rig.check(result, Outcome.FAIL)
    view = show_run(rig.folder / "records.sqlite", result.run_id)
    (found,) = view.located
    assert (found.step, found.name, found.ending) == (0, "group 0", "found")
    assert {*found.pairs[0].one, *found.pairs[0].other} == {"earth", "shell"}
    assert len(view.search_steps) == len(found.body["steps"]) == len(located(result).steps)
    for step, evidence in zip(view.search_steps, found.body["steps"], strict=True):
        assert step.started["search_of"] == step.ended["search_of"] == 0
        assert step.kind == "insulation"
        assert Decimal(step.level) == 500
        assert "step 1" in step.started["unproved_contact"]
        assert (step.index, step.outcome) == (evidence["index"], evidence["outcome"])
        assert any(value["quantity"] == "resistance" for value in evidence["values"])
        assert step.started["route"]


def test_exports_show_the_search_without_counting_it_as_tests(make_rig: MakeRig) -> None:
    """JUnit: three cases, one failure that names the pair; CSV: the search's readings too."""
    import io

    rig = make_rig("pell", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    result = rig.run(wires_program("insulation"))
    rig.check(result, Outcome.FAIL)
    records = rig.folder / "records.sqlite"
    junit, table = io.StringIO(), io.StringIO()
    export_junit(records, junit)
    text = junit.getvalue()
    assert 'tests="3" failures="1" errors="0" skipped="2"' in text
    assert text.count("<testcase") == 3
    told = located(result).pairs[0].evidence
    assert told.startswith("failed, and all ")
    assert f"faulty: shell against earth ({told})" in text
    export_csv(records, table)
    assert "search 1 of step 1" in table.getvalue()


# ---- not reproduced


@pytest.mark.parametrize("station", ["orrin", "pell"])
def test_a_breakdown_above_the_search_level_ends_as_not_reproduced_with_its_candidates(
    make_rig: MakeRig, station: str
) -> None:
    """A gap of 1900 V fails 2120 V DC and stands 500 V: the nine pairs of the group are named."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, gap("earth", "shell", "1900 V")))
    result = rig.run(wires_program("withstand_dc"))
    found = located(result)
    assert found.ending is SearchEnding.NOT_REPRODUCED
    assert found.pairs == ()
    assert len(found.candidates) == 9
    assert frozenset({"earth", "shell"}) in {frozenset((*a, *b)) for a, b in found.candidates}
    assert "500 V" in found.reason
    assert all(step.result.outcome is Outcome.PASS for step in found.steps)
    rig.check(result, Outcome.FAIL)


def test_a_trip_that_only_a_person_may_end_leaves_all_candidates(make_rig: MakeRig) -> None:
    """This tester latches a hardware trip: no search step is energised, and the run says why."""
    rig = make_rig("stave", unit=wires(*GOOD_WIRES, gap("earth", "shell", "1900 V")))
    result = rig.run(wires_program("withstand_dc"))
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert "reset the trip at the tester" in found.reason
    assert len(found.candidates) == 9
    assert rig.output.starts == 1
    assert result.reason == ""
    assert rig.live.alarms == ()
    rig.check(result, Outcome.FAIL)
    view = show_run(rig.folder / "records.sqlite", result.run_id)
    assert [step.outcome for step in view.search_steps] == ["not_run"]


@pytest.mark.parametrize("station", STATIONS)
def test_withstand_is_never_repeated(make_rig: MakeRig, station: str) -> None:
    """Whatever failed, a search step is insulation at the search's level: 500 V on the wire."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("earth", "shell", "1.2 Mohm")))
    result = rig.run(wires_program("withstand_ac"))
    started = [n.data["step"] for n in rig.notices if n.kind == "step_started"]
    assert [step.kind.value for step in started if step.search_of is None] == ["withstand_ac"]
    searched = [step for step in started if step.search_of is not None]
    assert searched
    assert {(s.kind.value, s.order.level) for s in searched} == {("insulation", Decimal(500))}
    rig.check(result, Outcome.FAIL)


def test_a_failure_by_an_open_lead_is_not_searched(make_rig: MakeRig) -> None:
    """A lower limit on current that is broken tells of no leak."""
    rig = make_rig("orrin", unit=unit_text(without="[line, earth], resistance: 180"))
    text = WARMER.replace("at_least: 0.2 mA", "at_least: 3 mA")
    result = rig.run(text)
    assert located(result).ending is SearchEnding.STUCK
    assert "open lead" in located(result).reason
    assert located(result).steps == ()
    rig.check(result, Outcome.FAIL)


# ---- limits


@pytest.mark.parametrize("station", STATIONS)
def test_exposures_are_counted_over_the_runs_of_a_serial_number(
    make_rig: MakeRig, station: str
) -> None:
    """Three exposures: spent within two runs, in another process too; another unit has its own."""
    unit = wires(*GOOD_WIRES, leak("earth", "shell"))
    rig = make_rig(station, unit=unit)
    text = wires_program(
        "insulation", ", exposures_at_most: 3, floating: these wires hold no charge"
    )
    first = located(rig.run(text, serial="A"))
    rig.close()
    rig.open()
    second = located(rig.run(text, serial="A"))
    exposed = search_exposures(rig.folder / "records.sqlite", "A")
    by_hand: Counter[tuple[str, str]] = Counter()
    for step in (*first.steps, *second.steps):
        by_hand.update((min(a, b), max(a, b)) for a in step.apply_to for b in step.against)
    assert exposed == by_hand
    assert max(exposed.values()) == exposed["earth", "shell"] == 3
    third = located(rig.run(text, serial="A"))
    assert third.ending is SearchEnding.STUCK
    assert "exposures" in third.reason
    assert third.candidates
    result = rig.run(text, serial="B")
    assert located(result).ending is SearchEnding.FOUND
    rig.check(result, Outcome.FAIL)


def test_a_search_ends_when_its_steps_are_used_up(make_rig: MakeRig) -> None:
    """What it couldn't tell apart by then is named."""
    rig = make_rig("pell", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    result = rig.run(wires_program("insulation", ", steps_at_most: 1"))
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert "steps_at_most" in found.reason
    assert len(found.steps) == 1
    assert frozenset({"earth", "shell"}) in {frozenset((*a, *b)) for a, b in found.candidates}
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_no_search_step_opposes_what_no_step_of_the_program_does(
    make_rig: MakeRig, station: str
) -> None:
    """The heater between line and neutral never sees the search's level."""
    rig = make_rig(station, unit=unit_text(leak("neutral", "coil b", "1.2 Mohm")))
    result = rig.run(WARMER)
    for step in located(result).steps:
        assert len({"line", "neutral"} & {*step.apply_to}) in (0, 2)
        assert len({"line", "neutral"} & {*step.against}) in (0, 2)
    rig.check(result, Outcome.FAIL)


def test_points_held_together_are_named_together(make_rig: MakeRig) -> None:
    """Nothing may be left open and nothing may be put across: both pairs stay, with the remedy."""
    rig = make_rig("stave", unit=unit_text(leak("line", "coil a")))
    result = rig.run(against_all(WARMER))
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert "allow: floating" in found.reason
    assert found.candidates == (
        (JOINED["line"], JOINED["earth"]),
        (JOINED["line"], JOINED["coil a"]),
    )
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("others", ["", ", others: against"])
def test_no_point_is_left_open_unless_the_program_allows_it(make_rig: MakeRig, others: str) -> None:
    """Without a reason every point of the step stays on a side."""
    unit = wires(*GOOD_WIRES, leak("earth", "shell"))
    rig = make_rig("orrin", unit=unit)
    result = rig.run(wires_program("insulation", others=others))
    assert located(result).ending is SearchEnding.FOUND
    assert all(step.left_open == () for step in located(result).steps)
    assert named(result) == [{"earth", "shell"}]
    rig.check(result, Outcome.FAIL)


@pytest.mark.parametrize("station", STATIONS)
def test_points_that_the_step_leaves_open_open_none_of_its_own(
    make_rig: MakeRig, station: str
) -> None:
    """Shell and coil aren't named by the warmer's insulation step and stay open; line, neutral and
    earth are, and each is on a side in every search step."""
    rig = make_rig(station, unit=unit_text(leak("line", "earth")))
    result = rig.run(WARMER)
    found = located(result)
    assert found.steps
    for step in found.steps:
        assert step.left_open == ()
        assert {*step.apply_to, *step.against} == {"line", "neutral", "earth"}
    rig.check(result, Outcome.FAIL)


# ---- what goes wrong meanwhile


@pytest.mark.parametrize("station", STATIONS)
def test_a_guard_opened_during_a_search_ends_as_any_trip(make_rig: MakeRig, station: str) -> None:
    """Stopped, off, relays open; the step stays failed, what was found so far is on record."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    rig.during(Phase.HOLD, rig.open_guard, step="search 1 of step 1")
    result = rig.run(wires_program("withstand_dc"))
    assert "guard" in result.reason or "door" in result.reason or "interlock" in result.reason
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert found.reason == result.reason
    assert found.candidates
    assert rig.live.alarms
    rig.check(result, Outcome.FAIL)
    view = show_run(rig.folder / "records.sqlite", result.run_id)
    assert [step.outcome for step in view.search_steps] == ["no_verdict"]


@pytest.mark.parametrize("station", STATIONS)
def test_relays_are_cold_throughout_a_search(make_rig: MakeRig, station: str) -> None:
    """The bench, which watches every contact, has nothing to say against it."""
    rig = make_rig(station, unit=wires(*GOOD_WIRES, leak("coil a", "coil b")))
    result = rig.run(wires_program("withstand_ac"))
    assert len(located(result).steps) >= 3
    assert list(rig.bench.violations) == []
    rig.check(result, Outcome.FAIL)


def refused_after(monkeypatch: pytest.MonkeyPatch, steps: int) -> None:
    """Binding of the station refuses search steps after so many."""
    real = searching.SearchBinder.__call__
    left = [steps]

    def bind(self: searching.SearchBinder, wish: Any) -> Any:
        left[0] -= 1
        if left[0] < 0:
            raise Refused([Fault("contact hv/3", "300 V", "500 V", "use another bank")])
        return real(self, wish)

    monkeypatch.setattr(searching.SearchBinder, "__call__", bind)


@pytest.mark.parametrize("steps", [0, 2])
def test_a_search_step_that_binding_refuses_ends_the_search(
    make_rig: MakeRig, monkeypatch: pytest.MonkeyPatch, steps: int
) -> None:
    """Stuck, with what was found and the refusal's own words; the run ends as any failed one."""
    rig = make_rig("stave", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    refused_after(monkeypatch, steps)
    result = rig.run(wires_program("withstand_dc"))
    found = located(result)
    assert found.ending is SearchEnding.STUCK
    assert "contact hv/3" in found.reason
    assert len(found.steps) == steps
    assert frozenset({"earth", "shell"}) in {frozenset((*a, *b)) for a, b in found.candidates}
    rig.check(result, Outcome.FAIL)


def test_a_search_that_could_never_run_is_refused_with_the_program(make_rig: MakeRig) -> None:
    """Binding tries the widest search step; the fault stands at the search's own key."""
    rig = make_rig("orrin")
    text = WARMER.replace("dwell: 0.4 s, accept: {res", "dwell: 24 h, accept: {res")
    with pytest.raises(Refused) as refused:
        rig.run(text)
    assert "dwell" in str(refused.value)
    assert rig.output.starts == 0


@pytest.mark.parametrize("more", ["", ", floating: the coil may hang open"])
def test_the_same_search_reads_the_same_every_time(make_rig: MakeRig, more: str) -> None:
    """Same unit, same steps, same readings."""
    text = wires_program("insulation", more, others=", others: against")
    unit = wires(*GOOD_WIRES, leak("line", "coil a"))
    found = [located(make_rig("pell", unit=unit).run(text)) for _ in range(2)]
    assert found[0] == found[1]
    assert found[0].steps[0].result.values[Measured.RESISTANCE].value


def test_thinking_beside_the_scan_finds_the_same(
    make_rig: MakeRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a station in real time does it: in a thread, the scan going on meanwhile."""

    def aside(bind: Any, exposures: Any, **_: Any) -> Locator:
        return Locator(bind, exposures, aside=True)

    unit = wires(*GOOD_WIRES, leak("line", "coil a"))
    here = located(make_rig("pell", unit=unit).run(wires_program("insulation")))
    monkeypatch.setattr(searching, "Locator", aside)
    rig = make_rig("pell", unit=unit)
    result = rig.run(wires_program("insulation"))
    assert located(result).pairs == here.pairs
    assert len(located(result).steps) == len(here.steps)
    rig.check(result, Outcome.FAIL)


# ---- what a person and a program are told


def test_screen_and_json_lines_tell_the_search_apart_from_the_program(
    make_rig: MakeRig, capsys: pytest.CaptureFixture[str]
) -> None:
    """'1 of 3' counts the program's steps only; the pair stands below the failing step."""
    rig = make_rig("orrin", unit=wires(*GOOD_WIRES, leak("earth", "shell")))
    schedule = rig.live.bind(rig.program(wires_program("insulation")))
    result = rig.live.run(schedule, serial="K1")
    capsys.readouterr()
    screen, lines = RunScreen(make_console(), schedule), json_lines(schedule)
    for notice in rig.notices:
        screen.take(Stamped("2026-01-01T00:00:00Z", 0.0, notice))
    show_result(make_console(), result, rig.folder)
    told = capsys.readouterr().out
    assert "1 of 3" in told
    assert "4 of 3" not in told
    assert "search 1 of step 1: " in told
    evidence = located(result).pairs[0].evidence
    assert told.count(f"faulty: shell against earth ({evidence})") == 2
    for notice in rig.notices:
        lines(Stamped("2026-01-01T00:00:00Z", 0.0, notice))
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    (found,) = (line for line in objects if line["kind"] == "located")
    assert found["ending"] == "found"
    assert found["pairs"][0]["one"] == ["shell"]
    begun = [line for line in objects if line["kind"] == "step_started"]
    assert [line["search_of"] for line in begun] == [None] + [0] * (len(begun) - 1)
