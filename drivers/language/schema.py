"""What an editor's schema of a profile is made from: the two models, and how values are written."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from pydantic import BaseModel

from drivers.language import profile_banks, profile_common, profile_values
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.quantities import UNITS

Validator: TypeAlias = Callable[..., Any]


@dataclass(frozen=True)
class Offer:
    """Models, and by validator function what may be written for it.

    Attributes:
        models: told apart by their key `kind`.
        lists: one item may stand where a list is allowed.
        unchanged: what may be written is what the type says.
        texts: the form of a text and an example.
    """

    models: tuple[type[BaseModel], ...]
    lists: frozenset[Validator]
    unchanged: frozenset[Validator]
    texts: Mapping[Validator, tuple[str, str]]


def offer() -> Offer:
    """The entry point `schema` of the group `ohmward.checkers`."""
    units = "|".join(re.escape(unit) for unit in sorted(UNITS, key=len, reverse=True))
    one = rf"[+-]?[0-9]+(\.[0-9]+)? ?({units})"
    return Offer(
        models=(TesterProfile, MatrixProfile),
        lists=frozenset({profile_common.one_or_more}),
        unchanged=frozenset({profile_values._escapes, profile_values._wire_text}),
        texts={
            profile_values._quantity: (f"^{one}$", "40 mA"),
            profile_values._span: (rf"^{one} \.\. {one}$", "100 V .. 4000 V"),
            profile_banks._whole_span: (r"^[0-9]{1,5} \.\. [0-9]{1,5}$", "1 .. 8"),
        },
    )
