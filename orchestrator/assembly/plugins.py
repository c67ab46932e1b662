"""Drivers, links, inputs and the bench are found by entry point, ours like anybody else's."""

from __future__ import annotations

from functools import cache
from importlib.metadata import entry_points
from typing import Any

from orchestrator.errors import Fault, Refused

DRIVERS = "ohmward.drivers"
LINKS = "ohmward.links"
INPUTS = "ohmward.inputs"
IO = "ohmward.io"
BENCHES = "ohmward.benches"


@cache
def plugin(group: str, name: str) -> Any:
    """What an installed package offers under this name. Raises Refused where nobody does."""
    found = [point for point in entry_points(group=group) if point.name == name]
    if not found:
        known = sorted(point.name for point in entry_points(group=group))
        raise Refused(
            [
                Fault(
                    what=f"nothing is installed for {name!r} in group {group!r}",
                    found=", ".join(known) or "an empty group",
                    expected=f"a package that offers {name!r}",
                    remedy="install ohmward itself (pip install .) or the driver package",
                )
            ]
        )
    return found[0].load()
