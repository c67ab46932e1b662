"""How long a step lasts in all: an estimate, not a promise."""

from __future__ import annotations

EXCHANGES_S = 0.3
"""Setting up, start, looks, result and relay messages of one step: assumed. Some fifteen
exchanges of 20 ms (common practice, no source; a slow serial line takes longer)."""

DISCHARGE_S = 0.5
"""What a tester takes to discharge after DC where nothing says it: assumed (no source)."""


def around_s(settle_s: float, discharge_s: float, exchanges_s: float = EXCHANGES_S) -> float:
    """Time (s) of a step beside rise, dwell and fall: relays close and open, each with its time to
    come to rest; the output discharges; messages go to and fro."""
    return 2 * settle_s + discharge_s + exchanges_s
