"""Whether messages about relays tell which role a channel has, and which relay a number means."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from drivers.language.abilities import named_fields
from drivers.language.checker_fields import Trouble
from drivers.language.exchanges import Place
from drivers.language.profile_banks import BankModel, Items, Numbering, Routing
from drivers.language.profile_common import Exchange
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile

_ROLE_FIELDS = frozenset(
    {
        "role",
        "channel_roles",
        "source_mask",
        "return_mask",
        "sense_mask",
        "source_channels",
        "return_channels",
        "sense_channels",
    }
)
_RELAY_FIELDS = _ROLE_FIELDS | {"channel", "channels", "items", "closed_mask"}
_NUMBERED = frozenset({"channel", "channels", "items"})
_EXPECTED = "a field that tells source from return"
_REMEDY = (
    "write {role} (in items.each too), {source_channels}, {source_mask} and their like, "
    "{channel_roles}, or numbering.role_offset"
)


def contact_troubles(profile: TesterProfile | MatrixProfile) -> Iterator[Trouble]:
    """Messages without the role, where a bank has several; numbers that mean two relays."""
    if isinstance(profile, MatrixProfile):
        for block in ("apply", "close"):
            sent = named_fields(*(e.send for e in getattr(profile, block)))
            yield from _roleless((block,), sent, profile)
        if profile.look is not None:
            yield from _roleless(("look",), named_fields(*profile.look.reply), profile)
        yield from _one_number_each(("numbering",), profile)
    elif profile.routing is not None:
        sent_by_kind = (text for kind in profile.kinds.values() for text in _sent(kind.setup))
        fields = named_fields(*sent_by_kind)
        yield from _roleless(("routing",), fields, profile.routing)
        yield from _one_number_each(("routing", "numbering"), profile.routing)


def _sent(exchanges: Iterable[Exchange]) -> Iterator[str | None]:
    for exchange in exchanges:
        yield exchange.send
        yield from _sent(exchange.select)


def _roleless(
    place: Place, fields: frozenset[str], relays: MatrixProfile | Routing
) -> Iterator[Trouble]:
    """Fields that name relays, but not what they are to do."""
    several = any(len(bank.roles) > 1 for bank in relays.banks.values())
    if not several or not fields & _RELAY_FIELDS or _tells(fields, relays.items, relays.numbering):
        return
    found = "{" + "}, {".join(sorted(fields & _RELAY_FIELDS)) + "} alone"
    yield Trouble(place, place[0] if isinstance(place[0], str) else "", found, _EXPECTED, _REMEDY)


def _tells(fields: frozenset[str], items: Items | None, numbering: Numbering | None) -> bool:
    if fields & _ROLE_FIELDS:
        return True
    if "items" in fields and items is not None and "role" in named_fields(items.each):
        return True
    return bool(fields & _NUMBERED) and numbering is not None and bool(numbering.role_offset)


def _one_number_each(place: Place, relays: MatrixProfile | Routing) -> Iterator[Trouble]:
    """With a role in the number, no number may mean two relays."""
    numbering = relays.numbering
    if numbering is None or not numbering.role_offset:
        return
    first, last = relays.chain.addresses if relays.chain else (0, 0)
    seen: dict[int, str] = {}
    for unit in range(first, last + 1) if numbering.per_unit else (first,):
        base = numbering.first + numbering.per_unit * (unit - first)
        for number, relay in _relays(base, relays.banks, numbering):
            other = seen.setdefault(number, f"unit {unit}, {relay}")
            if other != f"unit {unit}, {relay}":
                yield Trouble(
                    place,
                    ".".join(str(part) for part in place),
                    f"number {number} for {other} and for unit {unit}, {relay}",
                    "one relay for each number",
                    "compare first, per_unit, bank_offset and role_offset with the manual",
                )
                return


def _relays(
    base: int, banks: dict[str, BankModel], numbering: Numbering
) -> Iterator[tuple[int, str]]:
    for name, bank in banks.items():
        for role in bank.roles:
            offset = numbering.bank_offset.get(name, 0) + numbering.role_offset.get(role, 0)
            for channel in range(bank.channels[0], bank.channels[1] + 1):
                number = base + offset + channel - bank.channels[0]
                yield number, f"bank {name}, channel {channel}, {role}"
