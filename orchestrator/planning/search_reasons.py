"""Why a search can't split a group any further."""

from __future__ import annotations

import numpy as np

from orchestrator.planning.ground import Ground
from orchestrator.planning.search_answers import EXPOSED, HELD, JOINED, UNPROVED
from orchestrator.planning.search_knowledge import Known
from orchestrator.planning.sides_for_search import Arranger, Wish
from orchestrator.planning.sorts import Bools, Ints


def why_inseparable(
    ground: Ground, known: Known, left: Ints, bodies: Ints, failing: Bools, *, found: bool
) -> str:
    """Which of the constraints it is: the first without which some test would split the group.

    ``left``: exposures. ``bodies``: with the nets of pairs that were found joined. ``found``:
    whether any was.
    """
    count = int(failing.sum()) // 2
    none = np.zeros_like(failing)
    unknown = ~(known.cleared | failing | known.bad)
    forbidden, spent = ~ground.may_oppose, left < 1
    causes: list[tuple[str, Bools, Ints]] = [
        (UNPROVED, forbidden | known.bad | spent, bodies),
        (EXPOSED, forbidden | known.bad | unknown, bodies),
        (EXPOSED, forbidden | known.bad, bodies),
    ]
    if found:
        causes.append((JOINED, forbidden, ground.bodies))
    for reason, conflict, moved_as_one in causes:
        wish = Wish(failing, conflict, none, 1, max(1, count - 1), count > 1)
        if Arranger(moved_as_one, ground.may_float).arrange(wish) is not None:
            return reason
    return HELD
