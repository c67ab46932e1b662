"""The contract of ``RelayMatrix``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from orchestrator.conformance.base import GARBAGE, PROPERTY, Contract
from orchestrator.conformance.demands import Broken, demand, not_offered
from orchestrator.conformance.subjects import MatrixSubject
from orchestrator.conformance.talking import Talker, lose, mute, precede_by, replace_by
from orchestrator.contract import Talk
from orchestrator.errors import InstrumentFault, LinkError, OhmwardError, WrongInstrument
from orchestrator.model.schedule import Contact, Route
from orchestrator.model.words import ReadBackProof, Role

REFUSALS = (OhmwardError, ValueError, LookupError)


class RelayMatrixContract(Contract[MatrixSubject]):
    """Every rule of a chain of relay units. Override ``make``."""

    def test_the_abilities_agree_with_each_other(self, subject: MatrixSubject) -> None:
        """Binding plans with them."""
        abilities = subject.matrix.abilities
        demand(bool(abilities.name and abilities.banks), "abilities name unit and banks", abilities)
        demand(abilities.settle_s >= 0, "contacts come to rest in no negative time", abilities)
        for name, bank in abilities.banks.items():
            demand(bank.name == name and bool(bank.channels), "a bank has channels", bank)
            demand(len(set(bank.channels)) == len(bank.channels), "each channel once", bank)
            demand(bool(bank.roles - {Role.OPEN}), "a bank has a role besides open", bank)

    def test_every_unit_says_who_it_is(self, subject: MatrixSubject) -> None:
        """All units by name; simulations say that they are."""
        found = talker_of(subject).hold(subject.matrix.identify())
        demand(frozenset(found) == subject.units, "identify names every unit", found)
        for unit, who in found.items():
            demand(bool(who.model), "identify tells the model", (unit, who))
            demand(who.simulated == subject.simulated, "it tells a simulation from a real one", who)

    def test_another_unit_is_refused(self, subject: MatrixSubject) -> None:
        """A unit of another type would understand the commands otherwise."""
        talker = talker_of(subject)
        talker.tap.on_receive = subject.as_another
        came = talker.outcome(subject.matrix.identify())
        demand(isinstance(came, WrongInstrument), "another unit raises WrongInstrument", came)

    def test_a_route_is_brought_exactly(self, subject: MatrixSubject) -> None:
        """What is named is closed, all else is open, whatever was closed before."""
        talker = talker_of(subject)
        for route in (*subject.routes, *reversed(subject.routes)):
            talker.hold(subject.matrix.apply(route))
            closed = subject.closed()
            demand(closed == route.contacts, "apply brings exactly the route", closed)

    def test_contacts_have_come_to_rest_when_a_route_is_applied(
        self, subject: MatrixSubject
    ) -> None:
        """No tester starts while contacts still move."""
        talker = talker_of(subject)
        talker.hold(subject.matrix.apply(subject.routes[0]))
        before = subject.closed()
        subject.clock.sleep(float(subject.matrix.abilities.settle_s) + 0.2)
        demand(subject.closed() == before, "nothing moves any more after apply", before)

    def test_a_route_applied_twice_stays(self, subject: MatrixSubject) -> None:
        """The same state once more is no toggling."""
        talker, route = talker_of(subject), subject.routes[0]
        for _ in range(2):
            talker.hold(subject.matrix.apply(route))
            demand(subject.closed() == route.contacts, "a route applied again stays")

    def test_reading_back_tells_the_state(self, subject: MatrixSubject) -> None:
        """Closed contacts as the units report them; None only where the abilities say so."""
        talker, matrix = talker_of(subject), subject.matrix
        for route in (*subject.routes, Route()):
            talker.hold(matrix.apply(route))
            found = talker.hold(matrix.read_back())
            if matrix.abilities.read_back is None:
                demand(found is None, "without read-back read_back gives None", found)
            else:
                demand(found == route.contacts, "read_back tells what is closed", found)

    def test_a_welded_contact_is_read_back(self, subject: MatrixSubject) -> None:
        """Where contacts are reported, a stuck one shows: it is told, or RelayMismatch raised."""
        talker, matrix = talker_of(subject), subject.matrix
        if matrix.abilities.read_back is not ReadBackProof.CONTACT:
            not_offered("a report of its contacts")
        first, second = subject.routes[:2]
        stuck = min(first.contacts - second.contacts)
        talker.hold(matrix.apply(first))
        subject.weld(stuck)
        talker.outcome(matrix.apply(second))
        found = talker.outcome(matrix.read_back())
        told = isinstance(found, InstrumentFault) or (
            isinstance(found, frozenset) and stuck in found
        )
        demand(told, "a contact that sticks is told", found)

    def test_opening_opens_everything(self, subject: MatrixSubject) -> None:
        """Also twice, and also when everything is open."""
        talker = talker_of(subject)
        talker.hold(subject.matrix.apply(subject.routes[0]))
        for _ in range(2):
            talker.hold(subject.matrix.open_all())
            demand(not subject.closed(), "open_all opens every relay", subject.closed())

    def test_a_contact_that_does_not_exist_never_counts_as_closed(
        self, subject: MatrixSubject
    ) -> None:
        """It is refused, or read-back doesn't tell it; never closed in another's place."""
        real = min(subject.routes[0].contacts)
        most = max(subject.matrix.abilities.banks[real.bank].channels)
        for unknown in (replace(real, unit="no such unit"), replace(real, channel=most + 1)):
            self._never_closed(subject, unknown)

    def _never_closed(self, subject: MatrixSubject, unknown: Contact) -> None:
        talker, matrix = talker_of(subject), subject.matrix
        try:
            talker.hold(matrix.apply(Route(frozenset({unknown}))), also=REFUSALS)
        except REFUSALS:
            pass
        else:
            found = talker.hold(matrix.read_back())
            demand(found is None or unknown not in found, "what doesn't exist isn't closed", found)
        demand(not subject.closed(), "nothing is closed in an unknown contact's place", unknown)

    def test_silence_is_never_taken_for_an_answer(self, subject: MatrixSubject) -> None:
        """A mute chain is neither there, nor switched, nor open."""
        talker = talker_of(subject)
        talker.hold(subject.matrix.apply(subject.routes[0]))
        for name, make in looks(subject).items():
            came = talker.spoilt(mute, make())
            demand(not believed(subject, name, came), f"{name}: silence isn't believed", came)

    def test_a_lost_link_is_told(self, subject: MatrixSubject) -> None:
        """Every conversation ends with a LinkError."""
        talker = talker_of(subject)
        moves: Mapping[str, Callable[[], Talk[Any]]] = {
            "apply": lambda: subject.matrix.apply(subject.routes[0]),
            "open_all": subject.matrix.open_all,
        }
        for name, make in {**looks(subject), **moves}.items():
            came = talker.spoilt(lose, make())
            told = isinstance(came, LinkError) or (name == "read_back" and came is None)
            demand(told, f"{name}: a lost link ends it with a LinkError", came)

    def test_garbage_in_place_of_every_answer_does_no_harm(self, subject: MatrixSubject) -> None:
        """No other exception than the contract's, and nothing believed."""
        talker = talker_of(subject)
        talker.hold(subject.matrix.apply(subject.routes[0]))

        @PROPERTY
        @given(garbage=GARBAGE, which=st.sampled_from(sorted(looks(subject))))
        def holds(garbage: bytes, which: str) -> None:
            came = talker.spoilt(replace_by(garbage), looks(subject)[which]())
            demand(not believed(subject, which, came), f"{which}: garbage isn't believed", came)

        holds()

    def test_it_finds_back_into_step_after_garbage(self, subject: MatrixSubject) -> None:
        """The next answer is the one to the next question."""
        talker = talker_of(subject)
        who = talker.hold(subject.matrix.identify())

        @PROPERTY
        @given(garbage=GARBAGE)
        def holds(garbage: bytes) -> None:
            talker.spoilt(precede_by(garbage), subject.matrix.identify())
            found = talker.hold(subject.matrix.identify())
            demand(found == who, "after resync the answer fits the question", found)

        holds()

    def test_absorb_takes_any_bytes(self, subject: MatrixSubject) -> None:
        """It never raises, and it leaves the adapter fit."""

        @PROPERTY
        @given(drained=st.binary(max_size=200))
        def holds(drained: bytes) -> None:
            try:
                subject.matrix.absorb(drained)
            except Exception as error:
                raise Broken(f"absorb never raises; found {error!r} on {drained!r}") from error

        holds()
        demand(
            bool(talker_of(subject).hold(subject.matrix.identify())),
            "it talks on after absorbing",
        )


def talker_of(subject: MatrixSubject) -> Talker:
    """A talker on the subject's link."""
    return Talker(subject.matrix, subject.link, subject.clock)


def looks(subject: MatrixSubject) -> Mapping[str, Callable[[], Talk[Any]]]:
    """Conversations that move nothing, by name."""
    matrix = subject.matrix
    return {"identify": matrix.identify, "read_back": matrix.read_back, "resync": matrix.resync}


def believed(subject: MatrixSubject, name: str, came: object) -> bool:
    """Whether an outcome claims something without an answer to show for it."""
    if isinstance(came, OhmwardError):
        return False
    if name == "read_back":
        return came is not None and came != subject.closed()
    return True
