"""The shipped profiles' adapters keep the contracts, on their simulated instruments."""

from __future__ import annotations

from drivers import subjects
from orchestrator.conformance import (
    MatrixSubject,
    RelayMatrixContract,
    SafetyTesterContract,
    TesterSubject,
)


class TestOrrin(SafetyTesterContract):
    def make(self) -> TesterSubject:
        return subjects.OrrinSubject()


class TestPell(SafetyTesterContract):
    def make(self) -> TesterSubject:
        return subjects.PellSubject()


class TestStave(SafetyTesterContract):
    def make(self) -> TesterSubject:
        return subjects.StaveSubject()


class TestLattice(RelayMatrixContract):
    def make(self) -> MatrixSubject:
        return subjects.LatticeSubject()


class TestComb(RelayMatrixContract):
    def make(self) -> MatrixSubject:
        return subjects.CombSubject()


class TestSprig(RelayMatrixContract):
    def make(self) -> MatrixSubject:
        return subjects.SprigSubject()
