"""Messages of one instrument carried through another's link: composition of conversations."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.compiled_tester import CompiledCarry
from orchestrator.contract import Receive, Reply, Send, Talk
from orchestrator.errors import Fault, LinkError, ProtocolFault, Refused, TimedOut
from orchestrator.model.record import Identity
from orchestrator.model.schedule import Contact, Route
from orchestrator.running.framing import FrameReader

T = TypeVar("T")


class Carrier:
    """What carries: a tester whose profile has a block `carry`.

    Raises:
        Refused: it has none.
    """

    def __init__(self, tester: ProfileTester) -> None:
        carry: CompiledCarry | None = tester.compiled.carry
        if carry is None:
            found = f"tester {tester.name!r} ({tester.abilities.name})"
            expected = "a tester whose profile has a block 'carry'"
            remedy = "give the chain a link of its own, or name another tester in carried_by"
            raise Refused((Fault("carried_by", found, expected, remedy),))
        self.tester = tester
        self._carry = carry

    def carry(self, message: bytes) -> Talk[bytes | None]:
        """Hand over one message of the carried instrument; its answer, or ``None`` for none.

        Raises:
            ProtocolFault: a message that isn't one whole line, or is too long.
        """
        carry = self._carry
        payload = message
        if carry.stripped:
            payload = message.removesuffix(carry.inner_end)
            if carry.inner_end and (carry.inner_end in payload or payload == message):
                raise ProtocolFault(f"{message!r} isn't one line: it can't be carried", raw=message)
        if carry.most is not None and len(payload) > carry.most:
            told = f"{len(payload)} bytes, the carrier takes {carry.most}"
            raise ProtocolFault(f"{message!r} is too long to be carried: {told}", raw=message)
        values = {"payload": payload.decode("latin-1")}
        answer = yield from self.tester.talk.hold(carry.exchange, values, repeat=False)
        if "payload" not in answer.fields:
            return None  # the carrier says that the other one kept silent
        inner = str(answer.fields["payload"]).encode("latin-1")
        return inner + carry.inner_end if carry.stripped else inner


def carried(inner: Talk[T], carrier: Carrier, name: str) -> Talk[T]:
    """A conversation of the carried instrument, held on the carrier's link.

    The carrier's 'no answer' becomes a time-out of the carried instrument, thrown into its
    conversation.
    """
    reader = FrameReader()
    answer: Reply | None = None
    error: LinkError | None = None
    try:
        while True:
            wanted = inner.send(answer) if error is None else inner.throw(error)
            answer = error = None
            try:
                if isinstance(wanted, Send):
                    told = yield from carrier.carry(wanted.data)
                    reader.drain()
                    reader.feed(told or b"")
                elif isinstance(wanted, Receive):
                    answer = _taken(reader, wanted, name)
                else:
                    yield wanted
            except LinkError as caught:
                error = caught
    except StopIteration as stop:
        value: T = stop.value
        return value
    finally:
        inner.close()


def _taken(reader: FrameReader, wanted: Receive, name: str) -> Reply | None:
    reply = reader.take(wanted.frame)
    if reply is not None or (wanted.silence_ok and not reader.pending):
        return reply
    received = reader.drain()
    raise TimedOut(f"{name} doesn't answer through its carrier", received=received)


class CarriedMatrix:
    """A matrix without a link of its own: the same port, every conversation carried."""

    def __init__(self, inner: ProfileMatrix, carrier: ProfileTester) -> None:
        self._inner = inner
        self._carrier = Carrier(carrier)
        self.name = inner.name
        self.abilities = inner.abilities

    def identify(self) -> Talk[Mapping[str, Identity]]:
        """Every unit by name."""
        return self._carried(self._inner.identify())

    def apply(self, route: Route) -> Talk[None]:
        """Bring the chain to exactly this state."""
        return self._carried(self._inner.apply(route))

    def open_all(self) -> Talk[None]:
        """Open every relay of the chain."""
        return self._carried(self._inner.open_all())

    def read_back(self) -> Talk[frozenset[Contact] | None]:
        """Closed contacts as the units report them."""
        return self._carried(self._inner.read_back())

    def resync(self) -> Talk[None]:
        """The carrier must be in step first, then the carried unit answers."""
        yield from self._carrier.tester.resync()
        yield from self._carried(self._inner.resync())

    def absorb(self, drained: bytes) -> None:
        """What comes on the link is the carrier's."""
        self._carrier.tester.absorb(drained)

    def _carried(self, talk: Talk[T]) -> Talk[T]:
        return carried(talk, self._carrier, f"chain {self.name}")
