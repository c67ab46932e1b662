"""What every test shares: the option for real instruments, and calm property tests."""

from __future__ import annotations

import os

# One thread for linear algebra, before numpy is loaded: more would only wait for two shared cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import HealthCheck, settings

# Two shared cores: a deadline per example would fail for load, not for a defect.
settings.register_profile(
    "default", deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("thorough", parent=settings.get_profile("default"), max_examples=2000)
settings.load_profile(os.environ.get("OHMWARD_PROPERTY_PROFILE", "default"))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--hardware", action="store_true", help="also run the tests that need a real instrument"
    )
    parser.addoption("--soak", action="store_true", help="also run what takes half a minute a test")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    reasons = {"hardware": "needs a real instrument", "soak": "takes long"}
    for word, reason in reasons.items():
        if config.getoption(f"--{word}"):
            continue
        skip = pytest.mark.skip(reason=f"{reason}: run with --{word}")
        for item in items:
            if word in item.keywords:
                item.add_marker(skip)
