"""The house rules that can be read off the source: layers, sizes, banned statements.

The table repeats that of DEVELOPERS.md on purpose, written separately: a module that moves must
be moved in both.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).resolve().parent.parent

LONGEST_MODULE = 400
LONGEST_FUNCTION = 60

# Room → layer; the longest matching name counts. Any other module right in orchestrator/ is
# ground floor.
LAYERS = {
    "orchestrator.cli": 6,
    "orchestrator.assembly": 6,
    "drivers": 5,
    "orchestrator.records": 5,
    "orchestrator.line": 5,
    "orchestrator.reports": 5,
    "orchestrator.conformance": 5,
    "orchestrator.running": 4,
    "orchestrator.planning": 3,
    "orchestrator.coverage": 3,
    "orchestrator.binding": 3,
    "orchestrator.model": 2,
    "orchestrator.formulas": 2,
    "orchestrator.contract": 2,
    "orchestrator": 1,
}

# The edges meet only in layer 6.
EDGES = ("drivers", "orchestrator.records", "orchestrator.line", "orchestrator.reports")

# Only the lazily resolved public names; nothing of ours may import through it.
FRONT_DOOR = "orchestrator"

POSIX_ONLY = {"fcntl", "grp", "pty", "pwd", "resource", "termios", "tty"}
WINDOWS_ONLY = {"msvcrt", "winreg", "_winapi"}
CLOCK = "orchestrator.clock"


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    name_of(path): path
    for folder in ("orchestrator", "drivers")
    for path in sorted((ROOT / folder).rglob("*.py"))
}
INNER = sorted(set(MODULES) - {FRONT_DOOR})


def every(modules: Iterable[str]) -> Callable[[Callable[[str], None]], Callable[[str], None]]:
    """Ask a question of each module, a package at a time: one test for each module would take
    longer to count than to answer."""
    packages: dict[str, list[str]] = {}
    for module in modules:
        packages.setdefault(module.rpartition(".")[0] or module, []).append(module)

    def of_packages(question: Callable[[str], None]) -> Callable[[str], None]:
        @pytest.mark.parametrize("package", sorted(packages))
        def asked(package: str) -> None:
            for module in packages[package]:
                try:
                    question(module)
                except AssertionError as error:
                    raise AssertionError(f"{module}: {error}") from error

        asked.__name__, asked.__doc__ = question.__name__, question.__doc__
        return asked

    return of_packages


@cache
def tree(module: str) -> ast.Module:
    return ast.parse(MODULES[module].read_text(encoding="utf-8"))


def room(module: str, rooms: tuple[str, ...]) -> str | None:
    """The longest of the rooms' names that the module lies in."""
    fitting = [name for name in rooms if module == name or module.startswith(name + ".")]
    return max(fitting, key=len, default=None)


def layer(module: str) -> int:
    found = room(module, tuple(LAYERS))
    assert found is not None, f"{module} lies in no room of the table"
    return LAYERS[found]


def imported(module: str, *, body: list[ast.stmt] | None = None) -> Iterator[tuple[str, int]]:
    """Names of our own modules that a module imports, anywhere in it, with the line."""
    nodes = ast.walk(tree(module)) if body is None else iter(body)
    for node in nodes:
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = absolute(module, node)
            names = [
                full if (full := f"{base}.{alias.name}") in MODULES else base
                for alias in node.names
            ]
        else:
            continue
        for name in names:
            if name.partition(".")[0] in {"orchestrator", "drivers"}:
                yield name, node.lineno


