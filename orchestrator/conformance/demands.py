"""How a contract says that it is broken. Raises, so that ``python -O`` can't silence it."""

from __future__ import annotations

from typing import NoReturn

import pytest


class Broken(AssertionError):
    """The subject breaks a rule of its contract; the message is the rule and what was found."""


def demand(kept: bool, rule: str, found: object = "") -> None:
    """Raise Broken unless the rule was kept."""
    __tracebackhide__ = True
    if not kept:
        raise Broken(rule if found == "" else f"{rule}; found {found!r}")


def not_offered(what: str) -> NoReturn:
    """Skip a rule that the subject has no means to be tried on; the report says which."""
    __tracebackhide__ = True
    pytest.skip(f"this subject doesn't offer {what}")
