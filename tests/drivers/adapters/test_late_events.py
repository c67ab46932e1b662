"""Events that show the counter of the run before come late; what they say isn't this run's."""

from __future__ import annotations

import pytest

from drivers.adapters.tester_state import Watch
from drivers.language.profile_tester import Event
from orchestrator.model.words import TesterState


def told(watch: Watch, counter: int, *means: str) -> None:
    event = Event.model_validate({"line": "!X,{counter:d}", "means": list(means)})
    watch.tell(event, {"counter": counter}, b"!X")


def test_a_late_event_is_neither_state_nor_result() -> None:
    """Run 3 stood before the start; its end says nothing about run 4."""
    watch = Watch()
    watch.start(3)
    told(watch, 3, "result", "complete")
    assert watch.results == []
    assert not watch.complete
    assert watch.state is TesterState.UNKNOWN
    told(watch, 4, "result", "complete")
    assert len(watch.results) == 1
    assert watch.complete


def test_without_a_counter_before_the_start_every_event_counts() -> None:
    """As with instruments that have none."""
    watch = Watch()
    watch.start()
    told(watch, 3, "dwelling")
    assert watch.state is TesterState.DWELLING


@pytest.mark.parametrize("stopped", [True, False])
def test_safe_holds_whatever_the_counter_and_only_after_a_stop(stopped: bool) -> None:
    """A start that was refused counts nothing: the stop is answered with the old number."""
    watch = Watch()
    watch.start(3)
    if stopped:
        watch.stop()
    told(watch, 3, "safe")
    assert watch.safe is stopped


def test_an_interlock_that_opens_is_heard_whatever_the_counter() -> None:
    """The dangerous side."""
    watch = Watch()
    watch.start(3)
    told(watch, 3, "interlock_open")
    assert watch.opened
