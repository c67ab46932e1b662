"""What a tester's adapter promises before a byte is sent: abilities, stop bytes, quantising."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from orchestrator.conformance.base import PROPERTY, Contract
from orchestrator.conformance.demands import Broken, demand
from orchestrator.conformance.subjects import TesterSubject
from orchestrator.contract import CannotCarry, SafetyTester
from orchestrator.model.abilities import Abilities, KindAbility, Span
from orchestrator.model.schedule import StepOrder
from orchestrator.model.words import DischargeGrade, Edge, StepKind


class TesterOnPaper(Contract[TesterSubject]):
    """Rules that need no instrument."""

    def test_the_stop_is_ready_before_anything_else(self, subject: TesterSubject) -> None:
        """A stop may be due at any moment, and nobody can wait for it to be worked out."""
        stop = subject.tester.stop_bytes
        demand(
            bool(stop) and all(stop),
            "stop_bytes holds at least one message, ready from the beginning",
            stop,
        )
        demand(subject.tester.stop_bytes == stop, "stop_bytes stays the same", stop)

    def test_the_abilities_agree_with_each_other(self, subject: TesterSubject) -> None:
        """Binding believes them: what contradicts itself would be planned with."""
        faults = tuple(contradictions(subject.tester.abilities))
        demand(not faults, "abilities agree with each other", faults)

    def test_quantising_is_pure(self, subject: TesterSubject) -> None:
        """The same order gives the same answer and is left alone; what the wire carries already
        isn't changed again."""
        for order in subject.orders():
            before = replace(order)
            once = subject.tester.quantise(order)
            demand(order == before, "quantise leaves the order it is given alone", order)
            demand(subject.tester.quantise(order) == once, "the same order quantises alike", once)
            again = subject.tester.quantise(once)
            demand(again == once, "a quantised order stays as it is", again)

    def test_quantising_never_tests_less_than_was_asked(self, subject: TesterSubject) -> None:
        """Level and dwell are never below, limits only tighter: a unit that passes must have stood
        what the program says."""
        for order in subject.orders():
            never_less(subject.tester, order)

    def test_a_level_out_of_range_is_refused_by_name(self, subject: TesterSubject) -> None:
        """Never cut to the range silently; the user reads which field was at fault."""
        for order in subject.orders():
            most = subject.tester.abilities.kinds[order.kind].level.most
            for level in (most * 2, most * 1_000_000):
                refused = refusal(subject.tester, replace(order, level=level))
                field = None if refused is None else refused.field
                demand(
                    field == "level", "a level out of range raises CannotCarry on 'level'", field
                )
                told = refused and (refused.found, refused.expected, refused.remedy)
                demand(all(told or ()), "CannotCarry says found, expected and remedy", told)

    def test_a_kind_it_cannot_do_is_refused_by_name(self, subject: TesterSubject) -> None:
        """A step of another kind raises CannotCarry on 'kind' and nothing else."""
        for kind in set(StepKind) - set(subject.tester.abilities.kinds):
            refused = refusal(subject.tester, replace(subject.order(), kind=kind))
            field = None if refused is None else refused.field
            demand(field == "kind", "a kind it can't do raises CannotCarry on 'kind'", field)

    def test_a_dwell_without_end_is_refused(self, subject: TesterSubject) -> None:
        """What means 'until stopped' on the wire is never sent."""
        for order in subject.orders():
            ability = subject.tester.abilities.kinds[order.kind]
            for dwell in (ability.dwell.most * 1000, ability.indefinite_dwell_s):
                if dwell is not None:
                    refused = refusal(subject.tester, replace(order, dwell=dwell))
                    field = None if refused is None else refused.field
                    demand(
                        field == "dwell",
                        "a dwell that can't be carried raises CannotCarry on 'dwell'",
                        (dwell, field),
                    )


