"""The phases of a run: one table, and from every phase a way to safe."""

from __future__ import annotations

import networkx as nx
import pytest

from orchestrator.running.states import TRANSITIONS, Phase, PhaseError, move


def graph() -> nx.DiGraph:
    return nx.DiGraph((now, then) for now, all_ in TRANSITIONS.items() for then in all_)


def test_every_phase_stands_in_the_table() -> None:
    """A phase without a row could never be left."""
    assert set(TRANSITIONS) == set(Phase)


@pytest.mark.parametrize("phase", [p for p in Phase if p not in (Phase.SAFE, Phase.KEPT)])
def test_safe_off_is_one_move_away_from_every_working_phase(phase: Phase) -> None:
    """An abort needs no detour."""
    assert phase is Phase.SAFE_OFF or move(phase, Phase.SAFE_OFF) is Phase.SAFE_OFF


def test_energised_is_reached_only_through_the_journal() -> None:
    """What was not journaled is never energised."""
    before = set(graph().predecessors(Phase.ENERGISED))
    assert before == {Phase.JOURNALING}


def test_relays_move_only_from_phases_that_are_confirmed_off() -> None:
    """Routing never follows a phase in which an output may be on."""
    before = set(graph().predecessors(Phase.ROUTING))
    assert before == {Phase.READY, Phase.JUDGING}


def test_after_unconfirmed_relays_only_a_new_take_over_leads_on() -> None:
    """KEPT needs first contact again."""
    assert TRANSITIONS[Phase.KEPT] == {Phase.TAKE_OVER}


def test_a_pair_that_is_absent_is_an_error() -> None:
    """No quiet short cuts."""
    with pytest.raises(PhaseError):
        move(Phase.READY, Phase.ENERGISED)
