"""Who answers, and whether it is what the profile describes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drivers.adapters.comparison import is_wanted
from drivers.language.profile_common import Identify
from orchestrator.errors import WrongInstrument
from orchestrator.model.record import Identity


def identity_of(what: str, model: Identify, fields: Mapping[str, Any]) -> Identity:
    """The identity that a reply tells.

    Raises:
        WrongInstrument: it isn't the instrument of the profile.
    """
    for name, text in model.expect.items():
        if not is_wanted(fields.get(name), text):
            found = fields.get(name)
            raise WrongInstrument(f"{what}: {name} is {found!r}, the profile expects {text!r}")
    serial = str(fields.get("serial", ""))
    mark = model.simulated_serial
    return Identity(
        model=str(fields.get("model", model.expect.get("model", ""))),
        serial=serial,
        firmware=str(fields.get("firmware", "")),
        maker=str(fields.get("maker", model.expect.get("maker", ""))),
        simulated=bool(mark) and serial.startswith(str(mark)),  # an empty mark marks nothing
    )
