"""JUnit XML: its structure, what a step's end becomes, and nothing that breaks it.

``LAYOUT`` is written by hand from memory of the two schemas in common use: JUnit.xsd of Ant's
report task (called A) and junit-10.xsd of the xUnit plug-in of a CI server (B); common practice,
neither is a standard. The same rules are held against a file that pytest writes, so that they
aren't merely our own.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.clock import VirtualClock
from orchestrator.model import entries
from orchestrator.model.alarms import AlarmKind
from orchestrator.model.entries import Stamp
from orchestrator.model.record import Entry, RunResult, StepResult
from orchestrator.model.words import Outcome
from orchestrator.records.junit import WHOLE, export_junit, plain_text
from orchestrator.records.store import SqliteStore

from .conftest import bound_step, step_result

NUMBER = re.compile(r"\d+")
SECONDS = re.compile(r"\d+(\.\d+)?")
# A: no time zone. B: any text. Fractions of a second are valid xs:dateTime.
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?([+-]\d\d:\d\d)?")
TEXT = re.compile(r"[^\n\t\r]*")
WORD = re.compile(r"[^\n\t\r]+")

# element → (needed attributes, optional attributes)
LAYOUT: dict[str, tuple[dict[str, re.Pattern[str]], dict[str, re.Pattern[str]]]] = {
    "testsuites": ({}, {"name": TEXT}),
    "testsuite": (
        {"name": WORD, "tests": NUMBER, "failures": NUMBER, "errors": NUMBER, "time": SECONDS}
        | {"timestamp": MOMENT, "hostname": WORD},
        {"skipped": NUMBER, "id": NUMBER, "package": WORD},
    ),
    "properties": ({}, {}),
    "property": ({"name": WORD, "value": TEXT}, {}),
    "testcase": ({"name": WORD, "classname": WORD, "time": SECONDS}, {}),
    "skipped": ({}, {"message": TEXT, "type": TEXT}),
    "failure": ({}, {"message": re.compile(r".*", re.DOTALL), "type": WORD}),
    "error": ({"message": re.compile(r".*", re.DOTALL)}, {"type": WORD}),
    "system-out": ({}, {}),
    "system-err": ({}, {}),
}
# element → order of its children (A is the stricter one); '*' any number, '?' at most one
CHILDREN = {
    "testsuites": r"(testsuite )*",
    "testsuite": r"(properties )?(testcase )*(system-out )?(system-err )?",
    "properties": r"(property )*",
    "testcase": r"(skipped |error |failure )?",
}


def faults_of(root: ET.Element) -> list[str]:
    """Where a document departs from the layout."""
    found = [] if root.tag == "testsuites" else [f"the root is {root.tag}"]
    for element in root.iter():
        if element.tag not in LAYOUT:
            found.append(f"{element.tag} is no element")
            continue
        needed, optional = LAYOUT[element.tag]
        found += [f"{element.tag} lacks {key}" for key in needed if key not in element.attrib]
        for key, value in element.attrib.items():
            pattern = (needed | optional).get(key)
            if pattern is None or pattern.fullmatch(value) is None:
                found.append(f"{element.tag} has {key}={value!r}")
        order = "".join(f"{child.tag} " for child in element)
        if re.fullmatch(CHILDREN.get(element.tag, ""), order) is None:
            found.append(f"{element.tag} holds {order}")
    for suite in root.iter("testsuite"):
        for key, tag in {
            "tests": "testcase",
            "failures": "testcase/failure",
            "errors": "testcase/error",
            "skipped": "testcase/skipped",
        }.items():
            if suite.get(key) != str(len(suite.findall(tag))):
                found.append(f"{key} counts {suite.get(key)}, found {len(suite.findall(tag))}")
    return found


def exported(path: Path, serial: str | None = None) -> ET.Element:
    stream = io.StringIO()
    export_junit(path, stream, serial)
    text = stream.getvalue()
    assert text.isascii()
    root = ET.fromstring(text)  # expat: refuses what isn't well-formed XML 1.0
    assert faults_of(root) == []
    return root


def write(path: Path, made: list[Entry]) -> None:
    with SqliteStore(path) as store:
        for entry in made:
            store.append(entry)


Make = Callable[..., list[Entry]]


def run_of(make: Make, outcome: Outcome, *steps: StepResult) -> list[Entry]:
    """A run of these steps, each begun unless it wasn't run."""
    clock = VirtualClock()
    run, at = make("run-a", clock), Stamp.now(clock)
    middle: list[Entry] = []
    for step in steps:
        if step.outcome is not Outcome.NOT_RUN:
            middle.append(entries.step_started("run-a", at, bound_step(step.index)))
        middle.append(entries.step_ended("run-a", at, step))
    clock.advance(12.5)
    result = RunResult("run-a", "A-17", outcome, steps, simulated=True, reason="why it ended so")
    return [run[0], *middle, entries.run_ended("run-a", Stamp.now(clock), result)]


