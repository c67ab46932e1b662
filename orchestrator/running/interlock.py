"""The interlock as seen here: every input closed and fresh, or it is open.

Supervision only; the hard-wired interlock is the safety function. Pure: samples and times in,
a reason or nothing out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from orchestrator.contract import Sample

CLOCK_GRAIN_S = 0.001
"""A sample may seem so much younger than now; more is a time that isn't ours."""


class Trip(Exception):
    """An output had to be stopped. ``reason`` and ``remedy`` for the user."""

    def __init__(
        self, reason: str, remedy: str = "close the guard, find out why, run again"
    ) -> None:
        super().__init__(reason)
        self.reason, self.remedy = reason, remedy


class RunCancelled(Trip):
    """Somebody ended the run (Ctrl-C, SIGTERM, a call from Python)."""


@dataclass
class Interlock:
    """All interlock inputs of a station. ``stale_s``: by input, how old a sample may be."""

    stale_s: Mapping[str, float]

    def __post_init__(self) -> None:
        self._samples: dict[str, Sample] = {}

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names, in order."""
        return tuple(self.stale_s)

    def note(self, name: str, sample: Sample) -> None:
        """Take in a sample."""
        self._samples[name] = sample

    def problem(self, now_s: float) -> str | None:
        """Why the interlock counts as open now, or ``None``."""
        for name, stale_s in self.stale_s.items():
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
