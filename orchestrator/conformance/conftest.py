"""Gives each contract the subjects of its kind."""

from __future__ import annotations

import pytest

from orchestrator.conformance.finding import NoSubject, find_subjects


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """One round of a contract per subject. No subject at all is an error: nothing was shown."""
    base = getattr(metafunc.cls, "subject_type", None)
    if base is None or "subject_class" not in metafunc.fixturenames:
        return
    try:
        found = find_subjects(metafunc.config.getoption("--subject", default=None))
    except NoSubject as error:
        raise pytest.UsageError(str(error)) from error
    if not found:
        raise pytest.UsageError(
            "found no subject of a contract, expected one at least: install a package with an "
            "entry point in group ohmward.conformance, or name a class with "
            "-p orchestrator.conformance.plugin --subject package.module:Class"
        )
    fitting = {name: made for name, made in found.items() if issubclass(made, base)}
    metafunc.parametrize("subject_class", list(fitting.values()), ids=list(fitting))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """A contract without a subject of its kind drops out."""
    empty = [item for item in items if not _has_subject(item)]
    if empty:
        config.hook.pytest_deselected(items=empty)
        items[:] = [item for item in items if item not in empty]


def _has_subject(item: pytest.Item) -> bool:
    call = getattr(item, "callspec", None)
    return call is None or isinstance(call.params.get("subject_class", object), type)