def test_the_rules_hold_for_what_another_writer_writes(tmp_path: Path) -> None:
    """pytest's own report (family xunit1) departs from the layout only by its optional extras."""
    (tmp_path / "test_x.py").write_text(
        "import pytest\n"
        "def test_good(): pass\n"
        "def test_bad(): raise ValueError('<&>')\n"
        "def test_out(): pytest.skip('not now')\n",
        encoding="utf-8",
    )
    out = tmp_path / "report.xml"
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
    more = [f"--junitxml={out}", f"--rootdir={tmp_path}", "-c", "/dev/null"]
    if sys.platform == "win32":
        more[-1] = "nul"
    subprocess.run([*command, *more, str(tmp_path)], check=False, capture_output=True)
    assert faults_of(ET.parse(out).getroot()) == []


def test_a_departure_from_the_rules_is_found() -> None:
    """The checker itself can fail."""
    root = ET.fromstring('<testsuites><testsuite name="x" tests="2" colour="red"/></testsuites>')
    found = faults_of(root)
    assert "testsuite lacks failures" in found
    assert "testsuite has colour='red'" in found
    assert "tests counts 2, found 0" in found


def test_a_run_becomes_a_suite_and_a_step_a_case(filled: Path) -> None:
    """In the order of the journal, with what was tested, where, and by whom."""
    root = exported(filled)
    first, second = root.findall("testsuite")
    assert [first.get("id"), second.get("id")] == ["0", "1"]
    assert first.get("name") == "pump motor, serial A-17, attempt 1 (simulated)"
    assert first.get("timestamp") == "2026-01-01T00:00:00"
    assert first.get("hostname") == "bay 2"
    told = {p.get("name"): p.get("value") for p in first.iter("property")}
    assert told["serial"] == "A-17"
    assert (told["program"], told["revision"]) == ("pump motor", "C")
    assert (told["station"], told["fixture"]) == ("bay 2", "nest 4")
    assert (told["operator"], told["attempt"], told["simulated"]) == ("R. Vane", "1", "yes")
    (case,) = first.findall("testcase")
    assert case.attrib == {
        "name": "winding to frame 0",
        "classname": "pump motor",
        "time": "2.600",
    }
    assert list(case) == []
    assert "total current 0.00123 A (at least 0.00001 A, at most 0.005 A)" in str(
        first.findtext("system-out")
    )


def test_each_end_of_a_step_has_its_word(path: Path, make_run: Make) -> None:
    """Fail is a failure, no verdict an error, not run is skipped, pass is none of them."""
    ends = [Outcome.PASS, Outcome.FAIL, Outcome.NO_VERDICT, Outcome.NOT_RUN]
    steps = [
        StepResult(index, f"step {index}", end, f"because {index}")
        for index, end in enumerate(ends)
    ]
    write(path, run_of(make_run, Outcome.NO_VERDICT, *steps))
    (suite,) = exported(path)
    found = [
        [(c.tag, c.get("message"), c.get("type")) for c in case] for case in suite.iter("testcase")
    ]
    assert found == [
        [],
        [("failure", "because 1", "fail")],
        [("error", "because 2", "no_verdict")],
        [("skipped", "because 3", None)],
    ]
    assert suite.get("time") == "12.500"


