"""From station entries to adapters: what the entry points of group 'ohmward.drivers' name."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import load_matrix, load_tester
from drivers.language.switches import address_of
from orchestrator.contract import BuiltChain, BuiltTester, RelayMatrix
from orchestrator.errors import Fault, Refused

if TYPE_CHECKING:
    from drivers.language.profile_matrix import MatrixProfile
    from orchestrator.model.station import ChainEntry, TesterEntry, UnitEntry
