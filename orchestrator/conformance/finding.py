"""Finds the subjects: by entry point, or by the name that was given."""

from __future__ import annotations

from collections.abc import Iterable
from importlib import import_module
from importlib.metadata import entry_points

from orchestrator.conformance.subjects import Subject

GROUP = "ohmward.conformance"


class NoSubject(LookupError):
    """What was named is no subject; the message says what to do."""


def find_subjects(names: Iterable[str] | None = None) -> dict[str, type[Subject]]:
    """Name → class of each subject. Raises NoSubject."""
    installed = {point.name: point for point in entry_points(group=GROUP)}
    found: dict[str, type[Subject]] = {}
    for name in installed if names is None else names:
        if ":" in name:
            module, _, attribute = name.partition(":")
            thing: object = getattr(import_module(module), attribute, None)
        elif name in installed:
            thing = installed[name].load()
        else:
            known = ", ".join(sorted(installed)) or "none"
            raise NoSubject(
                f"subject {name!r}: found no entry point of that name in group {GROUP}, "
                f"expected one of those installed ({known}) or package.module:Class; "
                "correct the name or install the package"
            )
        if not (isinstance(thing, type) and issubclass(thing, Subject)):
            raise NoSubject(
                f"subject {name!r}: found {thing!r}, expected a class derived from TesterSubject "
                "or another subject of orchestrator.conformance; name such a class"
            )
        found[name] = thing
    return found
