"""The interlock as seen here: every input closed and fresh, or it is open.

Supervision only; the hard-wired interlock is the safety function. Pure: samples and times in,
a reason or nothing out.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from orchestrator.contract import Sample
from orchestrator.model.alarms import AlarmKind

CLOCK_GRAIN_S = 0.001
"""A sample may seem so much younger than now; more is a time that isn't ours."""


class Trip(Exception):
    """An output had to be stopped. ``reason`` and ``remedy`` for the user.

    ``alarm``: what is latched by it, if it struck while an output was on or a run under way.
    """

    alarm: AlarmKind | None = AlarmKind.INTERLOCK_OPENED

    def __init__(
        self,
        reason: str,
        remedy: str = "close the guard, find out why, run again",
        alarm: AlarmKind | None = None,
    ) -> None:
        super().__init__(reason)
        self.reason, self.remedy = reason, remedy
        if alarm is not None:
            self.alarm = alarm


class RunCancelled(Trip):
    """Somebody ended the run (Ctrl-C, SIGTERM, a call from Python)."""

    alarm = None


@dataclass
class Interlock:
    """All interlock inputs of a station.

    Attributes:
        stale_s: by input, how old a sample may be.
        debounce_s: by input, how long a new state must last before it counts (0 if absent).
        emergency_stops: those inputs whose opening is an alarm between runs too.
    """

    stale_s: Mapping[str, float]
    debounce_s: Mapping[str, float] = field(default_factory=dict)
    emergency_stops: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        self._samples: dict[str, Sample] = {}
        self._changing_s: dict[str, float] = {}
        """Input → time of the first sample that says otherwise than what counts."""
        self.opened_s: dict[str, float] = {}
        """Input → when it last opened: the time of the first sample that said so."""

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names, in order."""
        return tuple(self.stale_s)

    def note(self, name: str, sample: Sample) -> None:
        """Take in a sample; one that says otherwise counts once it has lasted."""
        counted = self._samples.get(name)
        closed = counted is not None and counted.closed
        if sample.closed == closed:
            self._changing_s.pop(name, None)
        else:
            since_s = self._changing_s.setdefault(name, sample.at_s)
            if sample.at_s - since_s < self.debounce_s.get(name, 0.0):
                sample = replace(sample, closed=closed)
            else:
                del self._changing_s[name]
                if closed:
                    self.opened_s[name] = since_s
        self._samples[name] = sample

    def stands(self, name: str, now_s: float) -> bool | None:
        """Whether an input is closed, as it was really read; ``None`` where it only counts so."""
        sample = self._samples.get(name)
        if sample is None or not sample.answered or now_s - sample.at_s > self.stale_s[name]:
            return None
        return sample.closed

    def open_stops(self, now_s: float, among: frozenset[str]) -> str | None:
        """Why an emergency stop ``among`` these inputs counts as open, or ``None``."""
        return self.problem(now_s, self.emergency_stops & among)

    @property
    def closing(self) -> bool:
        """Whether an input reads closed, but not yet for its debounce time."""
        return any(not self._samples[name].closed for name in self._changing_s)

    def problem(self, now_s: float, only: Collection[str] | None = None) -> str | None:
        """Why the interlock counts as open now, or ``None``. ``only``: look at these inputs."""
        for name, stale_s in self.stale_s.items():
            if only is not None and name not in only:
                continue
            sample = self._samples.get(name)
            if sample is None:
                return f"interlock input {name!r} has not been read: counts as open"
            if not sample.closed:
                detail = f" ({sample.detail})" if sample.detail else ""
                return f"interlock input {name!r} is open{detail}"
            age_s = now_s - sample.at_s
            if not -CLOCK_GRAIN_S <= age_s <= stale_s:  # nor from the future, nor 'not a number'
                return (
                    f"interlock input {name!r} is stale ({age_s * 1000:.0f} ms old, "
                    f"{stale_s * 1000:.0f} ms allowed): counts as open"
                )
        return None
