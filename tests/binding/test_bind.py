"""A program that fits becomes a schedule; one that doesn't is refused with every fault at once."""

from __future__ import annotations

from decimal import Decimal

from orchestrator.binding.explain import describe
from orchestrator.model.schedule import Contact
from orchestrator.model.words import Role

from helpers import BOND, CONTACT, HIPOT, INSULATE, Bench, changed