@pytest.mark.parametrize("outcome", [Outcome.FAIL, Outcome.NO_VERDICT, Outcome.NOT_RUN])
def test_no_run_looks_green_that_is_no_pass(path: Path, make_run: Make, outcome: Outcome) -> None:
    """All steps passed or were skipped, the run didn't: a case of its own says so."""
    steps = (step_result(0), StepResult(1, "second", Outcome.NOT_RUN, "ended before"))
    write(path, run_of(make_run, outcome, *steps))
    (suite,) = exported(path)
    case = suite.findall("testcase")[-1]
    assert case.get("name") == WHOLE
    assert case[0].tag == ("failure" if outcome is Outcome.FAIL else "error")
    assert case[0].get("message") == "why it ended so"


def test_a_run_without_an_end_is_an_error(path: Path, make_run: Make) -> None:
    """A crash, or a run that is still going on; a step that was begun has no verdict either."""
    write(path, make_run("run-a", VirtualClock())[:3])
    (suite,) = exported(path)
    assert (suite.get("errors"), suite.get("tests")) == ("1", "1")
    (error,) = suite.iter("error")
    assert error.get("type") == "unfinished"


def test_a_damaged_pass_is_an_error(filled: Path, tamper: Callable[..., None]) -> None:
    """Whoever changes a row gets no green case out of it."""
    tamper(filled, "UPDATE journal SET body = replace(body, '1502', '1500') WHERE seq = 4")
    suite = exported(filled)[0]
    assert suite.get("errors") == "1"
    assert "damage: entry 4 was changed" in str(suite.findtext("system-err"))


def test_alarms_of_a_run_are_told(path: Path, make_run: Make) -> None:
    """In the properties by number, in system-err with their reason."""
    run = make_run("run-a", VirtualClock())
    alarm = entries.alarm("run-a", Stamp.now(VirtualClock()), AlarmKind.LINK_LOST, "silent", "")
    write(path, [*run[:-1], alarm, run[-1]])
    (suite,) = exported(path)
    assert {p.get("name"): p.get("value") for p in suite.iter("property")}["alarms"] == "6"
    assert "(latched): silent" in str(suite.findtext("system-err"))


def test_one_serial_number_alone(filled: Path) -> None:
    """Only its runs."""
    names = [suite.get("name") for suite in exported(filled, "A-18")]
    assert names == ["pump motor, serial A-18, attempt 1 (simulated)"]


def test_records_without_a_run_make_an_empty_document(path: Path) -> None:
    """Well-formed all the same."""
    write(path, [])
    assert len(exported(path)) == 0


@settings(max_examples=60)
@given(st.text(max_size=30))
def test_text_comes_out_as_it_went_in_or_escaped(text: str) -> None:
    """Whatever a scanner or an instrument says: XML holds it, and a reader gets the same back."""
    told = plain_text(text)
    element = ET.Element("property", {"value": told})
    element.text = told
    again = ET.fromstring(ET.tostring(element, encoding="us-ascii"))
    assert (again.get("value"), again.text or "") == (told, told)
    if text.isprintable():
        assert told == text


@pytest.mark.parametrize(
    "hostile", ["\x00\x1b[31m", "a\nb\tc\r", "\ud800", "\ufffe\uffff", "<&>\"']]>", "\u202e", "é✕𝔸"]
)
def test_a_hostile_serial_number_breaks_nothing(
    tmp_path: Path, make_run: Make, hostile: str
) -> None:
    """No control character, no half surrogate, no markup gets through; the rest comes back."""
    path = tmp_path / "records.sqlite"
    write(path, make_run("run-a", VirtualClock(), serial=hostile))
    (suite,) = exported(path)
    value = {p.get("name"): p.get("value") for p in suite.iter("property")}["serial"]
    assert value == plain_text(hostile)
    assert str(value).isprintable()
