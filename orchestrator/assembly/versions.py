"""Which ohmward this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def software_version() -> str:
    """The installed version, for the record."""
    try:
        return version("ohmward")
    except PackageNotFoundError:
        return "not installed"
