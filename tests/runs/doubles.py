"""An enable output for a rig: what the bench's instruments see in series with the guard."""

from __future__ import annotations

from drivers.simulators.bench import Bench


class BenchEnable:
    """Satisfies `OutputBlock`; ``log`` holds every change with its time."""

    name = "enable"
    real = False

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.on = bench.enabled = False
        self.stuck_on = False
        self.unsure: str | None = None
        self.log: list[tuple[float, bool]] = []
        self.refreshed_s: list[float] = []

    def refresh(self, on: bool) -> None:
        self.refreshed_s.append(self.bench.clock.monotonic())
        self._set(on)

    def drop(self) -> None:
        self._set(False)

    def seen(self) -> bool | None:
        return self.on or self.stuck_on

    def problem(self, now_s: float) -> str | None:
        del now_s
        return self.unsure

    def _set(self, on: bool) -> None:
        if on != self.on:
            self.on = self.bench.enabled = on
            self.log.append((self.bench.clock.monotonic(), on))
