"""The contract of ``InputBlock``."""

from __future__ import annotations

from orchestrator.clock import Clock
from orchestrator.conformance.base import Contract
from orchestrator.conformance.demands import Broken, demand
from orchestrator.conformance.subjects import InputSubject
from orchestrator.contract import Sample

QUICK_S = 0.05
SEEN_WITHIN_S = 1.0


class InputBlockContract(Contract[InputSubject]):
    """Every rule of an interlock input. Override ``make``."""

    def test_it_has_a_name_and_says_whether_it_is_real(self, subject: InputSubject) -> None:
        """Real testers are refused with inputs that only simulate."""
        block = subject.block
        demand(bool(block.name) and isinstance(block.real, bool), "name and real", block)

    def test_it_follows_what_it_looks_at(self, subject: InputSubject) -> None:
        """Closed is told as closed, open as open, again and again."""
        for closed in (True, False, True, False):
            subject.put(closed)
            demand(settled(subject, closed), f"an input put to {closed} is told so")

    def test_a_sample_carries_the_time_of_its_reading(self, subject: InputSubject) -> None:
        """Old samples count as open; so the time is never that of a later look."""
        subject.put(True)
        settled(subject, True)
        before_s = subject.clock.monotonic()
        for _ in range(20):
            sample = subject.block.sample()
            now_s = subject.clock.monotonic()
            demand(sample.at_s <= now_s, "no sample comes from the future", sample)
            subject.clock.sleep(0.01)
        demand(sample.at_s >= before_s, "what is sampled again is newer", (sample, before_s))

    def test_sampling_is_quick(self, subject: InputSubject) -> None:
        """Every scan samples: the middle of 50 samples takes well under its 10 ms."""
        took: list[float] = []
        for _ in range(50):
            began_s = subject.clock.monotonic()
            subject.block.sample()
            took.append(subject.clock.monotonic() - began_s)
        middle_s = sorted(took)[25]
        demand(middle_s < 0.01, "sampling is quick", middle_s)

    def test_what_can_t_be_read_is_open(self, subject: InputSubject) -> None:
        """It never raises, and silence is the dangerous case: open, or too old to count."""
        subject.put(True)
        settled(subject, True)
        subject.make_unreadable()
        broken_at_s = subject.clock.monotonic()
        subject.clock.sleep(SEEN_WITHIN_S)
        sample = look(subject)
        demand(
            not sample.closed or sample.at_s <= broken_at_s + QUICK_S,
            "an input that can't be read isn't told as closed now",
            sample,
        )


def look(subject: InputSubject) -> Sample:
    """One sample. Raises Broken where sampling raises."""
    try:
        return subject.block.sample()
    except Exception as error:
        raise Broken(f"sample never raises; found {error!r}") from error


def settled(subject: InputSubject, closed: bool) -> bool:
    """Whether the input tells this within a second."""
    clock: Clock = subject.clock
    until_s = clock.monotonic() + SEEN_WITHIN_S
    while look(subject).closed is not closed:
        if clock.monotonic() > until_s:
            return False
        clock.sleep(0.01)
    return True
