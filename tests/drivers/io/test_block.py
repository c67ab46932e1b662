"""The block at the served simulator: real sockets, real time."""

from __future__ import annotations

import pytest

from drivers.io.modbus import CONNECT_WITHIN_S
from drivers.io.orders import LAPSE_S
from drivers.io.wire import EXCHANGE_WITHIN_S
from drivers.simulators.io_serve import Fault
from orchestrator.running.interlock import Interlock
from tests.drivers.io.rig import CLOCK, Rack, Scan, contact, until

SLACK_S = 0.15
"""Two shared cores: a thread may be held up for so long."""


# ---- inputs


def test_an_input_follows_its_level_and_carries_the_time_of_its_read(rack: Rack) -> None:
    """Closed once the coupler says so; the time is that of asking, never later."""
    assert rack.guard.real
    assert not rack.guard.sample().closed
    before_s = CLOCK.monotonic()
    rack.io.set_input(0, True)
    until(lambda: rack.guard.sample().closed)
    assert before_s - 0.02 <= rack.guard.sample().at_s <= CLOCK.monotonic()
    bits = rack.block.bits()
    assert bits is not None
    assert bits == (True,) + (False,) * 7


def test_a_mute_coupler_makes_inputs_old_and_then_open(rack: Rack) -> None:
    """The last good read keeps its time: the interlock finds it stale, the block says why."""
    rack.io.set_input(0, True)
    until(lambda: rack.guard.sample().closed)
    interlock = Interlock({"guard": 0.1})
    rack.server.fault = "mute"
    CLOCK.sleep(0.02)  # what was in flight has come
    last_s = rack.guard.sample().at_s
    took_s = until(lambda: not rack.guard.sample().closed)
    assert took_s < 2 * EXCHANGE_WITHIN_S + CONNECT_WITHIN_S + SLACK_S
    sample = rack.guard.sample()
    assert sample.at_s <= last_s + 0.02
    assert "doesn't answer" in sample.detail
    assert "100 ms" in sample.detail
    interlock.note("guard", sample)
    assert interlock.problem(CLOCK.monotonic()) is not None
    assert rack.block.bits() is None


def test_inputs_come_back_by_themselves(rack: Rack) -> None:
    """After a broken connection the block connects anew."""
    rack.io.set_input(0, True)
    rack.server.drop_links()
    until(lambda: rack.problem() is not None)
    until(lambda: rack.problem() is None and rack.guard.sample().closed)


def test_a_frozen_backplane_opens_every_input_though_the_coupler_answers(
    living_rack: Rack,
) -> None:
    """The life sign stops following its output: open, outputs not to be relied on."""
    rack = living_rack
    rack.io.set_input(0, True)
    until(lambda: rack.guard.sample().closed)
    assert rack.problem() is None
    rack.io.freeze(True)
    until(lambda: not rack.guard.sample().closed, 0.15 + SLACK_S)
    sample = rack.guard.sample()
    assert "life sign at input 7" in sample.detail
    assert CLOCK.monotonic() - sample.at_s < 0.1, "fresh replies all the time"
    assert "life sign" in str(rack.problem())
    assert rack.block.bits() is None
    rack.io.freeze(False)
    until(lambda: rack.guard.sample().closed)


def test_a_block_with_a_life_sign_is_alive_once_built(living_rack: Rack) -> None:
    """So that a run that begins at once doesn't find its inputs open."""
    assert living_rack.block.bits() is not None


def test_two_channels_that_contradict_each_other_are_latched(rack: Rack) -> None:
    """From the coupler's bits to the sample, with the reason."""
    second = {"input": "2", "moves": "opposite", "differ_at_most": "30 ms"}
    door = rack.block.input("door", contact(1, second=second), CLOCK)
    rack.io.set_input(1, True)
    until(lambda: door.sample().closed)
    rack.io.set_input(2, True)
    until(lambda: "more than 30 ms" in door.sample().detail)
    rack.io.set_input(2, False)
    CLOCK.sleep(0.05)
    assert not door.sample().closed, "closing once more heals nothing"
    rack.io.set_input(1, False)
    rack.io.set_input(2, True)
    CLOCK.sleep(0.05)
    rack.io.set_input(1, True)
    rack.io.set_input(2, False)
    until(lambda: door.sample().closed)


