"""A matrix's profile tried on one unit: read only, unless relays may be closed."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.adapters.contacts import Layout
from drivers.adapters.conversation import Conversation
from drivers.adapters.identity import identity_of
from drivers.adapters.matrix import ProfileMatrix
from drivers.language.compiled_matrix import CompiledMatrix, compile_matrix
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.trying import Wishes
from drivers.language.trying_diagnosis import Speech, end_found, stray_end, with_ends, wrong_end
from drivers.language.trying_exchange import Course, Trying
from drivers.language.trying_items import Tell, TrialEnded, Wire
from drivers.language.trying_manual import ManualNotes
from orchestrator.contract import CannotCarry
from orchestrator.documents import Document
from orchestrator.errors import InstrumentFault, LinkError, ProtocolFault, WrongInstrument
from orchestrator.model.record import Identity
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import Role

UNIT = "unit"
CHAIN = "on trial"


class MatrixTrial(Trying):
    """The trial of one unit of a matrix."""

    def __init__(
        self,
        document: Document[MatrixProfile],
        wire: Wire,
        tell: Tell,
        notes: ManualNotes,
        wishes: Wishes,
    ) -> None:
        super().__init__(document, wire, tell, notes)
        self.wishes = wishes
        self.identity: Identity | None = None
        self._moved = False
        chain = document.model.chain
        self.address = None if chain is None else wishes.address
        if chain is not None and self.address is None:
            self.address = chain.addresses[0]
        self._use(document)

    def _use(self, document: Document[MatrixProfile]) -> None:
        self.document = document
        profile = document.model
        self.made: CompiledMatrix = compile_matrix(document)
        self.adapter = ProfileMatrix(document, CHAIN, {UNIT: self.address})
        self.framing = self.made.framing
        self.talk = Conversation("unit on trial", profile, self.made.framing, self.made.lines)
        self.speech = Speech(self.made.framing, self.made.lines, profile.framing.receive.end)
        self.layout = Layout(
            profile.banks,
            numbering=profile.numbering,
            chain=profile.chain,
            items=profile.items,
            dialect=self.made.dialect,
        )
        self.wire.use(self.adapter)

    def make_safe(self) -> None:
        """Nothing: a matrix has no output; no relay is moved before the person has said so."""

    def identify(self) -> bool:
        """Ask the unit who it is; False if it isn't what the profile describes."""
        course, values = Course(), {"unit": self.address}
        answer = self.hold(course, self.made.identify, values, {})
        if answer is None and self._repair(course):
            course = Course()
            answer = self.hold(course, self.made.identify, values, {})
        if answer is not None:
            model = self.document.model.identify
            try:
                self.identity = identity_of("unit", model, answer.fields)
            except WrongInstrument as error:
                course.fail(f"wrong identity: {error}")
                anybody = model.model_copy(update={"expect": {}})
                self.identity = identity_of("unit", anybody, answer.fields)
        self.note("identity", ("identify",), course)
        return course.outcome == "proved"

    def _repair(self, failed: Course) -> bool:
        """Go on with the terminator that the unit really sends."""
        error, ends = failed.error, self.speech.receive_end
        came = b"".join(data for way, data in self.wire.cut() if way == "received")
        if error is None or isinstance(error, InstrumentFault) or not came:
            return False
        told, found = wrong_end(came, ends), end_found(came, ends)
        if isinstance(error, ProtocolFault):
            stray = stray_end(error.raw, ends)
            found, told = stray or (None, None)
        if told is None or found is None:
            return False
        self._use(with_ends(self.document, receive=found))
        course = Course(answered=True)
        course.fail(told, "the trial goes on with it")
        self.note("framing, receive", ("framing", "receive"), course)
        return True

    def rest(self) -> None:
        """Queries; and with leave, contacts closed one at a time and read back."""
        for name, exchange in (("moving", self.made.moving), ("look", self.made.look)):
            if exchange is None:
                continue
            for scope in self.layout.scopes(exchange.model.for_each, (self.address,)):
                where = "" if scope.bank is None else f" {scope.bank}"
                where += "" if scope.channel is None else f", channel {scope.channel}"
                values = self.layout.values(scope, ())
                asked = {n: v for n, v in values.items() if exchange.sends(n) or n == "unit"}
                self.one(name + where, (name,), exchange, asked, {})
        if not self.wishes.relays:
            why = "not tried: no relay is moved without --relays (nothing is connected to it)"
            self.skip("closing and opening contacts", ("open_all",), why)
            return
        self._moved = True
        if self._route("open_all", None):
            for contact in self._contacts():
                self._route(_named(contact), contact)

    def _contacts(self) -> Iterator[Contact]:
        """First and last channel of every bank, in each of its roles."""
        for name, bank in self.document.model.banks.items():
            for channel in dict.fromkeys(bank.channels):
                for role in bank.roles:
                    yield Contact(CHAIN, UNIT, name, channel, Role(role))

    def _route(self, what: str, contact: Contact | None) -> bool:
        """Bring the unit to one contact closed or none, and compare what it reads back."""
        course = Course(answered=True)
        wanted = frozenset() if contact is None else frozenset({contact})
        try:
            move = self.adapter.open_all() if contact is None else self.adapter.apply(Route(wanted))
            self.wire.ask(move)
            found = self.wire.ask(self.adapter.read_back())
        except CannotCarry as error:
            course.doubt(f"not sent: {error}")
        except (LinkError, InstrumentFault) as error:
            course.error = error
            course.fail(str(error))
        else:
            if found is None:
                course.doubt("this unit can't be asked what is closed")
            else:
                closed = ", ".join(sorted(map(_named, found))) or "none"
                course.parsed.append(("closed", closed))
                if found != wanted:
                    course.fail(f"read back: {closed}; sent: {', '.join(map(_named, wanted))}")
        block = "open_all" if contact is None else "apply" if self.made.apply else "close"
        self.note(what, (block, 0), course)
        return course.outcome != "failed"

    def last_stop(self) -> None:
        """Whatever came before: nothing is left closed that was closed here."""
        if self._moved:
            self._route("open_all, at the end", None)


def _named(contact: Contact) -> str:
    return f"{contact.bank}/{contact.channel} {contact.role}"


__all__ = ["CHAIN", "UNIT", "MatrixTrial", "TrialEnded"]