def never_less(tester: SafetyTester, asked: StepOrder) -> None:
    """Raise Broken where some order like this one is carried as less than was asked."""

    @PROPERTY
    @given(
        level=_within(tester.abilities.kinds[asked.kind].level),
        stretch=st.decimals("1", "1.1", places=7),
    )
    def holds(level: Decimal, stretch: Decimal) -> None:
        limits = tuple(replace(one, value=one.value * stretch) for one in asked.limits)
        order = replace(asked, level=level, dwell=asked.dwell * stretch, limits=limits)
        try:
            carried = tester.quantise(order)
        except CannotCarry:
            return  # refused is never less
        demand_no_less(order, carried)

    holds()
    carried = tester.quantise(asked)  # not all may be refused
    demand_no_less(asked, carried)


def refusal(tester: SafetyTester, order: StepOrder) -> CannotCarry | None:
    """The CannotCarry that an order meets, None if it is carried. Anything else is Broken."""
    try:
        tester.quantise(order)
    except CannotCarry as refused:
        return refused
    except Exception as error:
        raise Broken(f"quantise raises CannotCarry and nothing else; found {error!r}") from error
    return None


def demand_no_less(asked: StepOrder, carried: StepOrder) -> None:
    """Raise Broken where the carried order stresses less or judges less strictly."""
    same = (asked.kind, asked.waveform, asked.frequency) == (
        carried.kind,
        carried.waveform,
        carried.frequency,
    )
    demand(same, "quantise keeps kind, waveform and frequency", carried)
    demand(carried.level >= asked.level, "a level is never rounded down", carried)
    demand(carried.dwell >= asked.dwell, "a dwell is never rounded down", carried)
    demand(
        carried.limits_during_rise == asked.limits_during_rise,
        "limits during the rise stay as asked",
        carried,
    )
    for limit in asked.limits:
        value = carried.limit(limit.quantity, limit.edge)
        demand(value is not None, "no limit gets lost", limit)
        if value is not None:
            tight = value <= limit.value if limit.edge is Edge.AT_MOST else value >= limit.value
            demand(tight, "a limit only gets tighter", (limit, value))


def contradictions(abilities: Abilities) -> Iterator[str]:
    """Where abilities contradict each other."""
    if not abilities.name:
        yield "no name"
    if not abilities.kinds:
        yield "no kind of step"
    if abilities.slots < 1:
        yield f"{abilities.slots} slots"
    if abilities.poll_s <= 0 or abilities.off_within_s <= 0 or abilities.start_lag_s < 0:
        yield "a time that isn't positive"
    if abilities.keep_alive_s is not None and abilities.keep_alive_s <= 0:
        yield f"keep_alive every {abilities.keep_alive_s} s"
    if abilities.off_proof == "none" and abilities.discharge is not DischargeGrade.NONE:
        yield "evidence of discharge without any of 'off'"
    if abilities.off_proof == "voltage" and abilities.discharge is not DischargeGrade.VOLTAGE:
        yield "'off' by a measured voltage, discharge by something else"
    for kind, ability in abilities.kinds.items():
        yield from (f"{kind}: {text}" for text in _contradictions(kind, ability, abilities))


def _contradictions(kind: StepKind, ability: KindAbility, abilities: Abilities) -> Iterator[str]:
    if ability.kind is not kind:
        yield f"filed as {kind}, says {ability.kind}"
    if not ability.waveforms:
        yield "no waveform"
    spans = {"level": ability.level, "dwell": ability.dwell}
    settable = {"rise": ability.rise, "fall": ability.fall, "flash_over": ability.flash_over}
    spans |= {name: span for name, span in settable.items() if span is not None}
    spans |= {f"{quantity} {edge}": span for (quantity, edge), span in ability.limits.items()}
    for name, span in spans.items():
        if not 0 <= span.least <= span.most or (span.resolution or Decimal(1)) <= 0:
            yield f"{name} from {span.least} to {span.most}, step {span.resolution}"
    if ability.level.most <= 0:
        yield "no level above 0"
    ends = ability.terminals
    used = [ends.source, ends.return_]
    if ends.sense != "none":
        used += [end or "" for end in (ends.sense_source, ends.sense_return)]
    for terminal in used:
        if terminal not in abilities.terminals:
            yield f"terminal {terminal!r}, which the tester doesn't list"
    if not ability.readings:
        yield "no reading"


def _within(span: Span) -> st.SearchStrategy[Decimal]:
    return st.decimals(span.least, span.most, places=6, allow_nan=False, allow_infinity=False)
