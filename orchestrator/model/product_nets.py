"""Names of a product to numbers: points, nets, circuits, joined nets; every wrong name is told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from orchestrator.documents import Document
from orchestrator.errors import Fault
from orchestrator.fault_words import nearest
from orchestrator.model.demands import CircuitOf, Grouping, Net
from orchestrator.model.product import (
    ALL_OTHERS,
    EVERY_CIRCUIT,
    EVERY_NET,
    PROTECTIVE_EARTH,
    SET_WORDS,
    Product,
    _Pairs,
)

Loc = tuple[str | int, ...]
Group = tuple[int, ...]


@dataclass(frozen=True)
class Nets:
    """The nets of a product, and how names lead to them."""

    document: Document[Product]
    nets: tuple[Net, ...]
    index: Mapping[str, int]
    net_of_point: Mapping[str, int]
    circuits: tuple[CircuitOf, ...]
    earth_net: int | None
    earthed: frozenset[int]
    bodies: tuple[Group, ...]
    body_of: tuple[int, ...]
    loads: tuple[tuple[int, int, str], ...]

    # ---- sets --------------------------------------------------------------------------------

    def within(
        self, names: tuple[str, ...], loc: Loc, what: str, faults: list[Fault]
    ) -> tuple[int, ...]:
        """All nets of a set, each once, in their order."""
        groups = self._groups(names, loc, what, faults)
        return tuple(sorted({net for group in groups for net in group}))

    def grouping(self, entry: _Pairs, loc: Loc, what: str, faults: list[Fault]) -> Grouping | None:
        """The pairs of an entry; None where a fault was told."""
        before = len(faults)
        if entry.between is not None:
            groups = self._two_sides(entry.between, (*loc, "between"), what, faults)
            place: Loc = (*loc, "between")
        else:
            place = (*loc, "among")
            groups = self._groups(entry.among or (), place, what, faults)
        if len(faults) > before:
            return None
        seen: set[int] = set()
        for group in groups:
            if twice := seen.intersection(group):
                net = self.nets[min(twice)]
                found = f"net {net.name!r} on both sides" if entry.between else (
                    f"net {net.name!r} in two members"
                )  # fmt: skip
                remedy = "name it once: no demand can hold within one net"
                at = self.document.locate(*place)
                faults.append(Fault(what, found, "different nets", remedy, at))
                return None
            seen.update(group)
        groups = [group for group in groups if group]
        if len(groups) < 2:
            at = self.document.locate(*place)
            found = "one member" if groups else "no nets"
            remedy = "name at least two; the nets of one circuit are no pair"
            faults.append(Fault(what, found, "a pair of nets or circuits", remedy, at))
            return None
        return Grouping(tuple(groups))

    def _two_sides(
        self, sides: tuple[tuple[str, ...], ...], loc: Loc, what: str, faults: list[Fault]
    ) -> list[Group]:
        rest = [side == (ALL_OTHERS,) for side in sides]
        if all(rest):
            at = self.document.locate(*loc)
            remedy = "name one of the two sides"
            faults.append(Fault(what, f"{ALL_OTHERS} twice", "one named side", remedy, at))
            return []
        found: list[Group] = []
        for end, side in enumerate(sides):
            if rest[end]:
                found.append(())
            else:
                found.append(self.within(side, (*loc, end), what, faults))
        if any(rest):
            named = {self.body_of[net] for side in found for net in side}
            others = (n.index for n in self.nets if self.body_of[n.index] not in named)
            found[rest.index(True)] = tuple(others)
        return found

    def _groups(
        self, names: tuple[str, ...], loc: Loc, what: str, faults: list[Fault]
    ) -> list[Group]:
        """One group for each member; a word for many members gives many."""
        by_name = {circuit.name: circuit.nets for circuit in self.circuits}
        found: list[Group] = []
        for place, name in enumerate(names):
            if name == EVERY_NET:
                found += self.bodies
            elif name == EVERY_CIRCUIT:
                found += by_name.values()
            elif name == PROTECTIVE_EARTH and self.earthed:
                found.append(tuple(sorted(self.earthed)))
            elif name in by_name:
                found.append(by_name[name])
            elif name in self.index:
                found.append((self.index[name],))
            else:
                faults.append(self._unknown(name, (*loc, place), what))
        return found

    def _unknown(self, name: str, loc: Loc, what: str) -> Fault:
        at = self.document.locate(*loc)
        if name == PROTECTIVE_EARTH:
            remedy = "declare protective_earth, or name a net"
            return Fault(what, name, "earth points in this product", remedy, at)
        if name == ALL_OTHERS:
            expected = "it alone, as one of the two sides of 'between'"
            return Fault(what, name, expected, "name the nets or circuits", at)
        known = (*self.document.model.circuits, *self.index, *SET_WORDS)
        near = nearest(name, known)
        remedy = f"did you mean {near!r}?" if near else "correct the name, or add the net"
        if name in self.net_of_point:
            remedy = f"it is a point of net {self.nets[self.net_of_point[name]].name!r}: name that"
        return Fault(what, f"{name!r}", "a net or a circuit of this product", remedy, at)

    def unknown_point(self, name: str, loc: Loc, what: str) -> Fault:
        """The fault for a point that is in no net."""
        near = nearest(name, self.net_of_point)
        remedy = f"did you mean {near!r}?" if near else "add it to a net"
        return Fault(what, repr(name), "a point of a net", remedy, self.document.locate(*loc))

    # ---- joined nets -------------------------------------------------------------------------

    def joined_pair(self, pairs: Grouping) -> tuple[int, int] | None:
        """A pair that the product itself joins, or None."""
        first: dict[int, int] = {}
        for net, group in pairs.group_of.items():
            other = first.setdefault(self.body_of[net], net)
            if pairs.group_of[other] != group:
                return (other, net)
        return None

    def told(self, pair: tuple[int, int]) -> str:
        """'net a and net b'."""
        return " and ".join(f"net {self.nets[net].name!r}" for net in pair)

    def why_joined(self, pair: tuple[int, int]) -> str:
        """What joins two nets of one body, with the lines."""
        body = self.bodies[self.body_of[pair[0]]]
        places = [
            f"load {name!r}, {self.document.locate('loads', index)}"
            for index, (one, _, name) in enumerate(self.loads)
            if one in body
        ]
        places += [
            f"{entry.reason}, {self.document.locate('joined', index)}"
            for index, entry in enumerate(self.document.model.joined)
            if set(body).intersection(self.within(entry.nets, (), "", []))
        ]
        if self.earthed.intersection(body):
            at = self.document.locate("accessible_parts")
            places.append(f"bonded to earth, {at}")
        return "joined by " + "; ".join(places)


# ---- reading ------------------------------------------------------------------------------------


def nets_of_product(document: Document[Product]) -> tuple[Nets, list[Fault]]:
    """Number the nets; the faults found so far come with them."""
    faults: list[Fault] = []
    product = document.model
    index = {name: number for number, name in enumerate(product.nets)}
    of_point = dict(_points(document, faults))
    circuit_of: dict[int, str] = {}
    circuits = tuple(_circuits(document, index, circuit_of, faults))
    nets = tuple(
        Net(number, name, points, circuit_of.get(number), document.locate("nets", name))
        for number, (name, points) in enumerate(product.nets.items())
    )
    earth_net = _earth(document, of_point, index, faults)
    earthed = frozenset(_earthed(document, of_point, earth_net, faults))
    loads = tuple(_loads(document, index, faults))
    joins = [(one, other) for one, other, _ in loads]
    joins += [(min(earthed), net) for net in earthed]
    alone = tuple((net,) for net in range(len(nets)))
    found = Nets(
        document, nets, index, of_point, circuits, earth_net, earthed, alone,
        tuple(range(len(nets))), loads,
    )  # fmt: skip
    joins += _joined(found, faults)
    bodies, body_of = _bodies(len(nets), joins)
    found = replace(found, bodies=bodies, body_of=body_of)
    for key in ("protective_earth", "accessible_parts"):
        for place, point in enumerate(getattr(product, key)):
            if point not in of_point:
                faults.append(found.unknown_point(point, (key, place), key))
    return found, faults


def _points(document: Document[Product], faults: list[Fault]) -> Iterator[tuple[str, int]]:
    owner: dict[str, str] = {}
    for number, (name, points) in enumerate(document.model.nets.items()):
        for place, point in enumerate(points):
            other = owner.setdefault(point, name)
            if other == name and point not in points[:place]:
                yield point, number
                continue
            found = f"point {point!r}, of net {other!r} too" if other != name else (
                f"point {point!r} twice"
            )  # fmt: skip
            remedy = "leave it in one net, once"
            at = document.locate("nets", name, place)
            faults.append(Fault(f"net {name!r}", found, "each point once", remedy, at))


def _circuits(
    document: Document[Product],
    index: Mapping[str, int],
    circuit_of: dict[int, str],
    faults: list[Fault],
) -> Iterator[CircuitOf]:
    for name, circuit in document.model.circuits.items():
        numbers = []
        what = f"circuit {name!r}"
        for place, net in enumerate(circuit.nets):
            at = document.locate("circuits", name, "nets", place)
            number = index.get(net)
            if number is None:
                near = nearest(net, index)
                remedy = f"did you mean {near!r}?" if near else "add the net, or correct the name"
                faults.append(Fault(what, f"{net!r}", "a net of this product", remedy, at))
            elif number in circuit_of:
                found = f"net {net!r}, which is in circuit {circuit_of[number]!r} already"
                remedy = "leave it in one circuit, once"
                faults.append(Fault(what, found, "each net in one circuit", remedy, at))
            else:
                circuit_of[number] = name
                numbers.append(number)
        working = None if circuit.working_voltage is None else circuit.working_voltage.value
        at = document.locate("circuits", name)
        yield CircuitOf(name, tuple(numbers), working, circuit.class_, at)


def _earth(
    document: Document[Product],
    of_point: Mapping[str, int],
    index: Mapping[str, int],
    faults: list[Fault],
) -> int | None:
    names = list(index)
    first: int | None = None
    for place, point in enumerate(document.model.protective_earth):
        net = of_point.get(point)
        if net is None:
            continue
        if first is not None and net != first:
            found = f"{point!r} in net {names[net]!r}, others in net {names[first]!r}"
            remedy = "put all earth points into one net, or make this one an accessible part"
            at = document.locate("protective_earth", place)
            faults.append(Fault("protective_earth", found, "one net", remedy, at))
        first = net if first is None else first
    return first


def _earthed(
    document: Document[Product],
    of_point: Mapping[str, int],
    earth_net: int | None,
    faults: list[Fault],
) -> Iterator[int]:
    """Earth's net and those of accessible parts."""
    if earth_net is not None:
        yield earth_net
    parts = document.model.accessible_parts
    if parts and not document.model.protective_earth:
        at = document.locate("accessible_parts")
        remedy = "declare protective_earth, or remove the parts"
        faults.append(Fault("accessible_parts", "no protective_earth", "earth", remedy, at))
    for place, point in enumerate(parts):
        net, at = of_point.get(point), document.locate("accessible_parts", place)
        if point in parts[:place]:
            found, remedy = f"{point!r} twice", "name it once"
            faults.append(Fault("accessible_parts", found, "each part once", remedy, at))
        elif net is not None and net == earth_net:
            found = f"{point!r}, a point of earth's own net"
            expected = "a part with a net of its own"
            remedy = "give it a net of its own, so that its bond to earth can be tested"
            faults.append(Fault("accessible_parts", found, expected, remedy, at))
        elif net is not None:
            yield net


