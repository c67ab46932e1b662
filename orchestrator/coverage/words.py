"""Coverage in plain words: one sentence for each finding, and the figures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.coverage.report import (
    Afloat,
    Coverage,
    Lead,
    NetPair,
    PairCover,
    PartCover,
    Stress,
)
from orchestrator.fault_words import counted
from orchestrator.model.amounts import amps, volts
from orchestrator.model.words import Waveform


def findings(found: Coverage) -> tuple[str, ...]:
    """Everything that keeps the program from being complete; empty where it is."""
    return (
        *(line for pairs in found.pairs for line in _open(pairs)),
        *(line for parts in found.parts for line in _missing(parts)),
        *(_short(found, index) for index in range(len(found.shorts))),
        *(_stressed(stress) for stress in found.stresses),
        *(
            f"step {each.step} ({each.name}) may drive {amps(each.most_a)}; what is demanded "
            f"there allows {amps(each.ceiling_a)}"
            for each in found.too_much
        ),
        *(_afloat(each) for each in found.afloat),
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
    return f"{found.program} for {found.product}: {word}; {seen}"


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


def _stressed(stress: Stress) -> str:
    form = _form(stress.waveform)
    names = [
        f"{pair_told(pair)} may see {volts(held.of(stress.waveform))} ({held.why}"
        + "".join(f", {origin.at}" for origin in held.origins[:1])
        + ")"
        for pair, held in stress.first
    ]
    return (
        f"step {stress.step} ({stress.name}) stresses {counted(stress.pairs, 'pair')} with up to "
        f"{volts(stress.most_v)} {form}, more than allowed: {_listed(names, stress.pairs)}"
    )


def _afloat(each: Afloat) -> str:
    names = [
        name if up_to is None else f"{name} (up to {volts(up_to)})" for name, up_to in each.first
    ]
    return (
        f"step {each.step} ({each.name}) leaves {counted(each.nets, 'net')} open that may not "
        f"float: {_listed(names, each.nets)}; against either side each may reach "
        f"{volts(each.reach_v)} {_form(each.waveform)}"
    )


def _lead(lead: Lead) -> str:
    steps = ", ".join(map(str, lead.steps[:12])) + (" …" if len(lead.steps) > 12 else "")
    word = "step" if len(lead.steps) == 1 else "steps"
    return f"lead at {lead.point} (net {lead.net}) isn't proved in {word} {steps}: {lead.why}"


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
    for lead in leads.accepted:
        yield f"    {lead.point} is unproved; the product's reason: {lead.reason}"


def _exposed(found: Coverage) -> Iterator[str]:
    runs = found.runs_per_serial
    for each in found.exposures:
        if each.most is None:
            continue
        spread = ", ".join(
            f"{times}x: {counted(pairs, 'pair')}" for times, pairs in sorted(each.histogram.items())
        )
        yield (
            f"exposures to {each.kinds} in one run: {spread}; at most {each.highest} "
            f"({pair_told(each.most)}), {each.highest * runs} in the {runs} runs allowed per serial"
        )
