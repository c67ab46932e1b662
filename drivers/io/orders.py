"""What the outputs of a block are to be now. Pure: orders and times in, levels out.

An output is on only while somebody keeps saying so: an order lapses, and what was ordered before
the connection was made anew counts no more.
"""

from __future__ import annotations

from dataclasses import dataclass

LAPSE_S = 0.1
"""An order that isn't refreshed for so long is written off, so that a dead scan drops enable."""


@dataclass(slots=True)
class _Order:
    on: bool = False
    at_s: float = float("-inf")
    owed: int = 0
    """Number of the drop whose off has not been confirmed yet; 0: none."""


class Orders:
    """The orders for all outputs of a block. Not thread-safe: the block locks."""

    def __init__(self, outputs: int) -> None:
        self._orders = tuple(_Order() for _ in range(outputs))
        self._drops = 0
        self._since_s = float("-inf")

    def refresh(self, number: int, on: bool, now_s: float) -> None:
        """Order an output, from now on for as long as ``LAPSE_S``."""
        order = self._orders[number]
        order.on, order.at_s = on, now_s

    def drop(self, number: int) -> None:
        """Off; a later order counts only once this off has been confirmed by the block."""
        self._drops += 1
        order = self._orders[number]
        order.on, order.owed = False, self._drops

    def forget(self, now_s: float) -> None:
        """Only orders given after this time count: a connection was made anew."""
        self._since_s = now_s

    def wanted(self, now_s: float) -> tuple[tuple[bool, ...], int]:
        """The levels to write now, and the number to hand to ``confirmed`` afterwards."""
        return tuple(self._is_on(order, now_s) for order in self._orders), self._drops

    def confirmed(self, drops: int) -> None:
        """The levels of ``wanted`` that came with this number were taken by the block."""
        for order in self._orders:
            if order.owed <= drops:
                order.owed = 0

    def _is_on(self, order: _Order, now_s: float) -> bool:
        fresh = order.at_s > self._since_s and now_s - order.at_s <= LAPSE_S
        return order.on and not order.owed and fresh
