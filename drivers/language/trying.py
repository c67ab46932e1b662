"""A tester's profile tried on the instrument itself: nothing is ever started.

Stop and off first, then identity, then every query and every set-up, each shown with its bytes and
what was read out of them. An exchange that acts (start, a person's reset) is never sent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drivers.adapters.comparison import is_wanted
from drivers.adapters.identity import identity_of
from drivers.adapters.tester import SWITCHED_ON, ProfileTester
from drivers.language.compiled_tester import CompiledTester
from drivers.language.exchanges import CompiledExchange, Compiler, Place
from drivers.language.profile_common import Exchange
from drivers.language.profile_tester import TesterProfile
from drivers.language.trying_diagnosis import (
    Speech,
    end_found,
    fitting_checksum,
    stray_end,
    visible,
    with_ends,
    wrong_end,
)
from drivers.language.trying_exchange import Course, Trying
from drivers.language.trying_items import Tell, TrialEnded, Wire
from drivers.language.trying_manual import ManualNotes
from drivers.language.trying_setups import SetUps
from orchestrator.contract import Talk
from orchestrator.documents import Document
from orchestrator.errors import InstrumentFault, LinkError, ProtocolFault, TimedOut, WrongInstrument
from orchestrator.model.record import Identity
from orchestrator.model.words import TesterState

SEND_ENDS = ("\r", "\n", "\r\n")
_TRIPS = {TesterState.TRIPPED, TesterState.FAULT, TesterState.INTERLOCK_OPEN}


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a trial may do.

    Attributes:
        address: of the instrument, where its telegrams carry one.
        relays: relays may be closed: nothing is connected to them.
        wrong_command: a text that the manual says is refused; '' tries none.
    """

    address: int | None = None
    relays: bool = False
    wrong_command: str = ""


