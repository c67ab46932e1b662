"""A product file made into a simulated station: its rack, its fixture, its planned program.

All of it is text that the ordinary readers take.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from drivers.simulators.unit import parse_unit
from drivers.simulators.wiring import point_node
from orchestrator.assembly.planning_limits import planning_limits
from orchestrator.coverage.cover import cover
from orchestrator.documents import Document, parse_document
from orchestrator.model.demands import Demands
from orchestrator.model.program import Program
from orchestrator.model.record import Located, RunResult
from orchestrator.model.resolve import read_demands
from orchestrator.model.schedule import Schedule
from orchestrator.model.words import StepKind
from orchestrator.planning.planner import plan
from orchestrator.planning.writing import program_text
from tests.faults.rig import Rig
from tests.faults.stations import Make
from tests.runs.planned_units import NetPair, unit_text

PRODUCTS = Path(__file__).parents[2] / "examples" / "products"
ONE_END = "the far ends are left off here"


def product_file(folder: Path, name: str) -> Path:
    """A shipped product as a file in a folder."""
    text = (PRODUCTS / f"{name}.yaml").read_text(encoding="utf-8")
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / f"{name}.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def one_ended(folder: Path) -> Path:
    """The Tansy harness with a lead at one end of each wire only: no continuity, half the relays.

    A run of it takes a fifth of the time; insulation, and the search behind it, are the same.
    """
    demands = read_demands(PRODUCTS / "tansy.yaml")
    text = product_file(folder, "tansy").read_text(encoding="utf-8")
    for net in demands.nets:
        text = text.replace(f"[{', '.join(net.points)}]", net.points[0])
    head, _, rest = text.partition("  - {name: wire, kind: continuity")
    text = head + rest[rest.index("  - {name: insulation") :]
    points = ", ".join(net.points[0] for net in demands.nets)
    entry = f"unproved_contact: [{{points: [{points}], reason: {ONE_END}}}]"
    text = text.replace("allow: {", f"allow: {{{entry}, ")
    file = folder / "one_ended.yaml"
    file.write_text(text, encoding="utf-8")
    return file


@dataclass(frozen=True, slots=True)
class RackMake:
    """One tester with a chain of relay units of ``channels`` points each.

    ``heavy_continuity``: the tester measures continuity with four leads, of its high current.
    """

    make: Make
    channels: int
    address: str = ""
    heavy_continuity: bool = False


COMB_EXEMPTION = (
    "exemptions:\n  - {rule: relay_position, instrument: comb, "
    "reason: the Comb reads back coil currents}\n"
)
_COMB = ("comb", "u", "", "link: {kind: simulated, instrument: comb}", ("high", "bond", "sense"))
RACKS = {
    "orrin": RackMake(
        Make(
            "orrin",
            "lattice",
            "u",
            "",
            "link: {kind: simulated, instrument: lattice}",
            ("hv", "hc", "sense"),
        ),
        channels=8,
        address="address: {}",
    ),
    "pell": RackMake(
        Make("pell", *_COMB, COMB_EXEMPTION),
        channels=8,
        address="address: {}",
        heavy_continuity=True,
    ),
    "stave": RackMake(
        Make("stave", "sprig", "u", "", "carried_by: stave", ("mix", "heavy", "sense")), channels=16
    ),
    # 128 points are more than the fifteen addresses of a Lattice chain reach.
    "orrin with comb": RackMake(
        Make("orrin", *_COMB, COMB_EXEMPTION), channels=8, address="address: {}"
    ),
}


class Rack(Rig):
    """A product on its rack, opened in virtual time, its planned program bound."""

    def __init__(self, folder: Path, rack: str, file: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.demands = read_demands(file)
        self.make, self.folder = RACKS[rack].make, folder
        self.station = self.make.tester
        self.path = folder / "station.yaml"
        self.path.write_text(station_text(self.demands, RACKS[rack]), encoding="utf-8")
        (folder / "unit.yaml").write_text(unit_text(self.demands), encoding="utf-8")
        self.notices, self._at_notice, self._when = [], [], []
        self.open()
        made = plan(self.demands, planning_limits(self.live.plan))
        self.text = program_text(made, self.demands)
        self.planned: Document[Program] = parse_document(self.text, "planned.yaml", Program)
        self.schedule: Schedule = self.live.bind(self.program(self.text))
        self.coverage = cover(self.demands, self.planned, wire=self.schedule)
        self._units = 0

    def test(self, *faults: str, lost: str | None = None) -> RunResult:
        """Run the planned program on another unit, with faults, and hold what holds for every run.

        No level above the search's is driven but by a step of the program, once; the bench is safe
        and its violation log is empty.
        """
        self.bench.load_unit(parse_unit(unit_text(self.demands, *faults, lost=lost)))
        self.notices.clear()
        self._units += 1
        result = self.live.run(self.schedule, serial=f"U{self._units}")
        started = [n.data["step"] for n in self.notices if n.kind == "step_started"]
        once = [step.index for step in started]
        assert len(once) == len(set(once))
        searched = [step for step in started if step.search_of is not None]
        assert {step.kind for step in searched} <= {StepKind.INSULATION}
        for step in searched:
            locate = self.schedule.steps[step.search_of].locate
            assert step.order.level == locate.level.value
        self.check_bench()
        return result

    @contextmanager
    def without_high_lead(self, point: str) -> Iterator[None]:
        """The lead that brings a point the high voltage is off; its others, if any, stay."""
        wires = self.bench.wiring._wires
        (lead,) = [
            key
            for key, node in wires.items()
            if node == point_node(point) and key[1] == self.make.banks[0]
        ]
        node, wires[lead] = wires[lead], point_node("inner lost")
        self.bench.wiring.changed()
        yield
        wires[lead] = node
        self.bench.wiring.changed()

    def told_of_other_leads(self) -> str:
        """Notices of the bound program about points proved through another lead."""
        return "\n".join(n for n in self.schedule.notices if "another lead" in n)

    def names(self, pair: NetPair) -> str:
        """A pair in words."""
        return " to ".join(self.demands.nets[net].name for net in pair)

    @property
    def insulation_source_a(self) -> Decimal:
        """The most that the tester drives in insulation; with more its level breaks down."""
        most = self.adapter.abilities.kinds[StepKind.INSULATION].source_current_a
        assert most is not None
        return most

    # ---- by points and nets

    def body(self, points: Iterable[str]) -> frozenset[int]:
        """The bodies (nets that a load or a bond joins count as one) of points."""
        net_of = self.demands.net_of_point
        return frozenset(self.demands.body_of[net_of[point]] for point in points)

    def bodies(self, pair: NetPair) -> frozenset[int]:
        """Both nets of a pair as bodies."""
        return frozenset(self.demands.body_of[net] for net in pair)

    def named(self, located: Located) -> list[frozenset[int]]:
        """Pairs found, as bodies."""
        return [self.body((*pair.one, *pair.other)) for pair in located.pairs]

    def candidates(self, located: Located) -> set[frozenset[int]]:
        """Pairs that were left, as bodies."""
        return {self.body((*one, *other)) for one, other in located.candidates}

    def may_float(self, located: Located) -> bool:
        """Whether the search after this step might leave nets open."""
        step = self.schedule.steps[located.step]
        return step.locate is not None and step.locate.floating is not None


# ---- station


def station_text(demands: Demands, rack: RackMake) -> str:
    """A station file: as many units as the points need; leads as the steps of the product need."""
    make, points = rack.make, [point for net in demands.nets for point in net.points]
    heavy = set(points) if rack.heavy_continuity else set(bonded_points(demands))
    lines = [f"name: planned on {make.tester}", "testers:"]
    link = f"{{kind: simulated, instrument: {make.tester}}}"
    lines.append(f"  {make.tester}: {{profile: {make.tester}, simulated: yes, link: {link}}}")
    lines += ["chains:", f"  {make.chain}:", f"    profile: {make.chain}", "    simulated: yes"]
    lines += [f"    {make.reached}", "    units:"]
    for number in range(-(-len(points) // rack.channels)):
        lines += _unit_lines(rack, number + 1)
    lines += ["interlock:", "  - {name: guard switch, source: {kind: simulated}}"]
    lines += [f"  - {{name: door contact, source: {{kind: tester, tester: {make.tester}}}}}"]
    lines += ["simulated_unit: unit.yaml", "positions:"]
    leads = []
    for place, point in enumerate(points):
        unit, channel = divmod(place, rack.channels)
        letters = "HCS" if point in heavy else "H"
        for letter, bank in zip(letters, make.banks, strict=False):
            where = f"{make.chain}/{make.unit}{unit + 1}/{bank}/{channel + 1}"
            lines.append(f"  {letter}{place + 1}: {where}")
        more = f", C{place + 1}], sense: S{place + 1}" if point in heavy else "]"
        leads.append(f"    {point}: {{source: [H{place + 1}{more}}}")
    lines += ["fixture:", "  name: cradle", "  revision: '1'", "  points:", *leads]
    return "\n".join(lines) + "\n" + make.exemption


def _unit_lines(rack: RackMake, number: int) -> Iterator[str]:
    tester, (high, heavy, sense) = rack.make.tester, rack.make.banks
    yield f"      - name: {rack.make.unit}{number}"
    if rack.address:
        yield f"        {rack.address.format(number)}"
    yield "        feeds:"
    yield f"          {high}: {{source: {tester}.output, return: {tester}.return}}"
    current = f"source: {tester}.high_current_output, return: {tester}.high_current_return"
    yield f"          {heavy}: {{{current}}}"
    yield f"          {sense}: {{source: {tester}.sense_high, return: {tester}.sense_low}}"


def bonded_points(demands: Demands) -> tuple[str, ...]:
    """Points that a bonding step may end at."""
    parts = tuple(part for demand in demands.bond_demands for part in demand.parts)
    return (*demands.earth_points, *parts) if parts else ()
