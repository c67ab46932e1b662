"""Set-points that nothing carries, fields that would stick, conditions that can't hold, classes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from drivers.language.abilities import named_fields
from drivers.language.checker_report import Gap
from drivers.language.checker_walk import Spot
from drivers.language.conditions import PRESENCE
from drivers.language.exchanges import Place
from drivers.language.fields import FIELDS, FieldKind, nearest
from drivers.language.profile_common import Exchange
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import KindModel, TesterProfile
from orchestrator.model.words import Edge, Measured, StepKind, Waveform

_TIMES = {
    "rise": {"rise", "slope", "total_time"},
    "dwell": {"dwell", "total_time"},
    "fall": {"fall", "fall_slope", "total_time"},
}
_MUST_ACT = {"start", "open_all"}


@dataclass(frozen=True, slots=True)
class Trouble:
    """A fault before it has its place in the file."""

    place: Place
    what: str
    found: str
    expected: str
    remedy: str


# ---- what a step asks for, and what carries it ---------------------------------------------------


def carriers_of(quantity: Measured, edge: Edge, kind: StepKind) -> frozenset[str]:
    """Fields that can carry a limit, directly or reckoned."""
    other = Edge.AT_MOST if edge is Edge.AT_LEAST else Edge.AT_LEAST
    names = {f"{quantity}_{edge}"}
    currents = kind in (StepKind.WITHSTAND_AC, StepKind.WITHSTAND_DC)
    main = Measured.TOTAL_CURRENT if currents else Measured.RESISTANCE
    if quantity is main:
        names.add(edge.value)
    if quantity in (Measured.TOTAL_CURRENT, Measured.IN_PHASE_CURRENT):
        names.add(f"judged_current_{edge}")
    if quantity is Measured.RESISTANCE:
        names |= {f"limit_current_{other}", f"limit_drop_{edge}"}
    if quantity is Measured.TOTAL_CURRENT:
        names.add(f"limit_resistance_{other}")
    return frozenset(names)


def _wanted(kind: StepKind, model: KindModel) -> Iterator[tuple[str, Place, frozenset[str]]]:
    """(what, where it is declared, fields that could carry it)."""
    yield "level", ("level",), frozenset({"level", "peak_level"})
    for name, fields in _TIMES.items():
        band = getattr(model, name)
        if band is not None and band.fixed is None:
            yield name, (name,), frozenset(fields)
    if len(model.frequencies) > 1:
        yield "frequency", ("frequencies",), frozenset({"frequency"})
    if len(model.waveforms) > 1:
        yield "waveform", ("waveforms",), frozenset({"waveform", "kind_waveform", "frequency"})
    if model.flash_over is not None:
        yield "flash_over", ("flash_over",), frozenset({"flash_over"})
    if model.limits_during_rise == "settable":
        yield "limits_during_rise", ("limits_during_rise",), frozenset({"during_rise"})
    for quantity, limit in model.limits.items():
        for edge, band in ((Edge.AT_LEAST, limit.at_least), (Edge.AT_MOST, limit.at_most)):
            if band is not None:
                place = ("limits", quantity.value, edge.value)
                yield f"{quantity} {edge}", place, carriers_of(quantity, edge, kind)


def _sent(exchanges: Iterable[Exchange]) -> frozenset[str]:
    names: frozenset[str] = frozenset()
    for exchange in exchanges:
        conditions = frozenset(exchange.when) - set(PRESENCE)
        names |= named_fields(exchange.send) | conditions | _sent(exchange.select)
    return names


def carried_troubles(profile: TesterProfile) -> Iterator[Trouble]:
    """Declared set-points that no exchange carries, and sent ones that nobody declares."""
    for kind, model in profile.kinds.items():
        base: Place = ("kinds", kind.value)
        sent = _sent(model.setup)
        for what, place, fields in _wanted(kind, model):
            if not fields & sent:
                names = " or ".join(f"{{{name}}}" for name in sorted(fields))
                yield Trouble(
                    (*base, *place),
                    f"{kind} {what}",
                    "no exchange of the set-up that carries it",
                    names,
                    "add the exchange that sends it, or take the range out",
                )
        for name in ("rise", "fall", "flash_over", "frequency"):
            key = "frequencies" if name == "frequency" else name
            if name in sent and not getattr(model, key):
                yield Trouble(
                    (*base, "setup"),
                    f"{kind} {name}",
                    f"{{{name}}} sent, but no range of it",
                    f"the key '{key}'",
                    "add the range from the manual",
                )


# ---- what a step may leave out -------------------------------------------------------------------


def sticking(profile: TesterProfile) -> Iterator[tuple[Place, Gap]]:
    """Fields whose old value would stay on the instrument when a step leaves them out."""
    for kind, model in profile.kinds.items():
        for number, exchange in enumerate(model.setup):
            place: Place = ("kinds", kind.value, "setup", number)
            for name in exchange.when.get("present", ()):
                covered = any(
                    name in other.when.get("absent", ())
                    or (name in named_fields(other.send) and not other.when and other != exchange)
                    for other in model.setup
                )
                if not covered:
                    told = (
                        "a step that leaves it out keeps what the last step set, unless an "
                        f"earlier message resets it; add the message for 'absent: {name}'"
                    )
                    yield (*place, "when"), Gap(f"{kind}: {{{name}}} is sent only if given", told)


def compulsory(
    profile: TesterProfile, spot: Spot, optional: Mapping[str, bool]
) -> Iterator[tuple[Place, Gap]]:
    """Fields without an alternative that the profile doesn't declare as required."""
    if spot.kind is None or spot.block != "setup":
        return
    model = profile.kinds[spot.kind]
    guarded = set(spot.model.when.get("present", ()))
    required = {tuple(text.split(" ")) for text in model.required_limits}
    needed = {
        name
        for quantity, edge in required
        for name in carriers_of(Measured(quantity), Edge(edge), spot.kind)
    }
    always = {"level", "rise", "dwell", "fall", "peak_level", "total_time", "slope", "fall_slope"}
    for name, free in optional.items():
        spec = FIELDS[name]
        if free or name in guarded or name in needed or name in always:
            continue
        if name == "frequency" and (
            model.waveforms == (Waveform.AC,) or "ac" in spot.model.when.get("waveform", ())
        ):
            continue
        if spec.kind is FieldKind.QUANTITY:
            told = "a step that leaves it out is refused; write {…|TEXT} if the wire has a word"
            yield spot.place, Gap(f"{spot.kind}: {{{name}}} without alternative", told)


