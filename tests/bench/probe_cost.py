"""What `ohmward probe` takes on a chain of 16 units."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

from drivers.simulators.bench import Bench
from drivers.simulators.serve import serve_tcp
from orchestrator.assembly.plan import read_plan
from orchestrator.assembly.probing import probe_station
from orchestrator.assembly.probing_findings import SearchBegins, SearchFound, Told
from orchestrator.clock import SystemClock
from tests.bench.figures import Figure, median
from tests.bench.station import tcp

UNITS = 16
GOAL_S = 2.0
FIRST = 3
CLOCK = SystemClock()

STATION = """\
name: timing bench, sixteen units
testers:
  t1: {{profile: pell, link: {tester}, simulated: yes}}
chains:
  c1:
    profile: comb
    link: {chain}
    simulated: yes
    units:
{units}
positions: {{p1: c1/u1/high/1}}
interlock:
  - {{name: door, source: {{kind: tester, tester: t1}}}}
exemptions:
  - {{rule: relay_position, instrument: c1, reason: a bench for timings}}
"""


def probe_figures(folder: Path, *, probes: int) -> list[Figure]:
    """All units there; then one of them one switch off, with the search for it."""
    declared = {f"u{n}": FIRST + n - 1 for n in range(1, UNITS + 1)}
    there_s = [_probe(folder, declared, declared)[0] for _ in range(probes)]
    stray = {**declared, "u16": 26}  # 18 is 10010, 26 is 11010: one position
    took_s, search_s, asked = _probe(folder, declared, stray)
    middle_s = median(there_s)
    how = "a Pell and a chain of 16 Comb units, each behind a TCP socket of this computer"
    return [
        Figure(
            "probe, chain of 16 units",
            f"{middle_s:.2f} s",
            f"< {GOAL_S:g} s",
            middle_s < GOAL_S,
            f"{how}: station file read, links opened, 17 identities, {UNITS * 3} banks of relays "
            f"and the inputs read; median of {probes}, {min(there_s):.2f} to {max(there_s):.2f} s. "
            "The simulated Comb takes 3 ms for each answer.",
        ),
        Figure(
            "search for one of 16 units",
            f"{search_s:.2f} s",
            "-",
            None,
            f"the same, unit u16 at 26 in place of 18: {asked} addresses asked, silence for 100 ms "
            f"counts as no answer; the whole probe {took_s:.2f} s.",
        ),
    ]


def _probe(
    folder: Path, declared: dict[str, int], stand: dict[str, int]
) -> tuple[float, float, int]:
    """Seconds for all, for the search, and how many addresses it asked."""
    search_s, asked = 0.0, 0

    def tell(told: Told) -> None:
        nonlocal search_s, asked
        if isinstance(told, SearchBegins):
            search_s = -CLOCK.monotonic()
        elif isinstance(told, SearchFound):
            search_s += CLOCK.monotonic()
            asked = told.asked
            if [c.address for c in told.candidates] != [stand[told.unit]]:
                raise ValueError(f"the search found {told.candidates}")

    bench = Bench(CLOCK)
    with ExitStack() as closing:
        tester = closing.enter_context(serve_tcp(bench.add("t1", "pell")))
        chain = closing.enter_context(serve_tcp(bench.add("c1", "comb", units=stand)))
        units = "\n".join(f"      - {{name: {u}, address: {a}}}" for u, a in declared.items())
        file = folder / "sixteen.yaml"
        text = STATION.format(tester=tcp(tester.port), chain=tcp(chain.port), units=units)
        file.write_text(text, encoding="utf-8")
        begin_s = CLOCK.monotonic()
        report = probe_station(read_plan(file), clock=CLOCK, tell=tell)
        took_s = CLOCK.monotonic() - begin_s
    if report.ok != (declared == stand):
        raise ValueError(f"the probe found otherwise: {report.items}")
    return took_s, search_s, asked


if __name__ == "__main__":
    import tempfile

    from rich.console import Console

    from tests.bench.figures import show

    with tempfile.TemporaryDirectory() as temporary:
        show(probe_figures(Path(temporary), probes=5), Console())
