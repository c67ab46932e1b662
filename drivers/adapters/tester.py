"""A safety tester, driven by its profile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from drivers.adapters.comparison import unwanted
from drivers.adapters.contacts import Layout
from drivers.adapters.conversation import Conversation
from drivers.adapters.events import EventRules
from drivers.adapters.identity import identity_of
from drivers.adapters.quantising import Quantiser
from drivers.adapters.results import (
    Told,
    contradiction,
    counter_evidence,
    elapsed,
    reading_of,
    readings,
    residual_of,
)
from drivers.adapters.resynchronising import resynchronise
from drivers.adapters.setting_up import SetUp
from drivers.adapters.tester_state import Watch
from drivers.language.abilities import tester_abilities
from drivers.language.compiled_tester import CompiledKind, compile_tester, condition_holds
from drivers.language.exchanges import CompiledExchange
from drivers.language.profile_tester import TesterProfile
from drivers.language.templates import UNKNOWN
from orchestrator.contract import CannotCarry, StartMark, Talk
from orchestrator.documents import Document
from orchestrator.errors import InstrumentRefused, TimedOut
from orchestrator.model.record import Identity, OffProof, Progress, TesterReading
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import DischargeGrade, Evidence, TesterState

SWITCHED_ON: Mapping[str, Any] = {"armed": "on", "remote": "on", "switch": "on"}
"""Values for what is entered and armed."""


class ProfileTester:
    """A tester as its profile describes it.

    Args:
        document: the profile. name: of the tester in the station.
        units: unit → address, where the tester switches relays itself.
        address: of the tester, where its telegrams carry one; else the profile's own.

    Raises:
        Refused: every fault of the profile's templates and rules.
    """

    def __init__(
        self,
        document: Document[TesterProfile],
        name: str,
        units: Mapping[str, int | None] | None = None,
        address: int | None = None,
    ) -> None:
        made = self._made = compile_tester(document, address)
        profile = self._profile = document.model
        self.name = name
        self.abilities = tester_abilities(profile)
        self.talk = Conversation(f"tester {name}", profile, made.framing, made.lines)
        self._watch = Watch()
        self.talk.events = EventRules(made.framing, made.events, self._watch.tell, self._context)
        layout = None
        if profile.routing is not None:
            layout = Layout(
                profile.routing.banks,
                numbering=profile.routing.numbering,
                chain=profile.routing.chain,
                items=profile.routing.items,
                dialect=made.dialect,
            )
        self._set_up = SetUp(made, self.talk, layout, units or {})
        self.talk.given = made.given
        self.talk.in_step = self._in_step
        if made.errors is not None:
            self.talk.ask_errors = self._set_up.errors
        self._batch: tuple[StepOrder, ...] = ()
        self._cleared = False

    def use_relays(self, units: Mapping[str, int | None]) -> None:
        """Tell the addresses of the relay units that this tester switches itself."""
        self._set_up.units = dict(units)

    # ---- who is there

    @property
    def stop_bytes(self) -> tuple[bytes, ...]:
        """Ready since the profile was compiled."""
        return self._made.stop_bytes

    @property
    def compiled(self) -> Any:
        """The compiled profile, for what is carried through this tester and for the checker."""
        return self._made

    def identify(self) -> Talk[Identity]:
        """Ask who is there. Raises WrongInstrument."""
        answer = yield from self.talk.hold(self._made.identify, {})
        return identity_of(self.talk.name, self._profile.identify, answer.fields)

    def enter(self) -> Talk[None]:
        """Remote mode and the like."""
        yield from self.talk.hold_all(self._made.enter, SWITCHED_ON)
        yield from self._set_up.require_no_errors("enter")

    def keep_alive(self) -> Talk[None]:
        """Keep remote mode from lapsing."""
        if self._made.keep_alive is not None:
            yield from self.talk.hold(self._made.keep_alive, SWITCHED_ON)

    def arm(self) -> Talk[None]:
        """Switch protections on and read them back."""
        yield from self.talk.hold_all(self._made.arm, SWITCHED_ON)
        yield from self._set_up.require_no_errors("arm")

    def check_armed(self) -> Talk[bool]:
        """Read the protections back once more."""
        for exchange in self._made.arm:
            if not (yield from self._still(exchange)):
                return False
        return True

    def _still(self, exchange: CompiledExchange) -> Talk[bool]:
        back = exchange.read_back
        if back is None:
            if not exchange.replies or exchange.retry != "reads":
                return True  # can't be read; arming it was all there is
            try:
                yield from self.talk.hold(exchange, SWITCHED_ON)
            except InstrumentRefused:
                return False
            return True
        answer = yield from self.talk.ask_back(back, SWITCHED_ON)
        if unwanted(exchange.want, answer.fields) is not None:
            return False
        on = {name: v for name, v in SWITCHED_ON.items() if name in answer.fields}
        return all(answer.fields[name] == value for name, value in on.items())

    # ---- a batch

    def quantise(self, order: StepOrder) -> StepOrder:
        """The order as the wire carries it. Raises CannotCarry."""
        kind = self._made.kinds.get(order.kind)
        if kind is None:
            expected = " or ".join(self._made.kinds)
            raise CannotCarry("kind", order.kind, expected, "use a tester that can do it")
        return Quantiser(
            kind.model,
            lambda values: self._set_up.templates(order.kind, values),
            self._set_up.values,
        ).quantise(order)

    def prepare(self, batch: tuple[StepOrder, ...]) -> Talk[None]:
        """Clear, set up, prove. Raises InstrumentRefused, SetupMismatch."""
        if len(batch) > self.abilities.slots:
            expected = f"at most {self.abilities.slots}"
            raise CannotCarry("batch", f"{len(batch)} steps", expected, "cut the program apart")
        batch = tuple(order.in_slot(place) for place, order in enumerate(batch))
        self._batch, self._cleared = batch, False
        cleared = yield from self._set_up.clear(self._state)
        yield from self._set_up.send(batch)
        clear = self._profile.clear
        if cleared and clear is not None and clear.proof == "refused":
            for order in batch:
                if not (yield from self._set_up.result_is_refused(order)):
                    raise InstrumentRefused(f"{self.talk.name}: an old result stands still")
        self._cleared = cleared

    def start(self) -> Talk[StartMark]:
        """Energise; never repeated."""
        counter: int | None = None
        if self._made.counter is not None:
            answer = yield from self.talk.hold(self._made.counter, {})
            counter = answer.fields.get("counter")
        mark = StartMark(counter, self._cleared)
        self._cleared = False  # one clearing is evidence for one start
        values = self._set_up.values(self._batch[0], len(self._batch)) if self._batch else {}
        self._watch.start(counter)
        yield from self.talk.hold(self._made.start, values, repeat=False)
        yield from self._set_up.require_no_errors("start")
        return mark

    def poll(self) -> Talk[Progress]:
        """One look; live readings only while something is going on."""
        watch = self._watch
        if self._made.status is None:
            yield from self.talk.listen(float(self._profile.timing.event))
            fields: Mapping[str, Any] = {}
            state = watch.state
        else:
            answer = yield from self.talk.hold(self._made.status, {})
            fields = answer.fields
            state = self._made.states.classify(fields)
            watch.saw(state)
            if state is TesterState.OFF:
                state = yield from self._off_or_complete()
        latched = self._made.interlock_latched
        opened = watch.opened or state is TesterState.INTERLOCK_OPEN
        opened = opened or (latched is not None and condition_holds(latched, fields))
        slot = self._slot(fields)
        kind = self._kind_of(slot)
        if kind is not None and kind.live is not None and _shows(state):
            order = self._batch[slot or 0]
            live = yield from self.talk.hold(kind.live, self._set_up.values(order))
            if self._slot(live.fields) in {None, slot}:
                fields = {**live.fields, **fields}
        values = {} if kind is None else readings(fields, self._batch[slot or 0].kind, kind)
        return Progress(state, slot, elapsed(fields), values, opened)

    def _off_or_complete(self) -> Talk[TesterState]:
        """At rest; where only an event tells that a run went to its end, it is waited for."""
        watch, told = self._watch, any("complete" in e.means for e in self._profile.events)
        if told and watch.started and not watch.stopped and watch.active and not watch.complete:
            yield from self.talk.listen(float(self._profile.timing.event))
        return TesterState.COMPLETE if watch.complete else TesterState.OFF

    def _slot(self, fields: Mapping[str, Any]) -> int | None:
        """The place in the batch of the slot that a reply names."""
        slot, memory = fields.get("slot"), self._profile.memory
        if not isinstance(slot, int) or memory is None:
            return None
        place = slot - memory.first
        return place if 0 <= place < max(len(self._batch), 1) else None

    def _kind_of(self, slot: int | None) -> CompiledKind | None:
        place = slot or 0
        if place >= len(self._batch):
            return None
        return self._made.kinds[self._batch[place].kind]

    def result(self, mark: StartMark, index: int) -> Talk[TesterReading]:
        """The result of one step, with the evidence that it belongs to this start."""
        order = self._batch[index]
        kind = self._made.kinds[order.kind]
        values = self._set_up.values(order, len(self._batch))
        evidence: set[Evidence] = set()
        if kind.result is None:
            told = yield from self._told_result(index, values["slot"])
            evidence.add(Evidence.EVENT)
        else:
            answer = yield from self.talk.hold(kind.result, values)
            told = Told(answer.fields, answer.raw, self._body(answer.raw), kind.causes)
        after = None
        if self._made.counter is not None:
            counted = yield from self.talk.hold(self._made.counter, {})
            after = counted.fields.get("counter")
        evidence |= counter_evidence(told.fields, mark, after)
        if told.fields.get("slot") is not None and told.fields["slot"] == values["slot"]:
            evidence.add(Evidence.SLOT_ECHO)
        if mark.cleared:
            evidence.add(Evidence.CLEARED)
        declared = frozenset(evidence) & frozenset(self._profile.freshness)
        reading = reading_of(told, order.kind, kind, declared)
        another = contradiction(told.fields, values, mark, after)
        if another:  # whatever else was seen of this start: these figures aren't its
            return replace(reading, verdict=None, evidence=frozenset(), cause=another)
        return reading

    def _told_result(self, index: int, slot: int) -> Talk[Told]:
        """A result that comes as an event; one that hasn't come is waited for."""
        tries = 1 + int(float(self._profile.timing.reply) / float(self._profile.timing.event))
        for _ in range(tries):
            for told in self._watch.results:
                if told.fields.get("slot", slot) == slot:
                    cause = self._made.causes_of_events.get(told.line)
                    causes = () if cause is None else (cause,)
                    return Told(told.fields, told.raw, self._body(told.raw), causes)
            yield from self.talk.listen(float(self._profile.timing.event))
        raise TimedOut(f"{self.talk.name}: no result came for step {index + 1} of the batch")

    def _body(self, raw: bytes) -> bytes:
        unwrapped = self._made.framing.unwrap(raw)
        return b"" if unwrapped is None else unwrapped.body

    # ---- off

    def confirm_off(self) -> Talk[OffProof]:
        """One look at whether the output is off and discharged."""
        off = self._profile.off
        grade = DischargeGrade(off.discharge)
        if off.proof == "voltage":
            grade = DischargeGrade.VOLTAGE  # a voltage that was read proves nothing until compared
        if off.proof == "event":
            yield from self.talk.listen(float(self._profile.timing.event))
            safe = self._watch.stopped and self._watch.safe and not self._watch.restarted
            discharged = safe if grade is DischargeGrade.STATUS else None
            return OffProof(safe, discharged, grade, self._watch.state)
        fields: Mapping[str, Any] = {}
        state = TesterState.UNKNOWN
        if self._made.status is not None:
            answer = yield from self.talk.hold(self._made.status, {})
            fields = answer.fields
            state = self._made.states.classify(fields)
            self._watch.saw(state)
        is_off = state in off.states and self._watch.may_be_off
        if off.proof == "none":
            return OffProof(False, None, DischargeGrade.NONE, state)
        residual: Decimal | None = None
        if self._made.voltage is not None:
            residual = yield from self._residual(self._made.voltage)
            if off.proof == "voltage":
                known = self._made.status is None or is_off
                is_off = known and self._watch.may_be_off and residual is not None
        if not is_off:
            return OffProof(False, False, grade, state, residual)
        return OffProof(
            True, self._discharged(state, fields, grade, residual), grade, state, residual
        )

    def _residual(self, ask: CompiledExchange) -> Talk[Decimal | None]:
        answer = yield from self.talk.hold(ask, {})
        accuracy = self._profile.off.accuracy
        percent = Decimal(0) if accuracy is None else accuracy.percent
        plus = Decimal(0) if accuracy is None else accuracy.plus.value
        return residual_of(answer.fields.get("residual"), percent, plus)

    def _discharged(
        self,
        state: TesterState,
        fields: Mapping[str, Any],
        grade: DischargeGrade,
        residual: Decimal | None,
    ) -> bool | None:
        """``None``: the engine compares the residual, or reckons with a bleeder."""
        if grade is DischargeGrade.VOLTAGE:
            return None if residual is not None else False
        if grade is not DischargeGrade.STATUS:
            return None
        off, rules = self._profile.off, self._made.discharged
        if rules is not None and not condition_holds(rules, fields):
            return False
        return not off.discharged_states or state in off.discharged_states

    def interlock(self) -> Talk[bool | None]:
        """The interlock as the tester sees it."""
        ask = self._made.interlock
        if ask is None:
            return None
        answer = yield from self.talk.hold(ask, {})
        word = answer.fields.get("interlock")
        if word == "closed":
            return True
        if word == "open":
            return False
        rules = self._made.interlock_open
        told = answer.fields.values()
        if rules is None or any(value is UNKNOWN for value in told):
            return None
        return not condition_holds(rules, answer.fields)

    def reset_trip(self) -> Talk[None]:
        """End a latched trip, at a person's order. Raises InstrumentRefused."""
        yield from self.talk.hold_all(self._made.reset, {})

    # ---- the link

    def resync(self) -> Talk[None]:
        """A harmless query whose own answer fits."""
        yield from resynchronise(self.talk, self._made.resync, {})

    def _in_step(self) -> Talk[None]:
        """Before a repetition; a tester that stays mute is given up soon."""
        yield from resynchronise(self.talk, self._made.resync, {}, tries=2)

    def stopped(self) -> None:
        """From now on an event that says 'safe' answers this stop."""
        self._watch.stop()

    def absorb(self, drained: bytes) -> None:
        """Late bytes: through the event rules, whole lines at once, a piece with what follows."""
        self.talk.absorb(drained)

    def _state(self) -> Talk[TesterState]:
        if self._made.status is None:
            yield from self.talk.listen(float(self._profile.timing.event))
            return self._watch.state
        answer = yield from self.talk.hold(self._made.status, {})
        return self._made.states.classify(answer.fields)

    def _context(self) -> Mapping[str, Any]:
        """What an event's `when` may ask for: the kind of the step in work."""
        return {"kind": self._batch[0].kind.value} if self._batch else {}


def _shows(state: TesterState) -> bool:
    return state in {TesterState.RISING, TesterState.DWELLING, TesterState.FALLING}
