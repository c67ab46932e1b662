"""How often a value counts that is declared for each pair of nets."""

from __future__ import annotations

from orchestrator.model.demands import Grouping, Origin
from orchestrator.model.product_nets import Nets


def many_times(pairs: Grouping, origin: Origin, nets: Nets) -> tuple[str, ...]:
    """A word where the other side of a pair is several nets that the product joins: a capacitor to
    earth counts for earth and for each accessible part then, which is seldom meant."""
    joined: dict[int, list[int]] = {}
    for net in pairs.group_of:
        joined.setdefault(nets.body_of[net], []).append(net)
    for body in joined.values():
        if len(body) > 1:
            names = ", ".join(nets.nets[net].name for net in body[:4])
            names += " …" if len(body) > 4 else ""
            told = (
                f"{origin.what} ({origin.at}) counts for each pair of nets, so {len(body)} times "
                f"towards {names}, which are joined: write counts: together if it is one part, "
                "or counts: each_pair if it is meant"
            )
            return (told,)
    return ()
