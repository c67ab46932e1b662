"""The option ``--subject``, for ``pytest -p orchestrator.conformance.plugin``.

An option can't stand in the conftest.py beside the tests: of a package named with ``--pyargs``
that is read only after the command line was.
"""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Which subjects; without it all that are installed."""
    parser.addoption(
        "--subject",
        action="append",
        metavar="NAME",
        help="subject of ohmward's contracts: an entry point of group ohmward.conformance, or "
        "package.module:Class; may be given several times (default: all entry points)",
    )
