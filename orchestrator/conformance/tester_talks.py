"""How a tester's adapter talks: identity, silence, garbage, lost links, bytes nobody asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from orchestrator.conformance.base import GARBAGE, PROPERTY, Contract
from orchestrator.conformance.demands import Broken, demand, not_offered
from orchestrator.conformance.subjects import TesterSubject
from orchestrator.conformance.talking import Talker, lose, mute, precede_by, replace_by
from orchestrator.contract import Talk
from orchestrator.errors import LinkError, OhmwardError, WrongInstrument
from orchestrator.model.record import OffProof, Progress, TesterReading
from orchestrator.model.words import TesterState

Make = Callable[[], Talk[Any]]


class TesterTalks(Contract[TesterSubject]):
    """Rules of conversations at rest."""

    def test_it_says_who_is_there(self, subject: TesterSubject) -> None:
        """A model at least; a simulation says that it is one, as real and simulated never mix."""
        who = brought_up(subject).hold(subject.tester.identify())
        demand(bool(who.model), "identify tells the model", who)
        demand(
            who.simulated == subject.simulated,
            "the identity tells a simulation from a real one",
            who,
        )

    def test_another_instrument_is_refused(self, subject: TesterSubject) -> None:
        """Whatever follows would be sent to an instrument that understands it otherwise."""
        talker = talker_of(subject)
        talker.tap.on_receive = subject.as_another
        came = talker.outcome(subject.tester.identify())
        demand(isinstance(came, WrongInstrument), "another instrument raises WrongInstrument", came)

    def test_its_protections_are_on_after_arming(self, subject: TesterSubject) -> None:
        """arm switches them on, check_armed reads them again."""
        talker = brought_up(subject)
        demand(
            talker.hold(subject.tester.check_armed()) is True,
            "check_armed is True after arm",
        )

    def test_it_keeps_alive_and_stays_in_step(self, subject: TesterSubject) -> None:
        """After keeping alive, identify still gets its own answer."""
        talker = brought_up(subject)
        talker.hold(subject.tester.keep_alive())
        talker.hold(subject.tester.resync())
        demand(bool(talker.hold(subject.tester.identify()).model), "it stays in step")

    def test_silence_is_never_taken_for_an_answer(self, subject: TesterSubject) -> None:
        """With a mute instrument nothing is identified, off, closed, finished or in step."""
        talker = brought_up(subject)
        for name, make in looks(subject).items():
            came = talker.spoilt(mute, make())
            demand(not believed(name, came), f"{name}: silence isn't believed", came)

    def test_a_lost_link_is_told(self, subject: TesterSubject) -> None:
        """A conversation doesn't swallow the loss of its link."""
        talker = brought_up(subject)
        for name, make in looks(subject).items():
            came = talker.spoilt(lose, make())
            demand(
                isinstance(came, LinkError) or (name == "interlock" and came is None),
                f"{name}: a lost link ends it with a LinkError",
                came,
            )

    def test_garbage_in_place_of_every_answer_does_no_harm(self, subject: TesterSubject) -> None:
        """No other exception than the contract's, and nothing believed."""
        talker = brought_up(subject)

        @PROPERTY
        @given(garbage=GARBAGE, which=st.sampled_from(sorted(looks(subject))))
        def holds(garbage: bytes, which: str) -> None:
            came = talker.spoilt(replace_by(garbage), looks(subject)[which]())
            demand(not believed(which, came), f"{which}: garbage isn't believed", came)

        holds()

    def test_it_finds_back_into_step_after_garbage(self, subject: TesterSubject) -> None:
        """Late bytes are drained, and the next answer is the one to the next question."""
        talker = brought_up(subject)
        who = talker.hold(subject.tester.identify())

        @PROPERTY
        @given(garbage=GARBAGE)
        def holds(garbage: bytes) -> None:
            talker.spoilt(precede_by(garbage), subject.tester.identify())
            found = talker.hold(subject.tester.identify())
            demand(found == who, "after resync the answer fits the question", found)

        holds()

    def test_absorb_takes_any_bytes(self, subject: TesterSubject) -> None:
        """It never raises: it is called where nobody could catch; and it leaves the adapter fit."""
        talker = brought_up(subject)

        @PROPERTY
        @given(drained=st.binary(max_size=200))
        def holds(drained: bytes) -> None:
            try:
                subject.tester.absorb(drained)
            except Exception as error:
                raise Broken(f"absorb never raises; found {error!r} on {drained!r}") from error

        holds()
        talker.back_in_step()
        demand(bool(talker.hold(subject.tester.identify()).model), "it talks on after absorbing")

    def test_the_interlock_is_told_as_it_is(self, subject: TesterSubject) -> None:
        """Open is never told as closed; a tester that can't be asked says so."""
        talker, ability = brought_up(subject), subject.tester.abilities
        told = talker.hold(subject.tester.interlock())
        if not ability.has_interlock_query:
            demand(told is None, "without an interlock query interlock() gives None", told)
            not_offered("an interlock that can be asked")
        subject.guard(True)
        demand(talker.hold(subject.tester.interlock()) is True, "a closed interlock gives True")
        subject.guard(False)
        told = talker.hold(subject.tester.interlock())
        demand(told is False, "an open interlock gives False", told)


def talker_of(subject: TesterSubject) -> Talker:
    """A talker on the subject's link."""
    return Talker(subject.tester, subject.link, subject.clock)


def brought_up(subject: TesterSubject) -> Talker:
    """A talker with the instrument identified, in remote mode and armed, as take-over leaves it."""
    talker, tester = talker_of(subject), subject.tester
    talker.stop()
    talker.hold(tester.identify())
    talker.hold(tester.enter())
    talker.hold(tester.arm())
    return talker


def looks(subject: TesterSubject) -> Mapping[str, Make]:
    """Conversations that look at an instrument at rest, by name."""
    tester = subject.tester
    return {
        "identify": tester.identify,
        "confirm_off": tester.confirm_off,
        "interlock": tester.interlock,
        "poll": tester.poll,
        "resync": tester.resync,
    }


def believed(name: str, came: object) -> bool:
    """Whether an outcome claims something good without an answer to show for it."""
    if isinstance(came, OhmwardError):
        return False
    if name == "confirm_off":
        return isinstance(came, OffProof) and came.off
    if name == "interlock":
        return came is True
    if name == "poll":
        return isinstance(came, Progress) and came.state is TesterState.COMPLETE
    if name == "result":
        return isinstance(came, TesterReading) and came.verdict == "pass"
    return True