def _loads(
    document: Document[Product], index: Mapping[str, int], faults: list[Fault]
) -> Iterator[tuple[int, int, str]]:
    for number, load in enumerate(document.model.loads):
        what = f"load {load.name!r}"
        for place, name in enumerate(load.between):
            if name not in index:
                near = nearest(name, index)
                remedy = f"did you mean {near!r}?" if near else "add the net, or correct the name"
                at = document.locate("loads", number, "between", place)
                faults.append(Fault(what, f"{name!r}", "a net of this product", remedy, at))
        one, other = (index.get(name) for name in load.between)
        if one is not None and one == other:
            at = document.locate("loads", number, "between")
            remedy = "name the two nets that it joins"
            faults.append(Fault(what, f"net {load.between[0]!r} twice", "two nets", remedy, at))
        elif one is not None and other is not None:
            yield one, other, load.name


def _joined(nets: Nets, faults: list[Fault]) -> Iterator[tuple[int, int]]:
    """Every net of an entry of ``joined`` with its first."""
    for index, entry in enumerate(nets.document.model.joined):
        what = f"joined[{index + 1}]"
        members = list(nets.within(entry.nets, ("joined", index, "nets"), what, faults))
        if len(members) < 2:
            at = nets.document.locate("joined", index, "nets")
            remedy = "name what is joined, or remove the entry"
            faults.append(Fault(what, "no two nets", "two nets or more", remedy, at))
        yield from ((members[0], net) for net in members[1:])


def _bodies(
    count: int, joins: Iterable[tuple[int, int]]
) -> tuple[tuple[Group, ...], tuple[int, ...]]:
    """Nets that are joined, directly or by others; each body's nets in order."""
    parent = list(range(count))

    def root(net: int) -> int:
        while parent[net] != net:
            parent[net] = parent[parent[net]]
            net = parent[net]
        return net

    for one, other in joins:
        low, high = sorted((root(one), root(other)))
        parent[high] = low
    members: dict[int, list[int]] = {}
    for net in range(count):
        members.setdefault(root(net), []).append(net)
    number = {first: place for place, first in enumerate(members)}
    bodies = tuple(tuple(nets) for nets in members.values())
    return bodies, tuple(number[root(net)] for net in range(count))
