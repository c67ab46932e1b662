"""Adapters with one planted fault each, made of sound ones: what the contracts must catch."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from orchestrator.contract import CannotCarry, Frame, Pause, Receive, Send, StartMark, Talk
from orchestrator.errors import InstrumentFault, LinkError, WrongInstrument
from orchestrator.model.record import Identity, OffProof, Progress, TesterReading
from orchestrator.model.schedule import Contact, Route, StepOrder
from orchestrator.model.words import DischargeGrade, Evidence, TesterState


class Mutant:
    """Passes everything on to a sound adapter; subclasses do one thing wrong."""

    def __init__(self, sound: Any) -> None:
        self.sound = sound

    def __getattr__(self, name: str) -> Any:
        return getattr(self.sound, name)


OFF = OffProof(True, True, DischargeGrade.STATUS, TesterState.OFF)


# ---- testers


class LiesAboutOff(Mutant):
    def confirm_off(self) -> Talk[OffProof]:
        yield from self.sound.confirm_off()
        return OFF


class TakesSilenceForOff(Mutant):
    def confirm_off(self) -> Talk[OffProof]:
        try:
            proof: OffProof = yield from self.sound.confirm_off()
        except LinkError:
            return OFF
        return proof


class BelievesOldResults(Mutant):
    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        reading: TesterReading = yield from self.sound.result(mark, index)
        return replace(reading, evidence=reading.evidence | {Evidence.COUNTER})


class PassesEverything(Mutant):
    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        reading: TesterReading = yield from self.sound.result(mark, index)
        return replace(reading, verdict="pass")


class ClaimsMoreEvidence(Mutant):
    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        reading: TesterReading = yield from self.sound.result(mark, index)
        return replace(reading, evidence=reading.evidence | {Evidence.EVENT})


class RoundsTheLevelDown(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        carried: StepOrder = self.sound.quantise(order)
        return replace(carried, level=Decimal(int(order.level) // 10 * 10))


class LoosensLimits(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        carried: StepOrder = self.sound.quantise(order)
        limits = tuple(replace(one, value=one.value * Decimal("0.9")) for one in carried.limits)
        return replace(carried, limits=limits)


class LosesLimits(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        carried: StepOrder = self.sound.quantise(order)
        return replace(carried, limits=())


class CutsLevelsToTheRange(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        most = self.sound.abilities.kinds[order.kind].level.most
        carried: StepOrder = self.sound.quantise(replace(order, level=min(order.level, most)))
        return carried


class ChangesItsMind(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        carried: StepOrder = self.sound.quantise(order)
        return replace(carried, level=carried.level + 1)


class NamesTheWrongField(Mutant):
    def quantise(self, order: StepOrder) -> StepOrder:
        try:
            carried: StepOrder = self.sound.quantise(order)
        except CannotCarry as error:
            raise CannotCarry("field_7", error.found, error.expected, error.remedy) from error
        return carried


class IgnoresRefusals(Mutant):
    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        try:
            yield from self.sound.prepare(batch)
        except InstrumentFault:
            return


class IgnoresSilence(Mutant):
    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        try:
            yield from self.sound.prepare(batch)
        except LinkError:
            return


class TakesAnyBatch(Mutant):
    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        yield from self.sound.prepare(batch[:1])


class EnergisesInPrepare(Mutant):
    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        yield from self.sound.prepare(batch)
        yield from self.sound.start()
        yield Pause(0.3)


class StartsAgain(Mutant):
    def start(self) -> Talk[StartMark]:
        with contextlib.suppress(LinkError):
            mark: StartMark = yield from self.sound.start()
            yield Pause(0.2)
            progress = yield from self.sound.poll()
            if progress.state.active:
                return mark
        mark = yield from self.sound.start()
        return mark


class SetsUpOnlyOnce(Mutant):
    done = False

    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        if not self.done:
            yield from self.sound.prepare(batch)
        self.done = True


class AlwaysCleared(Mutant):
    def start(self) -> Talk[StartMark]:
        mark: StartMark = yield from self.sound.start()
        return replace(mark, cleared=True)


class TakesAnybody(Mutant):
    def identify(self) -> Talk[Identity]:
        try:
            who: Identity = yield from self.sound.identify()
        except WrongInstrument:
            return Identity("Stave", "SIM-1", simulated=True)
        return who


class HidesTheSimulation(Mutant):
    def identify(self) -> Talk[Identity]:
        who: Identity = yield from self.sound.identify()
        return replace(who, simulated=False)


class AlwaysClosed(Mutant):
    def interlock(self) -> Talk[bool | None]:
        yield from self.sound.interlock()
        return True


class NeverTellsTheInterlock(Mutant):
    def poll(self) -> Talk[Progress]:
        progress: Progress = yield from self.sound.poll()
        return replace(progress, latched_open=False, state=TesterState.TRIPPED)


class SwallowsTheLoss(Mutant):
    def poll(self) -> Talk[Progress]:
        try:
            progress: Progress = yield from self.sound.poll()
        except LinkError:
            return Progress(TesterState.UNKNOWN)
        return progress


class CompleteInSilence(Mutant):
    def poll(self) -> Talk[Progress]:
        try:
            progress: Progress = yield from self.sound.poll()
        except LinkError:
            return Progress(TesterState.COMPLETE)
        return progress


class ChokesOnBytes(Mutant):
    def absorb(self, drained: bytes) -> None:
        drained.decode("ascii")


class RaisesTheWrongKind(Mutant):
    def poll(self) -> Talk[Progress]:
        try:
            progress: Progress = yield from self.sound.poll()
        except LinkError as error:
            raise KeyError("state") from error
        return progress


class NoStop(Mutant):
    stop_bytes: tuple[bytes, ...] = ()


class StopsAtRandom(Mutant):
    count = 0

    @property
    def stop_bytes(self) -> tuple[bytes, ...]:
        self.count += 1
        return (b"STOP %d\n" % self.count,)


class WaitsForEver(Mutant):
    def identify(self) -> Talk[Identity]:
        yield Receive(Frame(), float("inf"))
        return Identity("Stave", simulated=True)


class TurnsInCircles(Mutant):
    def identify(self) -> Talk[Identity]:
        while True:
            yield Pause(0.0)


class SaysNothing(Mutant):
    def identify(self) -> Talk[Identity]:
        yield Send(b"")
        return Identity("Stave", simulated=True)


class AsksForTheMoon(Mutant):
    def identify(self) -> Generator[Any, Any, Identity]:
        yield "the moon"
        return Identity("Stave", simulated=True)


class ResyncsWithoutAsking(Mutant):
    def resync(self) -> Talk[None]:
        yield Pause(0.01)


class Unarmed(Mutant):
    def check_armed(self) -> Talk[bool]:
        yield Pause(0.01)
        return False


class ContradictsItself(Mutant):
    @property
    def abilities(self) -> Any:
        return replace(self.sound.abilities, slots=0)


class ClaimsASilentStop(Mutant):
    @property
    def abilities(self) -> Any:
        return replace(self.sound.abilities, silent_stop=True)


class NeverOff(Mutant):
    def confirm_off(self) -> Talk[OffProof]:
        yield from self.sound.confirm_off()
        return OffProof(False, False, DischargeGrade.NONE, TesterState.UNKNOWN)


# ---- relay matrices


class KeepsWhatWasClosed(Mutant):
    before: frozenset[Contact] = frozenset()

    def apply(self, route: Route) -> Talk[None]:
        self.before |= route.contacts
        yield from self.sound.apply(Route(self.before))


class ForgetsAContact(Mutant):
    def apply(self, route: Route) -> Talk[None]:
        yield from self.sound.apply(Route(frozenset(sorted(route.contacts)[1:])))


class TellsWhatWasOrdered(Mutant):
    ordered: frozenset[Contact] = frozenset()

    def apply(self, route: Route) -> Talk[None]:
        self.ordered = route.contacts
        yield from self.sound.apply(route)

    def read_back(self) -> Talk[frozenset[Contact] | None]:
        yield Pause(0.0)
        return self.ordered


class TakesSilenceForOpen(Mutant):
    def read_back(self) -> Talk[frozenset[Contact] | None]:
        try:
            found: frozenset[Contact] | None = yield from self.sound.read_back()
        except (LinkError, InstrumentFault):
            return frozenset()
        return found


class OpensNothing(Mutant):
    def open_all(self) -> Talk[None]:
        yield Pause(0.0)


class ForgetsAUnit(Mutant):
    def identify(self) -> Talk[Mapping[str, Identity]]:
        found = yield from self.sound.identify()
        return dict(list(found.items())[1:])


class DoesNotWait(Mutant):
    def apply(self, route: Route) -> Talk[None]:
        talk = self.sound.apply(route)
        wanted = next(talk)
        while isinstance(wanted, Send):  # hands over the first order and goes
            answer = yield wanted
            wanted = talk.send(answer)
        talk.close()


class TakesAnotherInItsPlace(Mutant):
    def apply(self, route: Route) -> Talk[None]:
        banks = self.sound.abilities.banks
        contacts = frozenset(
            one if one.channel in banks[one.bank].channels else replace(one, channel=1)
            for one in route.contacts
        )
        yield from self.sound.apply(Route(contacts))


# ---- inputs, links, journals: by the method they break


class Changed(Mutant):
    """One method replaced by a function that gets the sound object and the arguments."""

    def __init__(self, sound: Any, name: str, act: Callable[..., Any]) -> None:
        super().__init__(sound)
        setattr(self, name, lambda *given: act(sound, *given))