def absolute(module: str, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ""
    inside = MODULES[module].name == "__init__.py"
    parts = module.split(".")
    base = parts[: len(parts) - node.level + (1 if inside else 0)]
    return ".".join([*base, node.module] if node.module else base)


def outer_statements(body: list[ast.stmt]) -> Iterator[ast.stmt]:
    """Statements that run on import: all but the bodies of functions and of TYPE_CHECKING."""
    for statement in body:
        yield statement
        if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(statement, ast.If) and "TYPE_CHECKING" in ast.unparse(statement.test):
            yield from outer_statements(statement.orelse)
            continue
        for part in ("body", "orelse", "finalbody"):
            yield from outer_statements(getattr(statement, part, []))
        for handler in getattr(statement, "handlers", []):
            yield from outer_statements(handler.body)


def guarded(module: str, statement: ast.stmt) -> bool:
    """Whether an import stands under a question about the platform, or its failure is caught."""
    for node in ast.walk(tree(module)):
        inside = any(child is statement for child in ast.walk(node))
        if isinstance(node, ast.If) and inside and "platform" in ast.unparse(node.test):
            return True
        if (
            isinstance(node, ast.Try)
            and inside
            and any(
                "ImportError" in ast.unparse(h.type) for h in node.handlers if h.type is not None
            )
        ):
            return True
    return False


def asks_the_time(node: ast.AST) -> bool:
    if isinstance(node, ast.Import):
        return any(alias.name == "time" for alias in node.names)
    if isinstance(node, ast.ImportFrom):
        return node.module == "time" and not node.level
    if isinstance(node, ast.Attribute):
        owner = ast.unparse(node.value).rpartition(".")[2]
        return owner in {"date", "datetime"} and node.attr in {"now", "utcnow", "today"}
    return False


def places(module: str, lines: list[int]) -> list[str]:
    return [f"{MODULES[module].relative_to(ROOT)}:{line}" for line in lines]


@every(INNER)
def test_imports_run_down_only(module: str) -> None:
    """A layer knows itself and those below it."""
    up = [
        f"{module} (layer {layer(module)}) imports {name} (layer {layer(name)}), line {line}"
        for name, line in imported(module)
        if layer(name) > layer(module)
    ]
    assert not up


@every([m for m in INNER if m.startswith("orchestrator")])
def test_the_orchestrator_never_imports_the_drivers(module: str) -> None:
    """Drivers are found by entry point, ours like anybody else's."""
    assert not [name for name, _ in imported(module) if room(name, ("drivers",))]


@every(INNER)
def test_the_edges_never_import_each_other(module: str) -> None:
    """Instruments, databases, line and reports meet only where they are assembled."""
    mine = room(module, EDGES)
    others = [name for name, _ in imported(module) if room(name, EDGES) not in {None, mine}]
    assert mine is None or not others


@every(INNER)
def test_nothing_inside_imports_through_the_front_door(module: str) -> None:
    """The public names are for users; inside, a name is imported from where it lives."""
    assert not [name for name, _ in imported(module) if name == FRONT_DOOR]


def test_planner_and_coverage_share_no_code_beyond_models_and_formulas() -> None:
    """Each checks the other: a mistake in common code would pass unseen."""
    for one, other in (("planning", "coverage"), ("coverage", "planning")):
        for module in INNER:
            if module.startswith(f"orchestrator.{one}"):
                text = MODULES[module].read_text(encoding="utf-8")
                assert f"orchestrator.{other}" not in text, module


def test_modules_import_each_other_in_no_circle() -> None:
    """Not even late, within functions; imports for type checkers alone don't count."""
    graph = nx.DiGraph()
    for module in INNER:
        skipped = {
            id(inner)
            for node in ast.walk(tree(module))
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
            for statement in node.body
            for inner in ast.walk(statement)
        }
        body = [n for n in ast.walk(tree(module)) if id(n) not in skipped]
        statements = [n for n in body if isinstance(n, ast.stmt)]
        for name, _ in imported(module, body=statements):
            if name != module:
                graph.add_edge(module, name)
    assert sorted(nx.simple_cycles(graph, length_bound=6)) == []
    assert nx.is_directed_acyclic_graph(graph)


@every(sorted(MODULES))
def test_modules_stay_short(module: str) -> None:
    """One concept to a module."""
    length = len(MODULES[module].read_text(encoding="utf-8").splitlines())
    assert length <= LONGEST_MODULE


@every(sorted(MODULES))
def test_functions_stay_short(module: str) -> None:
    """A function fits a screen."""
    long = [
        f"{node.name}: {length} lines"
        for node in ast.walk(tree(module))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (length := (node.end_lineno or 0) - node.lineno + 1) > LONGEST_FUNCTION
    ]
    assert not long


@every(sorted(MODULES))
def test_guards_raise_and_never_assert(module: str) -> None:
    """An assert vanishes under -O; a guard must not."""
    lines = [node.lineno for node in ast.walk(tree(module)) if isinstance(node, ast.Assert)]
    assert not places(module, lines)


@every(sorted(MODULES))
def test_modules_import_on_every_platform(module: str) -> None:
    """What exists on one system only is imported where it is used, or behind a question."""
    lines = []
    for statement in outer_statements(tree(module).body):
        names: list[str] = []
        if isinstance(statement, ast.Import):
            names = [alias.name for alias in statement.names]
        elif isinstance(statement, ast.ImportFrom) and not statement.level:
            names = [statement.module or ""]
        if (POSIX_ONLY | WINDOWS_ONLY) & set(names) and not guarded(module, statement):
            lines.append(statement.lineno)
    assert not places(module, lines)


@every(sorted(set(MODULES) - {CLOCK}))
def test_only_the_clock_asks_the_time(module: str) -> None:
    """No use of the time module and no 'now' of a date anywhere else."""
    lines = [getattr(node, "lineno", 0) for node in ast.walk(tree(module)) if asks_the_time(node)]
    assert not places(module, lines)


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import time", True),
        ("from time import sleep", True),
        ("datetime.datetime.now(UTC)", True),
        ("date.today()", True),
        ("clock.now()", False),
        ("from datetime import UTC", False),
    ],
)
def test_the_check_on_time_knows_what_it_looks_for(source: str, expected: bool) -> None:
    """Planted by hand, so that the check can't quietly stop finding anything."""
    assert any(asks_the_time(node) for node in ast.walk(ast.parse(source))) is expected


@pytest.mark.parametrize(
    ("module", "expected"),
    [
        ("orchestrator.quantities", 1),
        ("orchestrator.contract", 2),
        ("orchestrator.model.program", 2),
        ("orchestrator.binding.routes", 3),
        ("orchestrator.running.engine", 4),
        ("orchestrator.records.store", 5),
        ("drivers.links.tcp", 5),
        ("orchestrator.cli.run", 6),
    ],
)
def test_the_table_places_each_room(module: str, expected: int) -> None:
    """The check itself knows its layers, whether or not the room is built yet."""
    assert layer(module) == expected
