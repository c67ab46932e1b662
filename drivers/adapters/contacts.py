"""Contacts as a wire tells them: masks, lists, items, numbers; and back again."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from drivers.language.dialect import Dialect
from drivers.language.profile_banks import BankModel, ChainModel, Items, Numbering
from drivers.language.templates import UNKNOWN, Template
from orchestrator.errors import ProtocolFault, RelayMismatch

ROLES = ("source", "return", "sense")


@dataclass(frozen=True, slots=True, order=True)
class Point:
    """One channel put to a role; ``address`` is ``None`` for a unit without one."""

    address: int | None
    bank: str
    channel: int
    role: str


@dataclass(frozen=True, slots=True)
class Scope:
    """One turn of the loops of an exchange; ``None``: no loop over it."""

    address: int | None = None
    bank: str | None = None
    channel: int | None = None
    role: str | None = None

    def holds(self, point: Point) -> bool:
        """Whether a point lies in this turn."""
        return (
            self.address in {None, point.address}
            and self.bank in {None, point.bank}
            and self.channel in {None, point.channel}
            and self.role in {None, point.role}
        )


class Layout:
    """Banks and their numbers on the wire.

    Raises:
        TemplateError: the template of an item is wrong.
    """

    def __init__(
        self,
        banks: Mapping[str, BankModel],
        *,
        numbering: Numbering | None,
        chain: ChainModel | None,
        items: Items | None,
        dialect: Dialect,
    ) -> None:
        self.banks = banks
        self._numbering = numbering
        self._chain = chain
        self._items = items
        self._item_out = self._item_in = None
        if items is not None:
            self._item_out = Template.compile(items.each, dialect, sending=True)
            self._item_in = Template.compile(items.each, dialect, sending=False)

    # ---- loops

    def scopes(
        self,
        for_each: tuple[str, ...],
        addresses: Iterable[int | None],
        points: Iterable[Point] | None = None,
    ) -> Iterator[Scope]:
        """Every turn of the loops, outermost first; a loop over channels runs over `points`,
        or over all channels."""
        units = tuple(addresses)
        alone = units[0] if len(units) == 1 else None
        turns = [Scope(address=a) for a in units] if "unit" in for_each else [Scope(address=alone)]
        listed = None if points is None else tuple(points)
        if "bank" in for_each:
            pairs = [(turn, bank) for turn in turns for bank in self.banks]
            if "unit" in for_each and for_each.index("bank") < for_each.index("unit"):
                pairs = [(turn, bank) for bank in self.banks for turn in turns]
            turns = [Scope(address=turn.address, bank=bank) for turn, bank in pairs]
        if "role" in for_each:
            turns = [Scope(t.address, t.bank, None, role) for t in turns for role in ROLES]
        if "channel" in for_each:
            turns = [narrow for turn in turns for narrow in self._channels(turn, listed)]
        yield from turns

    def _channels(self, turn: Scope, points: tuple[Point, ...] | None) -> Iterator[Scope]:
        if points is not None:
            for point in sorted(p for p in points if turn.holds(p)):
                yield Scope(point.address, point.bank, point.channel, point.role)
            return
        for name, bank in self.banks.items():
            if turn.bank in {None, name}:
                for channel in range(bank.channels[0], bank.channels[1] + 1):
                    yield Scope(turn.address, name, channel, turn.role)

    # ---- out

    def values(self, scope: Scope, points: Iterable[Point]) -> Mapping[str, Any]:
        """The fields of one turn: unit, bank, channel, role, masks, lists, items."""
        inside = sorted(point for point in points if scope.holds(point))
        values: dict[str, Any] = {"unit": scope.address, "bank": scope.bank}
        if scope.channel is not None and scope.bank is not None:
            role = scope.role or (inside[0].role if inside else "open")
            values["channel"] = self.number(scope.bank, scope.channel, scope.address, role)
            values["role"] = role
        elif scope.role is not None:
            values["role"] = scope.role
        if not self._spans_banks(scope):
            values |= self._masks(scope, inside)
            values["channel_roles"] = self._roles(scope, inside)
        values |= self._lists(scope, inside)
        values["items"] = self._written(inside) or None
        values["count"] = len(inside)
        return values

    def _spans_banks(self, scope: Scope) -> bool:
        return scope.bank is None and len(self.banks) > 1

    def _masks(self, scope: Scope, inside: list[Point]) -> dict[str, int]:
        lowest = self._bank(scope).channels[0]
        masks = dict.fromkeys((*ROLES, "closed"), 0)
        for point in inside:
            bit = 1 << (point.channel - lowest)
            masks[point.role] |= bit
            masks["closed"] |= bit
        return {f"{role}_mask": mask for role, mask in masks.items()}

    def _roles(self, scope: Scope, inside: list[Point]) -> tuple[str, ...]:
        roles = {point.channel: point.role for point in inside}
        first, last = self._bank(scope).channels
        return tuple(roles.get(channel, "open") for channel in range(first, last + 1))

    def _bank(self, scope: Scope) -> BankModel:
        return self.banks[scope.bank] if scope.bank else next(iter(self.banks.values()))

    def _lists(self, scope: Scope, inside: list[Point]) -> dict[str, tuple[int, ...]]:
        lists: dict[str, list[int]] = {role: [] for role in ROLES}
        for point in inside:
            number = self.number(point.bank, point.channel, point.address, point.role)
            lists[point.role].append(number)
        found = {f"{role}_channels": tuple(sorted(numbers)) for role, numbers in lists.items()}
        found["channels"] = tuple(sorted(n for numbers in lists.values() for n in numbers))
        if not self._spans_banks(scope):
            closed = {point.channel for point in inside}
            first, last = self._bank(scope).channels
            name = scope.bank or next(iter(self.banks))
            found["open_channels"] = tuple(
                self.number(name, channel, scope.address)
                for channel in range(first, last + 1)
                if channel not in closed
            )
        return found

    def _written(self, inside: list[Point]) -> str:
        items, template = self._items, self._item_out
        if items is None or template is None:
            return ""
        if not inside:
            return items.empty
        parts = [
            template.render(
                {
                    "unit": point.address,
                    "bank": point.bank,
                    "channel": self.number(point.bank, point.channel, point.address, point.role),
                    "role": point.role,
                }
            ).decode("latin-1")
            for point in inside
        ]
        return items.before + items.separator.join(parts)

    def number(self, bank: str, channel: int, address: int | None, role: str | None = None) -> int:
        """A channel's number on the wire, in this role."""
        numbering = self._numbering
        if numbering is None:
            return channel
        base = self._base(bank, address, numbering, role)
        return base + channel - self.banks[bank].channels[0]

    def _base(self, bank: str, address: int | None, numbering: Numbering, role: str | None) -> int:
        lowest = self._chain.addresses[0] if self._chain else 0
        place = 0 if address is None else address - lowest
        base = numbering.first + numbering.bank_offset.get(bank, 0) + numbering.per_unit * place
        return base + next((n for r, n in numbering.role_offset.items() if r.value == role), 0)

    # ---- in

    def closed(self, scope: Scope, fields: Mapping[str, Any]) -> frozenset[Point]:
        """What a reply says is closed.

        Raises:
            RelayMismatch: a channel that is neither open nor in one role.
            ProtocolFault: a channel that doesn't exist, or a list that can't be read.
        """
        told = [*self._from_masks(scope, fields), *self._from_lists(scope, fields)]
        told += self._from_items(scope, fields.get("items"))
        told += self._from_roles(scope, fields.get("channel_roles"))
        if scope.channel is not None and "role" in fields:
            told.append((scope.bank or "", scope.channel, fields["role"]))
        roles: dict[tuple[str, int], Any] = {}
        for bank, channel, role in told:
            if role == "open":
                continue
            before = roles.setdefault((bank, channel), role)
            if before != role or role not in ROLES:
                raise self._mismatch(scope, bank, channel, role if before == role else "both")
        return frozenset(
            Point(scope.address, bank, channel, role) for (bank, channel), role in roles.items()
        )

    def _mismatch(self, scope: Scope, bank: str, channel: int, role: Any) -> RelayMismatch:
        unit = "" if scope.address is None else f"unit {scope.address}, "
        word = "an unknown word" if role is UNKNOWN else repr(str(role))
        return RelayMismatch(f"{unit}bank {bank}, channel {channel} reports {word}")

    def _from_masks(
        self, scope: Scope, fields: Mapping[str, Any]
    ) -> Iterator[tuple[str, int, Any]]:
        for role in ROLES:
            mask = fields.get(f"{role}_mask")
            if mask is None:
                continue
            name = scope.bank or next(iter(self.banks))
            first, last = self.banks[name].channels
            if mask >> (last - first + 1):
                raise ProtocolFault(f"bank {name}: mask {mask:#x} has bits of no channel")
            for bit in range(last - first + 1):
                if mask >> bit & 1:
                    yield name, first + bit, role

    def _from_lists(
        self, scope: Scope, fields: Mapping[str, Any]
    ) -> Iterator[tuple[str, int, Any]]:
        for role in ROLES:
            for number in fields.get(f"{role}_channels") or ():
                yield self._found(scope, number, role=role)
        for number in fields.get("channels") or ():
            yield self._found(scope, number)

    def _from_roles(
        self, scope: Scope, roles: tuple[str, ...] | None
    ) -> Iterator[tuple[str, int, Any]]:
        if roles is None:
            return
        name = scope.bank or next(iter(self.banks))
        first, last = self.banks[name].channels
        if len(roles) != last - first + 1:
            raise ProtocolFault(f"bank {name}: {len(roles)} roles for {last - first + 1} channels")
        yield from ((name, first + place, role) for place, role in enumerate(roles))

    def _from_items(self, scope: Scope, text: str | None) -> Iterator[tuple[str, int, Any]]:
        items, template = self._items, self._item_in
        if not text or items is None or template is None or text == items.empty:
            return
        for part in text.removeprefix(items.before).split(items.separator):
            fields = template.parse(part.encode("latin-1"))
            if fields is None:
                raise ProtocolFault(f"item {part!r} can't be read", raw=text.encode("latin-1"))
            yield self._found(scope, fields["channel"], fields.get("bank"), fields.get("role"))

    def _found(
        self, scope: Scope, number: int, bank: str | None = None, role: Any = None
    ) -> tuple[str, int, Any]:
        """Bank, channel and role that a number on the wire means."""
        named = bank or scope.bank
        names = list(self.banks) if named is None else [named]
        for name in names:
            if name not in self.banks:
                break
            for meant in self._meant(name, role):
                channel = self._channel(name, number, scope.address, meant)
                if channel is not None:
                    return name, channel, meant
        raise ProtocolFault(f"channel {number} doesn't exist in bank {bank or scope.bank}")

    def _meant(self, bank: str, role: Any) -> tuple[Any, ...]:
        """The roles that a number may have: the one told, else those that numbers tell apart.

        Raises:
            ProtocolFault: nothing tells the role.
        """
        if role is not None:
            return (role,)
        roles = tuple(role.value for role in self.banks[bank].roles)
        if len(roles) > 1 and (self._numbering is None or not self._numbering.role_offset):
            raise ProtocolFault(f"bank {bank}: a closed channel whose role isn't told")
        return roles

    def _channel(self, bank: str, number: int, address: int | None, role: Any) -> int | None:
        first, last = self.banks[bank].channels
        channel = number
        if self._numbering is not None:
            channel = first + number - self._base(bank, address, self._numbering, role)
        return channel if first <= channel <= last else None
