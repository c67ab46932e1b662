r"""Plays written dialogues with the real adapters: the peer is a script, compared byte for byte.

A script has directives and lines::

    = prepare {kind: withstand_dc, level: 2000 V, dwell: 2 s, at_most: 1 mA}
    > SL2000\r
    < K\r
    = off -> off, discharged

``>`` is what the adapter must send next, ``<`` what it then receives (escapes as in profiles);
what stands behind ``->`` must come out. A line ``~`` stands for silence until the deadline, ``...``
for the last question and answer as often as it is asked. A line that ends in a backslash goes on.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, TypeVar

import yaml

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile_common import any_quantity, unescape
from orchestrator.contract import Pause, Receive, Reply, Send, StartMark, Talk
from orchestrator.errors import OhmwardError, TimedOut
from orchestrator.model.record import Reading
from orchestrator.model.schedule import Contact, LimitOrder, Route, StepOrder
from orchestrator.model.words import Edge, Measured, Role, StepKind, Waveform
from orchestrator.running.framing import FrameReader

T = TypeVar("T")
AGAIN = "..."
_LIMIT = re.compile(r"(?:(.+)_)?(at_least|at_most)")


@dataclass
class Script:
    """The lines still to come, and what has arrived but isn't read yet."""

    lines: list[str]
    reader: FrameReader
    last: list[str] = field(default_factory=list)

    def sent(self, data: bytes) -> None:
        if self.lines == [AGAIN]:
            self.lines[:0] = self.last
        self.last = self.lines[:2]
        line = self._next(">")
        assert data == unescape(line).encode("latin-1"), f"sent {data!r}, the script has {line!r}"

    def receive(self, wanted: Receive) -> Reply | None:
        while True:
            reply = self.reader.take(wanted.frame)
            if reply is not None:
                return reply
            if not self.lines or not self.lines[0].startswith("<"):
                break
            self.reader.feed(unescape(self._next("<")).encode("latin-1"))
        if self.lines and self.lines[0] == "~":
            self.lines.pop(0)
        if wanted.silence_ok and not self.reader.pending:
            return None
        raise TimedOut("silence in the script", received=self.reader.pending)

    def _next(self, mark: str) -> str:
        assert self.lines, f"the script has ended, a line {mark!r} was due"
        assert self.lines[0].startswith(mark), f"{mark!r} was due, the script has {self.lines[0]!r}"
        return self.lines.pop(0)[2:]


def hold(talk: Talk[T], script: Script) -> T:
    """Run a conversation against a script."""
    answer: Reply | None = None
    error: OhmwardError | None = None
    try:
        while True:
            wanted = talk.send(answer) if error is None else talk.throw(error)
            answer = error = None
            if isinstance(wanted, Send):
                script.sent(wanted.data)
            elif isinstance(wanted, Receive):
                try:
                    answer = script.receive(wanted)
                except TimedOut as caught:
                    error = caught
            else:
                assert isinstance(wanted, Pause)
    except StopIteration as stop:
        result: T = stop.value
        return result


def directives(text: str) -> Iterator[tuple[str, str, str, list[str]]]:
    """(verb, argument, expectation, lines) of a script."""
    joined = text.replace(" \\\n", " ")
    for part in re.split(r"^= ", joined, flags=re.MULTILINE)[1:]:
        head, _, rest = part.partition("\n")
        call, _, expected = head.partition("->")
        verb, _, argument = call.strip().partition(" ")
        lines = [line for line in rest.split("\n") if line and not line.startswith("(")]
        yield verb, argument.strip(), expected.strip(), lines


def order_of(text: str) -> tuple[StepOrder, ...]:
    """Orders written as a flow mapping, or a list of them."""
    read = yaml.load(text, yaml.BaseLoader)
    listed = read if isinstance(read, list) else [read]
    return tuple(_order(one).in_slot(place) for place, one in enumerate(listed))


def _order(read: Mapping[str, str]) -> StepOrder:
    kind = StepKind(read["kind"])
    alternating = kind in (StepKind.BONDING, StepKind.WITHSTAND_AC)
    main = Measured.TOTAL_CURRENT if kind.value.startswith("withstand") else Measured.RESISTANCE
    values: dict[str, Any] = {}
    limits = []
    for name, text in read.items():
        match = _LIMIT.fullmatch(name)
        if match:
            quantity = main if match[1] is None else Measured(match[1])
            limits.append(LimitOrder(quantity, Edge(match[2]), any_quantity(text).value))
        elif name == "route":
            values["route"] = route_of(text, "own")
        elif name == "during_rise":
            values["limits_during_rise"] = text == "yes"
        elif name not in ("kind", "waveform"):
            values[name] = any_quantity(text).value
    waveform = Waveform(read.get("waveform", "ac" if alternating else "dc"))
    return StepOrder(kind=kind, waveform=waveform, limits=tuple(limits), **values)


