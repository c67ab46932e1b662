"""Coverage in plain words: one sentence for each finding, and the figures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.coverage.report import (
    Afloat,
    Coverage,
    Lead,
    NetPair,
    Overspent,
    PairCover,
    PartCover,
    Reached,
    Stored,
    Stress,
    TooMuch,
)
from orchestrator.coverage.searching import INSULATION
from orchestrator.fault_words import counted
from orchestrator.model.amounts import amps, shown, volts
from orchestrator.model.demands import Highest
from orchestrator.model.words import Waveform
from orchestrator.quantities import Dimension


def findings(found: Coverage) -> tuple[str, ...]:
    """Everything that keeps the program from being complete; empty where it is."""
    return (
        *(line for pairs in found.pairs for line in _open(pairs)),
        *(line for parts in found.parts for line in _missing(parts)),
        *(_short(found, index) for index in range(len(found.shorts))),
        *(_stressed(stress) for stress in found.stresses),
        *(_driven(each) for each in found.too_much),
        *(_afloat(each) for each in found.afloat),
        *(_reached(each) for each in found.reached),
        *(_overspent(each) for each in found.overspent),
        *(_stored(each) for each in found.stored),
        *(
            f"step {each.step} ({each.name}) closes {counted(each.contacts, 'contact')} at once; "
            f"at most {each.allowed} are allowed (allow: relays_at_most)"
            for each in found.crowded
        ),
        *(_lead(lead) for lead in found.leads.unproved),
    )


def figures(found: Coverage) -> tuple[str, ...]:
    """What is covered, by demand; leads; exposures."""
    return (
        *(_figure(pairs) for pairs in found.pairs),
        *(
            f"{each.name} ({each.kind}): {each.wanted - len(each.missing)} of "
            f"{each.wanted} shown{_by(each.steps)}"
            for each in found.parts
        ),
        *_leads(found),
        *_exposed(found),
    )


def headline(found: Coverage) -> str:
    """Complete, or not, and how the level was judged."""
    seen = (
        "levels as they are asked, and up to their ceilings (no station given)"
        if found.station is None
        else f"levels as the wire carries them on {found.station} with {found.fixture}"
    )
    count = len(findings(found))
    word = "complete" if found.complete else f"not complete: {counted(count, 'finding')}"
    return f"program {found.program!r} for product {found.product!r}: {word}; {seen}"


def pair_told(pair: NetPair) -> str:
    """'a – b'."""
    return f"{pair[0]} – {pair[1]}"


def _listed(words: Sequence[str], count: int) -> str:
    more = count - len(words)
    return "; ".join(words) + (f"; and {more} more" if more > 0 else "")


def _near(near: Sequence[str]) -> str:
    return f". Not counted: {_listed(near[:8], len(near))}" if near else ""


def _by(steps: Sequence[int]) -> str:
    if not steps:
        return ""
    shown = ", ".join(map(str, steps[:12])) + (" …" if len(steps) > 12 else "")
    return f" by {'step' if len(steps) == 1 else 'steps'} {shown}"


def _figure(pairs: PairCover) -> str:
    told = f"{pairs.name} ({pairs.kind}, {volts(pairs.level_v)}): "
    told += f"{pairs.covered} of {counted(pairs.pairs, 'pair')} covered{_by(pairs.steps)}"
    if pairs.masked:
        told += f", {pairs.masked} masked"
    return told + (f", {pairs.open} open" if pairs.open else "")


def _open(pairs: PairCover) -> Iterator[str]:
    if pairs.open:
        names = _listed([pair_told(pair) for pair in pairs.open_pairs], pairs.open)
        yield (
            f"{pairs.origin.what} ({pairs.origin.at}): {counted(pairs.open, 'pair')} of "
            f"{pairs.pairs} covered by no step: {names}{_near(pairs.near)}"
        )
    if pairs.masked:
        first = pairs.masked_pairs[0]
        names = _listed([pair_told(each.nets) for each in pairs.masked_pairs], pairs.masked)
        yield (
            f"{pairs.origin.what} ({pairs.origin.at}): {counted(pairs.masked, 'pair')} covered "
            f"in level, masked in limit: {names}. Step {first.step}, {pair_told(first.nets)}: "
            f"{first.why}"
        )


def _missing(parts: PartCover) -> Iterator[str]:
    if parts.missing:
        what = _listed(parts.missing, len(parts.missing))
        near = _near(parts.near)
        yield f"{parts.origin.what} ({parts.origin.at}), shown by no step: {what}{near}"


def _short(found: Coverage, index: int) -> str:
    short = found.shorts[index]
    if short.nets[0] == short.nets[1]:
        told = f"net {short.nets[0]} on both sides"
    else:
        told = f"{pair_told(short.nets)} on opposite sides, which the product joins"
    return f"step {short.step} ({short.name}, {short.at}) has {told}: it covers nothing"


def _form(waveform: Waveform) -> str:
    return "AC" if waveform is Waveform.AC else "DC"


def _by_whom(each: Stress | Reached | Afloat | Stored) -> str:
    told = f"step {each.step} ({each.name})"
    return f"a search after {told}" if each.search else told


def _held(first: Sequence[tuple[NetPair, Highest]], waveform: Waveform, pairs: int) -> str:
    names = [
        f"{pair_told(pair)} may see {volts(held.of(waveform))} ({held.why}"
        + "".join(f", {origin.at}" for origin in held.origins[:1])
        + ")"
        for pair, held in first
    ]
    return _listed(names, pairs)


def _stressed(stress: Stress) -> str:
    form = _form(stress.waveform)
    does = "may stress" if stress.search else "stresses"
    return (
        f"{_by_whom(stress)} {does} {counted(stress.pairs, 'pair')} with up to "
        f"{volts(stress.most_v)} {form}, more than allowed: "
        f"{_held(stress.first, stress.waveform, stress.pairs)}"
    )


def _reached(each: Reached) -> str:
    form = _form(each.waveform)
    return (
        f"{_by_whom(each)} lets open nets reach up to {volts(each.reach_v)} {form} in "
        f"{counted(each.pairs, 'pair')}, more than allowed: "
        f"{_held(each.first, each.waveform, each.pairs)}"
    )


def _driven(each: TooMuch) -> str:
    told = f"step {each.step} ({each.name}) may drive {amps(each.most_a)}"
    if each.loads:
        through = f"{'load' if len(each.loads) == 1 else 'loads'} {', '.join(each.loads)}"
        return f"{told} through {through}; 3 % above its own level is {amps(each.ceiling_a)}"
    return f"{told}; what is demanded there allows {amps(each.ceiling_a)}"


def _overspent(each: Overspent) -> str:
    key = "extra_insulation" if each.kinds == INSULATION else "extra_withstand"
    level = f"{volts(each.level_v)} DC"
    if each.kinds != INSULATION:
        level += ", above every insulation demand's level,"
    return (
        f"a search after step {each.step} ({each.name}) may put a pair under {level} "
        f"{each.exposures} times; {each.allowed} are allowed (allow: {key})"
    )


def _stored(each: Stored) -> str:
    stored, allowed = (shown(j, Dimension.ENERGY) for j in (each.energy_j, each.allowed_j))
    farads = shown(each.capacitance_f, Dimension.CAPACITANCE)
    return (
        f"{_by_whom(each)} may store {stored} (½CU² of {farads} at "
        f"{volts(each.peak_v)}); at most {allowed} are allowed (allow: stored_energy_at_most)"
    )


def _afloat(each: Afloat) -> str:
    names = [
        name if up_to is None else f"{name} (up to {volts(up_to)})" for name, up_to in each.first
    ]
    does = "may leave" if each.search else "leaves"
    return (
        f"{_by_whom(each)} {does} {counted(each.nets, 'net')} open that may not "
        f"float: {_listed(names, each.nets)}; against either side each may reach "
        f"{volts(each.reach_v)} {_form(each.waveform)}"
    )


def _lead(lead: Lead) -> str:
    steps = ", ".join(map(str, lead.steps[:12])) + (" …" if len(lead.steps) > 12 else "")
    relying = f"step {steps} relies" if len(lead.steps) == 1 else f"steps {steps} rely"
    told = f"lead at {lead.point} (net {lead.net}) isn't proved by any step"
    return f"{told}; {relying} on it: {lead.why}"


def _leads(found: Coverage) -> Iterator[str]:
    leads = found.leads
    told = f"leads: {len(leads.by_step)} proved by contact steps, {len(leads.by_limit)} by a limit"
    if leads.accepted:
        told += f", {len(leads.accepted)} unproved with a reason"
    if leads.unproved:
        told += f", {len(leads.unproved)} unproved"
    if leads.idle:
        told += f", {len(leads.idle)} that no voltage step uses"
    yield told
    by_limit: dict[int, list[str]] = {}
    for proof in leads.proofs:
        if proof.by == "limit":
            by_limit.setdefault(proof.step, []).append(proof.point)
    for step, points in by_limit.items():
        told = _listed(points[:20], len(points))
        yield f"    shown by the lower limit of step {step}: {told}"
    for lead in leads.accepted:
        yield f"    {lead.point} is unproved; the product's reason: {lead.reason}"


def _exposed(found: Coverage) -> Iterator[str]:
    runs = found.runs_per_serial
    for each in found.exposures:
        if each.most is not None:
            spread = ", ".join(
                f"{times}x: {counted(pairs, 'pair')}"
                for times, pairs in sorted(each.histogram.items())
            )
            yield (
                f"exposures to {each.kinds} in one run: {spread}; at most {each.highest} "
                f"({pair_told(each.most)}), {each.highest * runs} in the {runs} runs allowed per "
                "serial"
            )
        if each.by_search:
            yield (
                f"exposures to {each.kinds} by searches: at most {each.by_search} of a pair over "
                f"all runs of one serial; {each.search_allowed} are allowed. With the steps' own "
                f"at most {each.highest * runs + each.by_search}"
            )
