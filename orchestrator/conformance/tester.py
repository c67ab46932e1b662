"""The contract of ``SafetyTester``, whole."""

from __future__ import annotations

from orchestrator.conformance.tester_paper import TesterOnPaper
from orchestrator.conformance.tester_runs import TesterRuns
from orchestrator.conformance.tester_talks import TesterTalks


class SafetyTesterContract(TesterOnPaper, TesterTalks, TesterRuns):
    """Every rule of a safety tester. Override ``make``."""
