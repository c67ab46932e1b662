"""Frozen models of the files, of a bound schedule and of what was recorded."""
