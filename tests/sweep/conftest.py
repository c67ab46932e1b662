"""Shipped profiles are read once for all the stations of the sweep."""

from tests.faults.fixtures import profiles_read_once

__all__ = ["profiles_read_once"]
