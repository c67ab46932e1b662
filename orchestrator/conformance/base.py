"""What the contracts share: making a subject afresh for each rule."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Generic, TypeVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st

from orchestrator.conformance.subjects import Subject

S = TypeVar("S", bound=Subject)

PROPERTY = settings(
    max_examples=40,
    deadline=None,
    database=None,
    derandomize=True,
    phases=(Phase.generate,),
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)
"""The same examples every time: a driver's conformance must not depend on luck. They are small
from the beginning, so no time is spent on shrinking."""

GARBAGE = st.binary(min_size=1, max_size=64)


class Contract(Generic[S]):
    """Rules as test methods; a subclass says in ``make`` on what they are tried."""

    def make(self) -> S:
        """The subject, fresh."""
        raise NotImplementedError(f"{type(self).__name__} doesn't say how its subject is made")

    @pytest.fixture
    def subject(self) -> Iterator[S]:
        """The subject, closed after the rule."""
        made = self.make()
        try:
            yield made
        finally:
            made.close()
