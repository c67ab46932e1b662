"""The checker of profiles: what it finds, where, and with what remedy."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from drivers.language.checker import ProfileReport, check_profile, render_report
from drivers.language.checker_preview import FittedChain, FittedTester, wire_preview
from drivers.language.profile import load_matrix, load_profile, load_tester, parse_profile
from drivers.language.profile_common import unescape
from orchestrator.model.schedule import Batch, BoundStep, Contact, Route, Schedule, StepOrder
from orchestrator.model.words import Role
from tests.profiles.examples import examples, player_of
from tests.profiles.harness import TesterPlayer, directives, order_of

NOWHERE = Route()


def checked(text: str) -> ProfileReport:
    return check_profile(parse_profile(text, "p.yaml"))


def changed(letter: str, old: str, new: str) -> tuple[str, ProfileReport]:
    """An example with one thing made wrong."""
    text = examples()[letter].text
    assert old in text, f"example {letter} has no {old!r}"
    altered = text.replace(old, new, 1)
    return altered, checked(altered)


def line_of(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


WRONG = [
    # (what is wrong, example, old, new, part of the fault, part of the line it stands on)
    ("a misspelt field", "a", "{level:V .0}", "{levle:V .0}", "did you mean 'level'", "{levle"),
    ("a field too narrow", "b", "L{level:10V d3}", "L{level:10V d1}", "it doesn't fit", "setup:"),
    ("a wrong unit", "b", "D{dwell:0.1s d3}", "D{dwell:0.1V d3}", "voltage", "D{dwell"),
    (
        "a set-point that nothing carries",
        "a",
        "dwell: {range",
        "fall: {range: 0 s .. 9 s}\n    dwell: {range",
        "no exchange of the set-up that carries it",
        "fall: {range",
    ),
    (
        "a set-point without its range",
        "i",
        "    rise: {range: 0.1 s .. 9.9 s, resolution: 0.1 s}\n",
        "",
        "{rise} sent, but no range",
        "setup:",
    ),
    ("a start that may be repeated", "a", "class: acts", "class: sets", "never repeated", "start:"),
    ("a start without class", "d", ", class: acts", "", "write class: acts", "start:"),
    (
        "a set-up with a reply and no class",
        "d",
        "        class: sets\n        read_back",
        "        read_back",
        "it would count as reads",
        "send: 'STEP",
    ),
    (
        "an error query without class",
        "a",
        ", class: consumes",
        "",
        "consumes or reads",
        "ask:",
    ),
    (
        "a rule that is never reached",
        "b",
        "  - {state: 'off', when: {state: idle}}",
        "  - {state: 'off', when: {state: idle}}\n  - {state: fault, when: {state: up}}",
        "never decides",
        "states:",
    ),
    (
        "an unknown word in a rule",
        "b",
        "{state: rising, when: {state: up}}",
        "{state: rising, when: {state: upp}}",
        "did you mean 'up'",
        "upp",
    ),
    (
        "a refusal that an event takes",
        "e",
        "  - {line: '*UP', means: rising}",
        "  - {line: 'WHAT {message}', means: ignore}\n  - {line: '*UP', means: rising}",
        "never reached",
        "refusal: ",
    ),
    (
        "a data line that reads as a refusal",
        "c",
        "refusal: 'no={code:d}'",
        "refusal: 'ok={message}'",
        "takes for a refusal",
        "reply: 'ok=who",
    ),
    (
        "a reply alternative that is never reached",
        "i",
        "reply: 'lid {interlock}'",
        "reply: ['lid {interlock}', 'lid {interlock}']",
        "never reached",
        "lid {interlock}",
    ),
    (
        "a raw checksum behind a reply of varying length",
        "g",
        "form: hex, order",
        "form: raw, order",
        "may hold the terminator",
        "identify:",
    ),
    ("texts for codes that never come", "f", "framing:", "refusals: {'1': x}\nframing:", "", ""),
    (
        "a misspelt condition",
        "a",
        "{send: 'RUN:HOLD {dwell:s .1}'}",
        "{send: 'RUN:HOLD {dwell:s .1}', when: {wavefrom: dc}}",
        "did you mean 'waveform'",
        "wavefrom",
    ),
    (
        "a condition on a word that never comes",
        "a",
        "{send: 'RUN:HOLD {dwell:s .1}'}",
        "{send: 'RUN:HOLD {dwell:s .1}', when: {waveform: dcc}}",
        "which never comes",
        "dcc",
    ),
    (
        "a field to compare that isn't there",
        "d",
        "same: [slot]",
        "same: [unit]",
        "a field of",
        "same",
    ),
    (
        "an expected field that isn't there",
        "a",
        "expect: {maker",
        "expect: {payload: x, maker",
        "a field of the reply",
        "expect",
    ),
    (
        "more channels than a mask holds",
        "g",
        "channels: 1 .. 8\n    rating: {ac_rms: 3000",
        "channels: 1 .. 9\n    rating: {ac_rms: 3000",
        "at most 8 digits",
        "apply:",
    ),
    (
        "a limit loosened by the wire",
        "d",
        "{at_most:mohm d|-}'\n        reply: DONE",
        "{at_most:ohm d|-}'\n        reply: DONE",
        "",
        "setup:",
    ),
    (
        "relays named without their role",
        "f",
        "items: {each: '{channel:d}{role}'",
        "items: {each: '{channel:d}'",
        "a field that tells source from return",
        "close:",
    ),
    (
        "one number for two relays",
        "f",
        "per_unit: 100}",
        "per_unit: 100, role_offset: {return: 100}}",
        "number 201 for unit 1, bank points, channel 1, return and for unit 2",
        "numbering:",
    ),
    (
        "a run of which nothing says that it went to its end",
        "e",
        "means: [result, complete]",
        "means: result",
        "no step has a verdict without",
        "events:",
    ),
]


@pytest.mark.parametrize(("what", "letter", "old", "new", "told", "line"), WRONG, ids=lambda v: "")
def test_what_is_wrong_is_found_with_its_place_and_remedy(
    what: str, letter: str, old: str, new: str, told: str, line: str
) -> None:
    """One thing made wrong in a sound profile: a fault on its line that says what to do."""
    if what == "texts for codes that never come":
        old, new = "refusal: 'BAD {code:d}'}", "refusal: 'BAD {message}'}\nrefusals: {'1': x}"
        told, line = "add {code}", "refusals:"
    text, report = changed(letter, old, new)
    hits = [f for f in report.faults if told in str(f)]
    assert hits, f"{what}: " + render_report(report)
    assert all(fault.remedy and fault.position is not None for fault in report.faults)
    places = {fault.position.line for fault in hits if fault.position is not None}
    expected = line_of(text, line)
    assert any(abs(place - expected) <= 3 for place in places), (what, places, expected)


MISSING = [
    ("a", "freshness: [counter]\n", "", "freshness", "exemption 'freshness'"),
    ("d", ",{elapsed", ",{elapsed", "latched", "seen only by the station's own inputs"),
    ("g", "read_back: coil", "read_back: coil", "reads back coil", "exemption 'relay_position'"),
    ("b", "    source_current: 1 mA\n", "", "source_current", "hazardous"),
    ("d", "    compliance: 6 V\n", "", "compliance", "unknown counts as too much"),
    ("a", "power_up: output off\n", "", "power_up", "worst"),
    ("a", "  simulated_serial: 'SIM-'\n", "", "simulated_serial", "taken for a real"),
    ("e", "off: {proof: event, discharge: status}", "off: {proof: none}", "off", "never counts"),
    ("e", "name: Tansworth", "name: Tansworth", "no interlock query", "interlock inputs"),
    (
        "b",
        "off: {",
        "arm: [{send: 'DOOR ON', class: sets}]\noff: {",
        "not read back",
        "would not be noticed",
    ),
    ("a", ",{elapsed:s e4}", "", "elapsed", "exemption 'elapsed_time'"),
    ("a", "output: {ac_rms: 2000 V, ", "output: {", "no ac_rms rating", "refused"),
]


@pytest.mark.parametrize(("letter", "old", "new", "what", "consequence"), MISSING)
def test_what_is_missing_is_told_with_its_consequence(
    letter: str, old: str, new: str, what: str, consequence: str
) -> None:
    """Not a fault: the station decides, and the record carries it."""
    text = examples()[letter].text
    report = checked(text.replace(old, new, 1))
    gaps = [gap for gap in report.missing if what in gap.what]
    assert any(consequence in gap.consequence for gap in gaps), render_report(report)


def test_a_field_that_would_keep_its_old_value_is_told() -> None:
    """A limit sent only if given, with no message for 'left out'."""
    _, report = changed(
        "b",
        "{send: 'A{at_least:100kohm d5|00000}'}",
        "{send: 'A{at_least:100kohm d5}', when: {present: at_least}}",
    )
    assert any("keeps what the last step set" in gap.consequence for gap in report.missing)


def test_the_message_for_left_out_makes_it_whole() -> None:
    """The same with its counterpart."""
    _, report = changed(
        "b",
        "{send: 'A{at_least:100kohm d5|00000}'}",
        "{send: 'A{at_least:100kohm d5}', when: {present: at_least}}\n"
        "      - {send: 'A00000', when: {absent: at_least}}",
    )
    assert not any("keeps what the last step set" in gap.consequence for gap in report.missing)


def test_overlapping_rules_and_gaps_are_notes() -> None:
    """Allowed, since the first rule wins and what fits none is energised; but shown."""
    _, report = changed("d", "{status: '+0 -1 +2 -4'}", "{status: '+0 +2'}")
    told = [f"{gap.what}: {gap.consequence}" for gap in report.notes]
    assert any("overlap" in text for text in told)
    assert any("energised" in text for text in told)
    assert report.sound


@pytest.mark.parametrize("name", ["orrin", "pell", "stave", "lattice", "comb", "sprig"])
def test_the_report_of_a_shipped_profile_says_what_it_can_do(name: str) -> None:
    """Plain text: abilities by kind or bank, what is missing, the number of messages tried."""
    report = check_profile(load_profile(name))
    text = render_report(report)
    assert report.name in text
    assert "messages rendered and read back" in text
    assert text.endswith("sound\n")
    if report.kind == "tester":
        for word in ("freshness", "discharge", "set-up checked by", "Terminals", "level", "dwell"):
            assert word in text


def test_every_fault_of_a_profile_is_told_at_once() -> None:
    """Three things wrong: three faults."""
    text = examples()["a"].text
    text = text.replace("{level:V .0}", "{levle:V .0}").replace("{counter:d},", "{coutner:d},")
    report = checked(text.replace("'RUN:GO', class: acts", "'RUN:GO'"))
    told = " ".join(map(str, report.faults))
    assert "levle" in told
    assert "coutner" in told
    assert any("class of start" in fault.what for fault in report.faults)


# ---- preview ------------------------------------------------------------------------------------


def step_of(order: StepOrder, tester: str, route: Route = NOWHERE) -> BoundStep:
    return BoundStep(
        index=0,
        name="leak",
        kind=order.kind,
        tester=tester,
        asked=order,
        order=order,
        route=route,
        apply_to=(),
        against=(),
        others=(),
        hazardous=True,
        on_failure="stop",
        leans_on=(),
        unproved_contact=None,
        predicted_s=3,
        deadline_s=20,
    )


def schedule_of(tester: str, steps: tuple[BoundStep, ...], route: Route) -> Schedule:
    batch = Batch(tester, steps, route, 20)
    safe = Decimal(25)
    return Schedule("p", "1", "f", "s", (batch,), True, safe, Decimal(60), 0.05)


def sent_by(letter: str, verb: str) -> list[bytes]:
    """What the adapter itself sends in an example's first such conversation."""
    lines = next(lines for v, _, _, lines in directives(examples()[letter].dialogue) if v == verb)
    return [unescape(line[2:]).encode("latin-1") for line in lines if line.startswith("> ")]


