"""The rig of the fault tests, with shipped profiles read once."""

from tests.faults.fixtures import make_rig, profiles_read_once

__all__ = ["make_rig", "profiles_read_once"]