# ---- conditions, classes, names ------------------------------------------------------------------


def exchange_troubles(spot: Spot, words: Mapping[str, frozenset[str]]) -> Iterator[Trouble]:
    """Misspelt names and classes that are missing, in one exchange."""
    model, place = spot.model, spot.place
    yield from _condition_troubles(model, place, words)
    replied = named_fields(*model.reply)
    back = frozenset() if model.read_back is None else named_fields(*model.read_back.reply)
    sent = named_fields(model.send)
    for name in model.same:
        if name not in replied:
            yield Trouble(
                (*place, "same"),
                "same",
                repr(name),
                "a field of the reply",
                nearest(name, sorted(replied & (sent | {"unit", "bank", "slot", "kind"}))),
            )
    for name in model.want:
        if name not in replied | back:
            yield Trouble(
                (*place, "want"), "want", repr(name), "a field of the reply", nearest(name, replied)
            )
    expected = getattr(model, "expect", {})
    for name in expected:
        if name not in replied:
            yield Trouble(
                (*place, "expect"),
                "expect",
                repr(name),
                "a field of the reply",
                nearest(name, replied),
            )
    yield from _class_troubles(spot)


def _condition_troubles(
    model: Exchange, place: Place, words: Mapping[str, frozenset[str]]
) -> Iterator[Trouble]:
    for name, listed in model.when.items():
        names = listed if name in PRESENCE else (name,)
        for field in names:
            if field not in FIELDS:
                yield Trouble(
                    (*place, "when"),
                    "when",
                    f"field {field!r}",
                    "a known field",
                    nearest(field, [*FIELDS, *PRESENCE]),
                )
        known = words.get(name) or (FIELDS[name].words if name in FIELDS else None)
        for word in listed if name not in PRESENCE and known else ():
            if known is not None and word not in known:
                yield Trouble(
                    (*place, "when", name),
                    "when",
                    f"{name} {word!r}, which never comes",
                    "a known word",
                    nearest(word, known),
                )


def _class_troubles(spot: Spot) -> Iterator[Trouble]:
    model, place = spot.model, spot.place
    if spot.block in _MUST_ACT and model.retry != "acts":
        told = "written down" if model.class_ else "left out, so it counts as " + model.retry
        yield Trouble(
            place,
            f"class of {spot.block}",
            f"{model.retry}, {told}",
            "acts: never repeated",
            "write class: acts",
        )
    sets = {name for name in named_fields(model.send) if _is_set_point(name)}
    moves = spot.block in ("apply", "close", "open") or (spot.block == "setup" and bool(sets))
    if model.class_ is None and model.reply and moves:
        yield Trouble(
            place,
            f"class of {spot.block}",
            "none: with a reply it would count as reads and be repeated",
            "sets or acts",
            "write class: sets if sending it twice is harmless, else class: acts",
        )
    if spot.block == "errors" and model.class_ is None:
        yield Trouble(
            place,
            "class of the error query",
            "none",
            "consumes or reads",
            "write class: consumes if reading removes the entry, else class: reads",
        )


def _is_set_point(name: str) -> bool:
    spec = FIELDS.get(name)
    return spec is not None and spec.settable and spec.kind is FieldKind.QUANTITY


def text_troubles(profile: TesterProfile | MatrixProfile) -> Iterator[Trouble]:
    """Texts for codes that no line can carry."""
    if not profile.refusals:
        return
    texts = list(profile.framing.refusal)
    if isinstance(profile, TesterProfile) and profile.errors is not None:
        texts += profile.errors.ask.reply
    if "code" not in named_fields(*texts):
        yield Trouble(
            ("refusals",),
            "refusals",
            "texts for codes, but no line with {code}",
            "{code} in framing.refusal or errors.ask",
            "add {code} where the number stands, or drop the texts",
        )
