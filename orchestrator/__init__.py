"""ohmward: production electrical-safety tests on many contact points.

The public names, resolved on first use so that importing this package stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from orchestrator.assembly.live import LiveStation, open_station
    from orchestrator.assembly.plan import StationPlan, plan_station, read_plan
    from orchestrator.assembly.planning_limits import planning_limits
    from orchestrator.binding.explain import describe
    from orchestrator.clock import SystemClock, VirtualClock
    from orchestrator.coverage.cover import cover
    from orchestrator.coverage.picture import picture_of
    from orchestrator.coverage.svg import draw
    from orchestrator.documents import Document, build, parse_document, read_document
    from orchestrator.errors import Fault, OhmwardError, Refused, StationBusy
    from orchestrator.model.fixture import Fixture
    from orchestrator.model.program import Program
    from orchestrator.model.record import Reading, RunResult, StepResult
    from orchestrator.model.resolve import read_demands
    from orchestrator.model.schedule import Schedule
    from orchestrator.model.station import Station
    from orchestrator.model.words import Measured, Outcome, StepKind
    from orchestrator.planning.planner import plan
    from orchestrator.planning.tester import TesterLimits
    from orchestrator.planning.writing import program_of, program_text
    from orchestrator.running.rack import Notice

_HOMES = {
    "orchestrator.assembly.live": ("LiveStation", "open_station"),
    "orchestrator.assembly.plan": ("StationPlan", "plan_station", "read_plan"),
    "orchestrator.assembly.planning_limits": ("planning_limits",),
    "orchestrator.binding.explain": ("describe",),
    "orchestrator.clock": ("SystemClock", "VirtualClock"),
    "orchestrator.coverage.cover": ("cover",),
    "orchestrator.coverage.picture": ("picture_of",),
    "orchestrator.coverage.svg": ("draw",),
    "orchestrator.documents": ("Document", "build", "parse_document", "read_document"),
    "orchestrator.errors": ("Fault", "OhmwardError", "Refused", "StationBusy"),
    "orchestrator.model.fixture": ("Fixture",),
    "orchestrator.model.program": ("Program",),
    "orchestrator.model.record": ("Reading", "RunResult", "StepResult"),
    "orchestrator.model.resolve": ("read_demands",),
    "orchestrator.model.schedule": ("Schedule",),
    "orchestrator.model.station": ("Station",),
    "orchestrator.model.words": ("Measured", "Outcome", "StepKind"),
    "orchestrator.planning.planner": ("plan",),
    "orchestrator.planning.tester": ("TesterLimits",),
    "orchestrator.planning.writing": ("program_of", "program_text"),
    "orchestrator.running.rack": ("Notice",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Document",
    "Fault",
    "Fixture",
    "LiveStation",
    "Measured",
    "Notice",
    "OhmwardError",
    "Outcome",
    "Program",
    "Reading",
    "Refused",
    "RunResult",
    "Schedule",
    "Station",
    "StationBusy",
    "StationPlan",
    "StepKind",
    "StepResult",
    "SystemClock",
    "TesterLimits",
    "VirtualClock",
    "build",
    "cover",
    "describe",
    "draw",
    "open_station",
    "parse_document",
    "picture_of",
    "plan",
    "plan_station",
    "planning_limits",
    "program_of",
    "program_text",
    "read_demands",
    "read_document",
    "read_plan",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(home), name)
