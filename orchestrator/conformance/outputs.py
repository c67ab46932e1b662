"""The contract of ``OutputBlock``."""

from __future__ import annotations

from collections.abc import Callable

from orchestrator.conformance.base import Contract
from orchestrator.conformance.demands import Broken, demand
from orchestrator.conformance.subjects import OutputSubject

SCAN_S = 0.01
SEEN_WITHIN_S = 1.0
DROPPED_WITHIN_S = 0.1
"""Far above what a drop takes, for a loaded computer; a station's own budget is tighter."""


class OutputBlockContract(Contract[OutputSubject]):
    """Every rule of an output that must be refreshed. Override ``make``."""

    def test_it_has_a_name_and_says_whether_it_is_real(self, subject: OutputSubject) -> None:
        """A simulated enable enables nothing."""
        block = subject.block
        demand(bool(block.name) and isinstance(block.real, bool), "name and real", block)

    def test_it_is_off_until_somebody_orders_it(self, subject: OutputSubject) -> None:
        """Opening a station enables nothing."""
        scan(subject, 0.2, None)
        demand(not subject.is_on(), "an output is off before any order")

    def test_it_is_on_while_it_is_refreshed(self, subject: OutputSubject) -> None:
        """On within a second, then on at every scan; seen as the device reports it."""
        turn_on(subject)
        for _ in range(30):
            scan(subject, SCAN_S, True)
            demand(subject.is_on(), "a refreshed output stays on")
        demand(
            waits(subject, lambda: subject.block.seen() is True, True), "seen tells that it is on"
        )
        problem = subject.block.problem(subject.clock.monotonic())
        demand(problem is None, "there is no problem", problem)

    def test_an_order_of_off_is_followed(self, subject: OutputSubject) -> None:
        """Refreshed as off, it goes off, and is seen to be."""
        turn_on(subject)
        demand(waits(subject, lambda: not subject.is_on(), False), "ordered off, it goes off")
        demand(
            waits(subject, lambda: subject.block.seen() is False, False),
            "seen tells that it is off",
        )

    def test_a_drop_is_at_once(self, subject: OutputSubject) -> None:
        """Without a further call; nothing that waits to be sent goes before it."""
        turn_on(subject)
        subject.block.refresh(True)
        subject.block.drop()
        subject.clock.sleep(DROPPED_WITHIN_S)
        demand(not subject.is_on(), f"a drop arrives within {DROPPED_WITHIN_S:g} s")

    def test_an_order_that_is_not_renewed_lapses(self, subject: OutputSubject) -> None:
        """A program that hangs or dies enables nothing any more."""
        turn_on(subject)
        subject.clock.sleep(subject.lapses_within_s)
        demand(not subject.is_on(), "an order that isn't renewed lapses by itself")

    def test_a_block_that_can_t_be_reached_is_told(self, subject: OutputSubject) -> None:
        """No call raises or waits; the state isn't claimed any more, and the reason is told."""
        turn_on(subject)
        subject.cut()
        began_s = subject.clock.monotonic()
        while subject.clock.monotonic() - began_s < subject.lapses_within_s:
            scan(subject, SCAN_S, True)
        now_s = subject.clock.monotonic()
        demand(subject.block.seen() is None, "what can't be read isn't told", subject.block.seen())
        demand(bool(subject.block.problem(now_s)), "why it can't be relied on is told")

    def test_no_call_waits(self, subject: OutputSubject) -> None:
        """The scan makes them: the middle of 50 rounds takes well under its 10 ms."""
        took: list[float] = []
        for _ in range(50):
            began_s = subject.clock.monotonic()
            calls(subject, True)
            took.append(subject.clock.monotonic() - began_s)
            subject.clock.sleep(SCAN_S)
        middle_s = sorted(took)[25]
        demand(middle_s < SCAN_S, "no call waits", middle_s)


def calls(subject: OutputSubject, on: bool | None) -> None:
    """What a scan calls. Raises Broken where a call raises."""
    block = subject.block
    try:
        if on is not None:
            block.refresh(on)
        block.seen()
        block.problem(subject.clock.monotonic())
    except Exception as error:
        raise Broken(f"an output never raises; found {error!r}") from error


def scan(subject: OutputSubject, seconds: float, on: bool | None) -> None:
    """Scan for so long; ``None`` orders nothing."""
    for _ in range(max(1, round(seconds / SCAN_S))):
        calls(subject, on)
        subject.clock.sleep(SCAN_S)


def waits(subject: OutputSubject, condition: Callable[[], bool], on: bool) -> bool:
    """Whether it comes true within a second of scans."""
    until_s = subject.clock.monotonic() + SEEN_WITHIN_S
    while not condition():
        if subject.clock.monotonic() > until_s:
            return False
        scan(subject, SCAN_S, on)
    return True


def turn_on(subject: OutputSubject) -> None:
    """Refreshed until it is on. Raises Broken."""
    demand(waits(subject, subject.is_on, True), "ordered on, it goes on within a second")