# ---- outputs


def test_an_output_is_on_while_it_is_refreshed_and_lapses_after(rack: Rack) -> None:
    """A scan that dies drops enable: off no later than the lapse and a period."""
    assert rack.enable.seen() is False
    with Scan(rack.enable):
        until(lambda: rack.enable.seen() is True)
        CLOCK.sleep(2 * LAPSE_S)
        assert rack.enabled()
        assert rack.problem() is None
    took_s = until(lambda: not rack.enabled())
    assert took_s < LAPSE_S + 0.01 + SLACK_S
    on, off = rack.changes()
    assert on.on
    assert not off.on
    assert off.cause == "written"


def test_a_drop_is_seen_at_the_coupler_at_once(rack: Rack) -> None:
    """Twenty drops, each timed at the simulator: bounded by one exchange, mostly far quicker."""
    took_s = []
    for _ in range(20):
        with Scan(rack.enable):
            until(rack.enabled)
        begin_s = CLOCK.monotonic()
        rack.enable.drop()
        until(lambda: not rack.enabled())
        took_s.append(rack.changes()[-1].at_s - begin_s)
    assert max(took_s) < EXCHANGE_WITHIN_S + SLACK_S


def test_a_drop_does_not_wait_for_the_next_period() -> None:
    """With a period of 100 ms most drops arrive in a small part of it."""
    slow = Rack(period="100 ms")
    took_s = []
    try:
        for _ in range(5):
            with Scan(slow.enable):
                until(slow.enabled)
                CLOCK.sleep(0.03)  # the round is over, the next one far
            begin_s = CLOCK.monotonic()
            slow.enable.drop()
            until(lambda: not slow.enabled())
            took_s.append(slow.changes()[-1].at_s - begin_s)
    finally:
        slow.put_away()
    assert sorted(took_s)[2] < 0.02


def test_an_on_that_follows_a_drop_at_once_does_not_swallow_it(rack: Rack) -> None:
    """The off reaches the coupler even if the next order is on."""
    with Scan(rack.enable):
        until(rack.enabled)
        rack.enable.drop()
        until(lambda: len(rack.changes()) >= 3)
    assert [change.on for change in rack.changes()[:3]] == [True, False, True]


@pytest.mark.parametrize(("fault", "late_s"), [("late", 0.05), ("late", 0.5), ("mute", 0.0)])
def test_a_drop_waits_no_longer_than_stated_for_a_slow_coupler(
    rack: Rack, fault: Fault, late_s: float
) -> None:
    """The exchange in flight is given up, then off is the first thing over a new connection."""
    with Scan(rack.enable):
        until(rack.enabled)
        rack.server.late_s, rack.server.fault = late_s, fault
        CLOCK.sleep(0.02)  # an exchange hangs
    begin_s = CLOCK.monotonic()
    rack.enable.drop()
    until(lambda: not rack.enabled())
    took_s = rack.changes()[-1].at_s - begin_s
    assert took_s < EXCHANGE_WITHIN_S + CONNECT_WITHIN_S + SLACK_S


def test_a_coupler_that_hears_nothing_drops_by_its_own_watchdog(rack: Rack) -> None:
    """Half open: nothing reaches it, so only drops_after is left, and the block says so."""
    rack.io.drops_after_s = 0.2
    with Scan(rack.enable):
        until(rack.enabled)
        rack.server.fault = "half_open"
        until(lambda: rack.problem() is not None, EXCHANGE_WITHIN_S + SLACK_S)
        until(lambda: not rack.enabled(), 0.2 + SLACK_S)
    assert rack.changes()[-1].cause == "watchdog"
    until(lambda: rack.enable.seen() is None)
    rack.server.fault = "none"
    until(lambda: rack.problem() is None)
    assert not rack.enabled()


