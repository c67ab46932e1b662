"""Every contract on every subject that is installed or named; see the package's docstring."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from orchestrator.conformance.inputs import InputBlockContract
from orchestrator.conformance.link import LinkContract
from orchestrator.conformance.matrix import RelayMatrixContract
from orchestrator.conformance.outputs import OutputBlockContract
from orchestrator.conformance.store import RunStoreContract
from orchestrator.conformance.subjects import (
    InputSubject,
    LinkSubject,
    MatrixSubject,
    OutputSubject,
    StoreSubject,
    Subject,
    TesterSubject,
)
from orchestrator.conformance.tester import SafetyTesterContract


class FromOutside:
    """Takes the subject's class from conftest.py in place of ``make``."""

    @pytest.fixture
    def subject(self, subject_class: type[Subject]) -> Iterator[Any]:
        """Made without arguments, closed after the rule."""
        made = subject_class()
        try:
            yield made
        finally:
            made.close()


class TestSafetyTester(FromOutside, SafetyTesterContract):
    """Testers."""

    subject_type = TesterSubject


class TestRelayMatrix(FromOutside, RelayMatrixContract):
    """Chains of relay units."""

    subject_type = MatrixSubject


class TestLink(FromOutside, LinkContract):
    """Links."""

    subject_type = LinkSubject


class TestInputBlock(FromOutside, InputBlockContract):
    """Interlock inputs."""

    subject_type = InputSubject


class TestOutputBlock(FromOutside, OutputBlockContract):
    """Outputs."""

    subject_type = OutputSubject


class TestRunStore(FromOutside, RunStoreContract):
    """Journals."""

    subject_type = StoreSubject
