"""What every test shares: the option for real instruments, and calm property tests."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

# Two shared cores: a deadline per example would fail for load, not for a defect.
settings.register_profile(
    "default", deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", parent=settings.get_profile("default"), max_examples=2000)
settings.load_profile(os.environ.get("OHMWARD_PROPERTY_PROFILE", "default"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--hardware", action="store_true", help="also run the tests that need a real instrument"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--hardware"):
        return
    skip = pytest.mark.skip(reason="needs a real instrument: run with --hardware")
    for item in items:
        if "hardware" in item.keywords:
            item.add_marker(skip)
