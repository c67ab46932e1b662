"""The electrical core that all simulated testers share: one output, one test at a time.

Rise, dwell, fall and discharge run on the bench's timers; currents and resistances come from the
bench's circuit as its contacts are at that moment.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from drivers.simulators.meter import Meter, judge
from drivers.simulators.output_models import (
    Kind,
    Order,
    Outcome,
    OutputFaults,
    Phase,
    Reading,
    Traits,
    Verdict,
)

if TYPE_CHECKING:
    from drivers.simulators.bench import Bench
    from drivers.simulators.timers import Timer

RISE_STEPS = 40
OWN_CAPACITANCE_F = 1e-9
"""Of the output stage and its leads: what discharges even where nothing is connected."""


class Output:
    """The output of one tester.

    Args:
        bench: it hangs on.
        tester: name of the instrument, as its terminals are wired on the bench.
        traits: from the tester's prose.
        ended: called with the outcome when the test is over and discharged.
        phase_changed: called after every change of phase.
    """

    def __init__(
        self,
        bench: Bench,
        tester: str,
        traits: Traits,
        ended: Callable[[Outcome], None],
        phase_changed: Callable[[], None] = lambda: None,
    ) -> None:
        self.bench = bench
        self.tester = tester
        self.traits = traits
        self.faults = OutputFaults()
        self.phase = Phase.OFF
        self.phase_since_s = bench.now_s
        self.starts = 0
        self.order: Order | None = None
        self._meter = Meter(bench, tester, traits)
        self._ended = ended
        self._phase_changed = phase_changed
        self._shown: tuple[Phase, float] | None = None
        self._timer: Timer | None = None
        self._verdict: Verdict | None = None
        self._final = Reading()
        self._highest = 0.0
        self._lowest: float | None = None
        self._dwell_s = 0.0
        self._fall_from = 0.0
        self._residual = (0.0, bench.now_s, 1.0)
        bench.attach_output(self)

    # ---- looks

    @property
    def on(self) -> bool:
        """Energised by its own source."""
        return self.phase in {Phase.RISE, Phase.HOLD, Phase.FALL}

    @property
    def running(self) -> bool:
        """A test is on, its discharge included."""
        return self.phase is not Phase.OFF

    @property
    def shown_phase(self) -> Phase:
        """The phase as the instrument's status shows it; lags the start where the fault says so."""
        if self._shown is not None and self.bench.now_s < self._shown[1] and self.on:
            return self._shown[0]
        return self.phase

    @property
    def seconds_in_phase(self) -> float:
        return self.bench.now_s - self.phase_since_s

    @property
    def frequency_hz(self) -> float:
        return 0.0 if self.order is None else self.order.test_hz

    @property
    def nodes(self) -> tuple[str, str]:
        """Source and return node of the test in work (or the last one)."""
        kind = Kind.STAND_AC if self.order is None else self.order.kind
        return self._meter.nodes(kind)

    def reading(self) -> Reading:
        """What is measured now; all zero while off."""
        return self._measure(self._level()) if self.on else Reading()

    def final_reading(self) -> Reading:
        """The reading at the end of the dwell or when the test was cut off."""
        return self._final

    def voltage(self) -> tuple[float, float]:
        """(AC rms, DC) between the terminals now, residual charge included, in V."""
        if not self.on:
            fed_ac_v, fed_dc_v = self.bench.voltage_fed_to(self)
            return fed_ac_v, max(fed_dc_v, self.residual_v())
        order = self._ordered()
        if not order.kind.high_voltage:
            drop_v = self._meter.drop_v(order, self._level())
            return (drop_v, 0.0) if order.kind.ac else (0.0, drop_v)
        level_v = self._level()
        return (level_v, 0.0) if order.kind.ac else (0.0, level_v)

    def residual_v(self) -> float:
        """DC left on the terminals after switching off, plus what is fed back from outside."""
        start_v, since_s, tau_s = self._residual
        return start_v * math.exp(-(self.bench.now_s - since_s) / tau_s)

    # ---- control

    def start(self, order: Order) -> None:
        """Energise. The caller has checked that it may."""
        before = self.phase
        self.order = order
        self.starts += 1
        self._verdict, self._final = None, Reading()
        self._highest, self._lowest, self._dwell_s = 0.0, None, 0.0
        if self.faults.start_lag_s > 0:
            self._shown = (before, self.bench.now_s + self.faults.start_lag_s)
        self._enter(Phase.RISE)
        self.bench.output_started(self)
        self._rise_step(1)

    def halt(self, verdict: Verdict) -> None:
        """Off at once; keeps an earlier verdict; does nothing when not energised."""
        self._shown = None
        if self.on:
            if self.phase is not Phase.FALL:
                self._cut_off(verdict)
            else:
                self._switch_off(verdict)

    def power_lost(self) -> None:
        """Off at once, nothing remembered; the charge goes on draining."""
        if self.on:
            self._switch_off(Verdict.HALTED)
        self._forget_timer()
        self._shown = None
        self._enter(Phase.OFF)

    def reassess(self) -> None:
        """Told by the bench that contacts or parts have changed."""
        if self.on:
            self._check_ratings()
            self._watch()
        elif self.phase is Phase.BLEED:
            self._plan_discharge(self.residual_v())

    def release_discharge(self) -> None:
        """End a hanging discharge (the fault 'stuck_discharge')."""
        self.faults.stuck_discharge = False
        if self.phase is Phase.BLEED:
            self._plan_discharge(self.residual_v())

    # ---- rise, dwell, fall

    def _rise_step(self, number: int) -> None:
        rise_s = self._ordered().rise_s

        def step() -> None:
            self._timer = None
            if number < RISE_STEPS:
                if self._watch():
                    self._rise_step(number + 1)
            else:
                self._rise_done()

        self._timer = self.bench.after(rise_s / RISE_STEPS, step)

    def _rise_done(self) -> None:
        order = self._ordered()
        level = self._level()
        self._highest = max(self._highest, level)
        self._enter(Phase.HOLD)
        self._check_ratings()
        if order.dwell_s > 0:
            dwell_s = order.dwell_s * self.faults.dwell_factor
            self._timer = self.bench.after(dwell_s, self._dwell_done)
        self._watch()

    def _dwell_done(self) -> None:
        self._timer = None
        order = self._ordered()
        if not self._watch():
            return
        reading = self._measure(self._level())
        self._final, self._dwell_s = reading, self.seconds_in_phase
        self._verdict = judge(order, reading)
        if order.fall_s > 0 and self._verdict is Verdict.PASS:
            self._fall_from = self._level()
            self._enter(Phase.FALL)
            self._timer = self.bench.after(order.fall_s, lambda: self._switch_off(Verdict.PASS))
        else:
            self._switch_off(self._verdict)

    def _watch(self) -> bool:
        """Judge what acts at once; False when the test was cut off."""
        order, level = self._ordered(), self._level()
        reading = self._measure(level)
        self._highest = max(self._highest, level)
        if self.phase is Phase.HOLD:
            self._lowest = level if self._lowest is None else min(self._lowest, level)
        verdict = self._broken_limit(order, reading)
        if verdict is not None:
            self._cut_off(verdict, reading)
            return False
        return True

    def _broken_limit(self, order: Order, reading: Reading) -> Verdict | None:
        if order.kind.withstand:
            total = reading.total_a or 0.0
            step = total if reading.broken_down else 0.0
            acting = self.phase in {Phase.RISE, Phase.HOLD}
            if acting and order.flash_a is not None and step * math.sqrt(2.0) > order.flash_a:
                return Verdict.FLASH
            trip_a = self.traits.trip_ac_a if order.kind.ac else self.traits.trip_dc_a
            if total > trip_a:
                return Verdict.BREAKDOWN
            upper_acts = self.phase is Phase.HOLD or (
                self.phase is Phase.RISE and order.upper_in_rise
            )
            if upper_acts and order.upper is not None:
                value = reading.in_phase_a if order.upper_in_phase else reading.total_a
                if value is not None and value > order.upper:
                    return Verdict.HIGH
        if self.phase is Phase.HOLD and self._level_lost(order, reading):
            return Verdict.SOURCE
        return None

    def _level_lost(self, order: Order, reading: Reading) -> bool:
        if self.faults.blind_to_level or reading.open_lead:
            return False
        return reading.level < 0.95 * order.level

    def _cut_off(self, verdict: Verdict, reading: Reading | None = None) -> None:
        level = self._level()
        self._highest = max(self._highest, level)
        self._final = self._measure(level) if reading is None else reading
        if self.phase is Phase.HOLD:
            self._dwell_s = self.seconds_in_phase
        self._check_ratings()
        self._switch_off(verdict)

    def _switch_off(self, verdict: Verdict) -> None:
        self._forget_timer()
        order = self._ordered()
        level = self._level()
        self._verdict = verdict
        peak = math.sqrt(2.0) if order.kind.ac else 1.0
        self._enter(Phase.BLEED)
        self._plan_discharge(level * peak if order.kind.high_voltage else 0.0)

    def _plan_discharge(self, from_v: float) -> None:
        self._forget_timer()
        now_s = self.bench.now_s
        if self.faults.stuck_discharge:
            self._residual = (max(from_v, self.faults.stuck_at_v), now_s, math.inf)
            return
        transfer = self.bench.wiring.transfer(*self.nodes, 0.0)
        farad = OWN_CAPACITANCE_F + transfer.capacitance_f
        siemens = 1 / self.traits.discharge_ohm + max(0.0, transfer.feed_s.real)
        tau_s = farad / siemens
        self._residual = (from_v, now_s, tau_s)
        # U(t) = U0 exp(-t / RC), solved for the time at which the safe level is reached.
        safe_v = self.traits.discharged_v
        wait_s = tau_s * math.log(from_v / safe_v) * 1.000001 if from_v > safe_v else 0.0
        least_s = max(0.0, self.phase_since_s + self.traits.bleed_least_s - now_s)
        self._timer = self.bench.after(max(wait_s, least_s), self._discharged)

    def _discharged(self) -> None:
        self._timer = None
        self._enter(Phase.OFF)
        verdict = Verdict.SOURCE if self._verdict is None else self._verdict
        if self.faults.verdict_override is not None:
            verdict = self.faults.verdict_override
        level = self._highest if self._lowest is None else self._lowest
        order = self._ordered()
        self._ended(Outcome(order, verdict, level, self._final, self._dwell_s))

    # ---- figures

    def _level(self) -> float:
        """The level at this moment: V, or A for bonding and continuity."""
        order = self._ordered()
        target = min(order.level * self.faults.level_factor, self._meter.most(order))
        if self.phase is Phase.RISE:
            return min(1.0, self.seconds_in_phase / order.rise_s) * target
        if self.phase is Phase.HOLD:
            return target
        if self.phase is Phase.FALL:
            return max(0.0, 1.0 - self.seconds_in_phase / order.fall_s) * self._fall_from
        return 0.0

    def _measure(self, level: float) -> Reading:
        return self._meter.measure(self._ordered(), level, rising=self.phase is Phase.RISE)

    def _check_ratings(self) -> None:
        self.bench.check_ratings(self, self._level() if self.on else 0.0)

    def _ordered(self) -> Order:
        if self.order is None:
            raise RuntimeError(f"{self.tester}: no test was ordered")
        return self.order

    def _enter(self, phase: Phase) -> None:
        self.phase = phase
        self.phase_since_s = self.bench.now_s
        self._phase_changed()

    def _forget_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