def test_after_a_reconnection_off_is_written_first(rack: Rack) -> None:
    """What was ordered before the break counts no more; a later order does."""
    rack.enable.refresh(True)
    until(rack.enabled)
    before = len(rack.changes())
    with Scan(rack.enable):
        rack.server.drop_links()
        until(lambda: len(rack.changes()) >= before + 2)
    off, on = rack.changes()[before : before + 2]
    assert (off.on, off.cause, on.on) == (False, "written", True)


def test_an_order_from_before_the_break_never_switches_on_again(rack: Rack) -> None:
    """Nobody refreshes after the break: off stays off, even within the lapse."""
    rack.enable.refresh(True)
    until(rack.enabled)
    rack.server.drop_links()
    until(lambda: not rack.enabled())
    until(lambda: rack.problem() is None)
    CLOCK.sleep(0.03)
    assert not rack.enabled()
    assert len(rack.changes()) == 2


def test_an_output_that_somebody_else_writes_is_a_problem(rack: Rack) -> None:
    """Read back each period: a second master shows (until the next write)."""
    found = []

    def meddled() -> bool:
        rack.io.write_outputs(0, (True,))
        found.append(str(rack.problem()))
        return "somebody else" in found[-1]

    until(meddled)
    assert "output 0 reads high though low was written" in found[-1]


@pytest.mark.parametrize("fault", ["exception", "garbage", "wrong_transaction", "short", "twice"])
def test_a_spoilt_reply_is_a_problem_and_passes(rack: Rack, fault: Fault) -> None:
    """Connection closed, made anew; all well once replies are."""
    rack.server.fault = fault
    until(lambda: rack.problem() is not None)
    rack.server.fault = "none"
    until(lambda: rack.problem() is None)


def test_fragmented_replies_are_read_like_whole_ones(rack: Rack) -> None:
    """TCP keeps no boundaries: a byte at a time is a reply as well."""
    rack.server.fault = "fragmented"
    rack.io.set_input(0, True)
    until(lambda: rack.guard.sample().closed)
    assert rack.problem() is None


# ---- silence and the end


def test_silence_lets_the_watchdog_act_and_tells_what_the_coupler_did(rack: Rack) -> None:
    """Nothing is sent: the outputs drop by the coupler alone, and are looked at before a write."""
    rack.io.drops_after_s = 0.05
    with Scan(rack.enable):
        until(rack.enabled)
        rack.block.silence(0.15)
        until(lambda: rack.block.outputs_after_silence is not None)
        assert rack.block.outputs_after_silence == (False,) * 8
    assert [change.cause for change in rack.changes()[:2]] == ["written", "watchdog"]


def test_silence_shows_a_coupler_without_a_watchdog(rack: Rack) -> None:
    """The output is still on after the silence: found, not covered up by our own off."""
    with Scan(rack.enable):
        until(rack.enabled)
        rack.block.silence(0.1)
        until(lambda: rack.block.outputs_after_silence is not None)
        seen = rack.block.outputs_after_silence
    assert seen is not None
    assert seen[0] is True
    assert rack.changes()[1].cause == "written"


def test_closing_leaves_every_output_off_and_proves_it(rack: Rack) -> None:
    """Off, read back, connection closed; afterwards everything reads as the dangerous case."""
    rack.enable.refresh(True)
    until(rack.enabled)
    rack.block.close()
    assert rack.block.proved_off
    assert not any(rack.io.terminals)
    assert rack.enable.seen() is None
    assert "closed" in str(rack.problem())
    assert not rack.guard.sample().closed
    assert rack.block.bits() is None
    rack.enable.refresh(True)
    rack.enable.drop()
    rack.block.close()
    assert not any(rack.io.terminals)


def test_closing_a_block_that_hears_nothing_ends_and_proves_nothing(rack: Rack) -> None:
    """Bounded time, no exception, and no claim."""
    rack.server.fault = "half_open"
    begin_s = CLOCK.monotonic()
    rack.block.close()
    assert CLOCK.monotonic() - begin_s < 2.0
    assert not rack.block.proved_off


def test_closing_ends_a_silence(rack: Rack) -> None:
    """A person who breaks off a commissioning has the outputs off at once."""
    rack.enable.refresh(True)
    until(rack.enabled)
    rack.block.silence(10.0)
    rack.block.close()
    assert rack.block.proved_off
    assert not rack.enabled()