@pytest.mark.parametrize("letter", ["a", "b", "c", "d", "e", "i"])
def test_the_preview_shows_what_the_adapter_sends(letter: str) -> None:
    """Set-up of the example's program: the messages of the adapter, less its plain queries."""
    example = examples()[letter]
    player = player_of(example)
    assert isinstance(player, TesterPlayer)
    argument = next(a for v, a, _, _ in directives(example.dialogue) if v == "prepare")
    orders = tuple(player.tester.quantise(order) for order in order_of(argument))
    steps = tuple(step_of(order, "t") for order in orders)
    fitted = {"t": FittedTester(example.document(), {"own": None})}  # type: ignore[arg-type]
    lines = wire_preview(fitted, {}, schedule_of("t", steps, Route()))
    shown = [data for name, data in lines if ": stop" not in name and ": start" not in name]
    shown = [data for data in shown if data not in sent_by_entering(lines)]
    plain_queries = {b"SYST:ERR?\n", b"T\r"}
    assert shown == [data for data in sent_by(letter, "prepare") if data not in plain_queries]


def sent_by_entering(lines: list[tuple[str, bytes]]) -> set[bytes]:
    return {data for name, data in lines if ": enter" in name or ": arm" in name}


def test_the_preview_shows_start_stop_and_routes() -> None:
    """Pell with two Comb units: the masks of the manual's withstand route (comb.md section 5)."""
    tester, chain = load_tester("pell"), load_matrix("comb")
    (order,) = order_of(
        "{kind: withstand_ac, level: 1500 V, frequency: 50 Hz, rise: 1 s, dwell: 2 s, fall: 0 s, "
        "at_most: 5 mA}"
    )
    contacts = [("a", 1, Role.SOURCE)] + [("a", n, Role.RETURN) for n in (4, 5, 6)]
    contacts += [("b", 2, Role.RETURN)]
    route = Route(frozenset(Contact("c", unit, "high", n, role) for unit, n, role in contacts))
    lines = wire_preview(
        {"t": FittedTester(tester)},
        {"c": FittedChain(chain, {"a": 5, "b": 17})},
        schedule_of("t", (step_of(order, "t", route),), route),
    )
    data = [sent for _, sent in lines]
    assert b"SL0150\r" in data
    assert data.index(b"{05W1013869\r") < data.index(b"{11W1000264\r") < data.index(b"GO\r")
    assert b"\rST\r" in data
    assert b"{05Z5F\r" in data
    assert all(name for name, _ in lines)


def test_the_preview_wraps_what_is_carried() -> None:
    """Sprig on a Stave: the telegram of sprig.md section 5, with the sum of the Stave's line."""
    (order,) = order_of(
        "{kind: bonding, level: 25 A, frequency: 50 Hz, rise: 0.5 s, dwell: 2 s, fall: 0 s, "
        "at_most: 100 mohm}"
    )
    roles = ((1, Role.SOURCE), (4, Role.RETURN))
    route = Route(frozenset(Contact("c", "own", "heavy", n, role) for n, role in roles))
    lines = wire_preview(
        {"t": FittedTester(load_tester("stave"))},
        {"c": FittedChain(load_matrix("sprig"), {"own": None}, carried_by="t")},
        schedule_of("t", (step_of(replace(order), "t", route),), route),
    )
    assert b"CARRY 1,do=put,bank=heavy,c01=source,c04=return;17\n" in [sent for _, sent in lines]
