"""Simulated instruments on a simulated bench, written from the prose descriptions alone.

Nothing here reads a profile: whatever profile and simulator agree on was understood twice.
"""