def contacts_of(text: str, chain: str) -> frozenset[Contact]:
    """'u5/high/1=source u5/high/4=return'."""
    found = set()
    for word in text.split():
        where, _, role = word.partition("=")
        unit, bank, channel = where.split("/")
        found.add(Contact(chain, unit, bank, int(channel), Role(role)))
    return frozenset(found)


def route_of(text: str, chain: str) -> Route:
    return Route(contacts_of(text, chain))


def shown(reading: Reading) -> str:
    """'above 5000000000', '0.00071', 'none'."""
    value = "" if reading.value is None else f"{reading.value.normalize():f}"
    return value if reading.bound == "exact" else f"{reading.bound} {value}".strip()


class TesterPlayer:
    """Plays the directives of a tester."""

    def __init__(self, tester: ProfileTester) -> None:
        self.tester = tester
        self._mark = StartMark()
        self._reader = FrameReader()

    def play(self, text: str) -> None:
        for verb, argument, expected, lines in directives(text):
            script = Script(lines, self._reader)
            try:
                came = self._do(verb, argument, script)
            except OhmwardError as error:
                if expected != type(error).__name__:
                    raise
                came = expected
            if expected:
                for word in expected.split(", "):
                    assert word in came.split(", "), f"{verb}: {came}, the script has {expected}"
            assert script.lines in ([], [AGAIN]), f"{verb} {argument}: left over {script.lines}"

    def _do(self, verb: str, argument: str, script: Script) -> str:
        tester = self.tester
        if verb == "identify":
            who = hold(tester.identify(), script)
            return f"{who.model}, {who.serial}" + (", simulated" if who.simulated else "")
        if verb in ("enter", "arm", "keep_alive", "resync", "reset_trip"):
            hold(getattr(tester, verb)(), script)
            return "done"
        if verb == "prepare":
            orders = tuple(tester.quantise(order) for order in order_of(argument))
            hold(tester.prepare(orders), script)
            return "done"
        if verb == "start":
            self._mark = hold(tester.start(), script)
            return "done"
        if verb == "poll":
            progress = hold(tester.poll(), script)
            live = [f"{name} {shown(value)}" for name, value in progress.live.items()]
            slot = [] if progress.slot is None else [f"slot {progress.slot}"]
            return ", ".join([progress.state.value, *slot, *live])
        if verb == "result":
            return self._result(int(argument or 0), script)
        return self._end(verb, script)

    def _result(self, index: int, script: Script) -> str:
        reading = hold(self.tester.result(self._mark, index), script)
        values = [f"{name} {shown(value)}" for name, value in reading.values.items()]
        proofs = sorted(f"by {proof}" for proof in reading.evidence)
        verdict = reading.verdict or "no verdict"
        return ", ".join([verdict, *values, *proofs, reading.cause])

    def _end(self, verb: str, script: Script) -> str:
        tester = self.tester
        if verb == "stop":
            for data in tester.stop_bytes:
                script.sent(data)
            tester.stopped()
            while script.lines:
                tester.absorb(unescape(script.lines.pop(0)[2:]).encode("latin-1"))
            return "done"
        if verb == "off":
            proof = hold(tester.confirm_off(), script)
            residual = (
                "" if proof.residual_v is None else f", residual {proof.residual_v.normalize():f}"
            )
            told = {True: "discharged", False: "charged", None: "untold"}[proof.discharged]
            return f"{'off' if proof.off else 'on'}, {told}{residual}"
        if verb == "interlock":
            closed = hold(tester.interlock(), script)
            return {True: "closed", False: "open", None: "untold"}[closed]
        raise AssertionError(f"unknown directive {verb!r}")


class MatrixPlayer:
    """Plays the directives of a chain."""

    def __init__(self, chain: ProfileMatrix | CarriedMatrix) -> None:
        self.chain = chain
        self._reader = FrameReader()

    def play(self, text: str) -> None:
        for verb, argument, expected, lines in directives(text):
            script = Script(lines, self._reader)
            try:
                came = self._do(verb, argument, script)
            except OhmwardError as error:
                if expected != type(error).__name__:
                    raise
                came = expected
            assert not expected or expected == came, f"{verb}: {came}, the script has {expected}"
            assert script.lines in ([], [AGAIN]), f"{verb} {argument}: left over {script.lines}"

    def _do(self, verb: str, argument: str, script: Script) -> str:
        if verb == "identify":
            units = hold(self.chain.identify(), script)
            return ", ".join(f"{name} {who.serial}" for name, who in units.items())
        if verb == "apply":
            hold(self.chain.apply(route_of(argument, self.chain.name)), script)
            return "done"
        if verb == "open_all":
            hold(self.chain.open_all(), script)
            return "done"
        if verb == "look":
            found = hold(self.chain.read_back(), script)
            assert found is not None
            words = [f"{c.unit}/{c.bank}/{c.channel}={c.role}" for c in sorted(found)]
            return " ".join(words) or "all open"
        raise AssertionError(f"unknown directive {verb!r}")


def quantity(text: str) -> Decimal:
    """A value in SI units."""
    return any_quantity(text).value