class TesterTrial(Trying):
    """The trial of one tester. Every part raises TrialEnded where nothing more may be sent."""

    def __init__(
        self,
        document: Document[TesterProfile],
        wire: Wire,
        tell: Tell,
        notes: ManualNotes,
        wishes: Wishes,
    ) -> None:
        super().__init__(document, wire, tell, notes)
        self.wishes = wishes
        self.identity: Identity | None = None
        self.state = TesterState.UNKNOWN
        self._use(document)

    def _use(self, document: Document[TesterProfile]) -> None:
        """Go on with this profile, the file's own or one whose framing was corrected."""
        self.document = document
        self.adapter = ProfileTester(document, "on trial", address=self.wishes.address)
        self.made: CompiledTester = self.adapter.compiled
        self.talk = self.adapter.talk
        self.framing = self.made.framing
        ends = document.model.framing.receive.end
        self.speech = Speech(self.made.framing, self.made.lines, ends)
        self.setups = SetUps(self, self.made, self.adapter)
        self.wire.use(self.adapter)

    def ask_errors(self) -> Talk[tuple[str, ...]] | None:
        return None if self.made.errors is None else self.setups.sender.errors()

    # ---- first: stop and off

    def make_safe(self) -> None:
        """Stop, confirm off; where the framing keeps it from being read, find the right one."""
        for _ in range(3):
            course = self._stop()
            if course.outcome != "failed":
                self.note("stop, then off", ("stop", 0), course)
                return
            self.wire.cut()
            if not self._repair():
                self.note("stop, then off", ("off",), course)
                self._look()
                raise TrialEnded("the output isn't confirmed off: nothing more is sent")
        raise TrialEnded("the output isn't confirmed off with any framing that was tried")

    def _stop(self) -> Course:
        course = Course(answered=True)
        try:
            proof = self.wire.stop_and_confirm()
        except LinkError as error:
            course.error = error
            course.fail(f"the stop can't be sent: {error}")
            return course
        self.state = proof.state
        course.parsed.append(("output", f"{'off' if proof.off else 'not off'}, {proof.state}"))
        course.parsed.append(("evidence of discharge", str(proof.grade)))
        if not proof.off and self.document.model.off.proof == "none":
            course.doubt("the profile has no proof that the output is off")
        elif not proof.off:
            course.fail(f"after the stop the output isn't confirmed off (state {proof.state})")
        elif not proof.discharged:
            course.doubt("off, but nothing proves it discharged")
        return course

    def _look(self) -> None:
        """The status alone, for what keeps it from being understood."""
        if self.made.status is not None:
            self.one("status", ("status",), self.made.status, {}, {})

    def last_stop(self) -> None:
        """Stop once more at the end, whatever came before."""
        self.note("stop at the end", ("stop", 0), self._stop())

    # ---- framing that keeps everything from being read

    def _repair(self) -> bool:
        """Find the terminator where it is the trouble; True if another one is in use now."""
        course = Course()
        probe = self.made.status or self.made.identify
        self.hold(course, probe, {}, {})
        traffic, error = self.wire.cut(), course.error
        came = b"".join(data for way, data in traffic if way == "received")
        if error is None:
            return False
        if not came:
            return not self.ever_answered and self._other_send_ends()
        self.ever_answered = True
        raw = error.raw if isinstance(error, ProtocolFault) else came
        ends = self.speech.receive_end
        if isinstance(error, ProtocolFault) and "checksum" in str(error):
            fitting = fitting_checksum(self.document, raw, self.made.dialect)
            return fitting is not None and self._take(fitting[0], fitting[1], "checksum")
        stray = stray_end(raw, ends) if isinstance(error, ProtocolFault) else None
        if stray is not None:
            return self._take_receive_end(stray[0], stray[1])
        told = wrong_end(came, ends) if isinstance(error, TimedOut) else None
        found = end_found(came, ends)
        if told is None or found is None:
            return False
        return self._take_receive_end(found, told)

    def _take_receive_end(self, end: str, told: str) -> bool:
        changed = with_ends(self.document, receive=end)
        return self._take(changed, f"{told}; the trial goes on with {visible(end)}", "receive")

    def _take(self, changed: Document[TesterProfile], told: str, key: str) -> bool:
        """Go on with another framing if something comes back whole with it."""
        before = self.document
        self._use(changed)
        course = Course(answered=True)
        if not self._answers():
            self._use(before)
            return False
        course.fail(told)
        self.note(f"framing, {key}", ("framing", key), course)
        return True

    def _other_send_ends(self) -> bool:
        before, own = self.document, self.document.model.framing.send.end
        for end in (e for e in SEND_ENDS if e != own):
            self._use(with_ends(before, send=end))
            self.hold(Course(), self.made.identify, {}, {})
            if any(way == "received" for way, _ in self.wire.cut()):
                course = Course(answered=True)
                told = f"wrong terminator: silence after {visible(own)} (framing.send.end), "
                course.fail(told + f"an answer after {visible(end)}; the trial goes on with it")
                self.note("framing, send", ("framing", "send"), course)
                self.ever_answered = True
                return True
        self._use(before)
        return False

    def _answers(self) -> bool:
        """Whether status or identity comes back whole with the framing in use."""
        for exchange in (self.made.status, self.made.identify):
            if exchange is not None:
                course = Course()
                self.hold(course, exchange, {}, {})
                if course.error is None or isinstance(course.error, InstrumentFault):
                    return True
        return False

    # ---- who it is

    def identify(self) -> bool:
        """Ask who is there; False if it isn't what the profile describes, or can't be read."""
        made, model = self.made, self.document.model.identify
        course = Course()
        answer = self.hold(course, made.identify, {}, {})
        if answer is not None:
            for name, text in model.expect.items():
                if not is_wanted(answer.fields.get(name), text):
                    found = answer.fields.get(name)
                    course.fail(f"wrong identity: {name} is {found!r}, expected is {text!r}")
            try:
                self.identity = identity_of("", model, answer.fields)
            except WrongInstrument:
                anybody = model.model_copy(update={"expect": {}})
                self.identity = identity_of("", anybody, answer.fields)
        self.note("identity", ("identify",), course)
        return course.outcome == "proved"

    # ---- the rest

    def rest(self) -> None:
        """Everything harmless, in the order in which a station would send it."""
        self._blocks()
        self._queries()
        for kind in self.made.kinds:
            self.setups.kind(kind, relays=self.wishes.relays)
        self._wrong_command()
        self._never_sent()

    def _blocks(self) -> None:
        for block in ("enter", "arm"):
            exchanges: tuple[CompiledExchange, ...] = getattr(self.made, block)
            self._each(block, (block,), exchanges, SWITCHED_ON)
        if self.made.keep_alive is not None:
            self.one("keep_alive", ("keep_alive",), self.made.keep_alive, SWITCHED_ON, {})
        clear = self.document.model.clear
        if clear is not None and clear.clears_trip and self.state in _TRIPS:
            self.skip("clear", ("clear",), f"not sent: it would end a trip ({self.state})")
        elif clear is not None:
            self._each("clear", ("clear", "exchanges"), self.made.clear, {})

    def _each(
        self,
        what: str,
        place: Place,
        exchanges: tuple[CompiledExchange, ...],
        values: Mapping[str, Any],
    ) -> None:
        for number, exchange in enumerate(exchanges):
            name = f"{what} {number + 1}" if len(exchanges) > 1 else what
            if exchange.retry == "acts":
                self.skip(name, (*place, number), "not sent: class acts")
            elif exchange.applies(values):
                self.one(name, (*place, number), exchange, values, {})

    def _queries(self) -> None:
        made = self.made
        self._interlock()
        for what, place, exchange in (
            ("status", ("status",), made.status),
            ("counter", ("counter",), made.counter),
            ("residual voltage", ("off", "voltage"), made.voltage),
            ("error report", ("errors", "ask"), made.errors),
            ("resync", ("resync",), None if self.document.model.resync is None else made.resync),
        ):
            if exchange is not None and exchange.retry != "acts":
                self.one(what, place, exchange, {}, {})

    def _interlock(self) -> None:
        """As the instrument sees it; closed, it doesn't keep the output locked out."""
        ask = self.made.interlock
        if ask is None or ask.retry == "acts":
            return
        course = Course()
        answer = self.hold(course, ask, {}, {})
        if answer is not None and answer.fields.get("interlock") == "closed":
            course.told.append("closed: it isn't what locks the output out; something else must")
        self.note("interlock", ("interlock", "ask"), course)

    def _wrong_command(self) -> None:
        text = self.wishes.wrong_command
        if not text:
            why = "not tried: --wrong-command TEXT sends one that the manual says is refused"
            self.skip("a wrong command", (), why)
            return
        literal = text.replace("{", "{{").replace("}", "}}")
        compiler = Compiler(self.document.model, self.document.locate, self.wishes.address)
        exchange = compiler.exchange(Exchange(send=literal), ())
        if exchange.send is None:
            self.skip("a wrong command", (), f"not sent: {text!r} isn't of the profile's encoding")
            return
        course = Course()
        self.hold(course, exchange, {}, {})
        if course.refused:
            refusal = Course(told=course.told, answered=True)
            self.note(f"a wrong command, {text!r}", ("framing",), refusal)
            return
        if course.error is None:
            course.fail(f"{text!r} was taken: a refusal would go unnoticed")
        self.note(f"a wrong command, {text!r}", ("framing",), course)

    def _never_sent(self) -> None:
        model = self.document.model
        self.skip("start", ("start",), "never sent here: --energise --station does it, on a load")
        for name, there in (("reset", bool(model.reset)), ("carry", model.carry is not None)):
            if there:
                self.skip(name, (name,), "not sent: it acts")
