"""The built wheel, in an empty environment away from the checkout."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ("orchestrator", "drivers", "profiles", "sim_configs", "examples")
FILES = ("pyproject.toml", "setup.py", "MANIFEST.in", "README.md", "LICENSE", "CHANGELOG.md")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.egg-info", "build", ".*")
PIP = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
OFFLINE = ["--no-index", "--no-deps"]


def build(folder: Path) -> Path:
    """The wheel, built from a copy of the checkout (building leaves traces in its source)."""
    source = folder / "source"
    source.mkdir()
    for name in SOURCE:
        shutil.copytree(ROOT / name, source / name, ignore=LEFT_OUT)
    for name in FILES:
        shutil.copy(ROOT / name, source / name)
    command = [*PIP, "wheel", *OFFLINE, "--no-build-isolation", "--wheel-dir", str(folder)]
    subprocess.run([*command, str(source)], check=True, timeout=300)
    shutil.rmtree(source)
    (wheel,) = folder.glob("ohmward-*.whl")
    return wheel


@dataclass
class Environment:
    """A new environment with nothing but the wheel, and a folder to work in."""

    folder: Path
    work: Path

    @property
    def scripts(self) -> Path:
        return self.folder / ("Scripts" if os.name == "nt" else "bin")

    def popen(self, name: str, *arguments: str) -> subprocess.Popen[str]:
        environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
        return subprocess.Popen(
            [str(self.scripts / name), *arguments],
            cwd=self.work,
            env={**environment, "PYTHONIOENCODING": "utf-8"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            encoding="utf-8",
        )

    def run(self, name: str, *arguments: str, code: int = 0) -> str:
        """What a command prints; it must end with this code."""
        return finish(self.popen(name, *arguments), code)


def finish(process: subprocess.Popen[str], code: int = 0) -> str:
    """What a process prints; it must end with this code within three minutes."""
    try:
        told, _ = process.communicate(timeout=180)
    finally:
        put_down(process)
    assert process.returncode == code, told
    return told


def put_down(process: subprocess.Popen[str]) -> None:
    """Ended, if it hasn't ended, and its pipe closed."""
    process.kill()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


def install(wheel: Path, folder: Path) -> Environment:
    """A fresh environment with the wheel; what it depends on is lent by the tests' environment.

    A line of a .pth file adds that folder's packages behind the own ones. Its .pth files aren't
    read, so the editable install of the checkout isn't found there.
    """
    made = Environment(folder / "environment", folder / "work")
    made.work.mkdir()
    venv.create(made.folder, with_pip=False)
    python = str(made.scripts / "python")
    subprocess.run([*PIP, "--python", python, "install", *OFFLINE, str(wheel)], check=True)
    (site,) = {Path(p) for p in made.run("python", "-c", SITE).split("\n") if p}
    lent = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (site / "lent.pth").write_text("\n".join(sorted(lent)) + "\n", encoding="utf-8")
    where = Path(made.run("python", "-c", "import orchestrator; print(orchestrator.__file__)"))
    assert where.is_relative_to(site.resolve()) or where.is_relative_to(site), where
    return made


ALL_HELD = re.compile(r"^(\d+) of \1 expectations held", re.MULTILINE)
CONTINUITY = "\n  # Continuity: "
"""Where the scaffold's program goes on after its bonding steps."""
SITE = "import sysconfig; print(sysconfig.get_path('purelib'))"


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def there(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Environment:
    return install(wheel, tmp_path_factory.mktemp("there"))


@pytest.mark.slow
def test_the_wheel_runs_in_an_empty_environment(there: Environment) -> None:
    """Version, scaffold, check, run, records and profile check: all from the wheel alone. The run
    is the scaffold's as far as its bonding steps: instruments and time are real enough for that."""
    assert "0.1.0" in there.run("ohmward", "--version")
    there.run("ohmward", "new", "bay")
    bay = there.work / "bay"
    files = [str(bay / "station.yaml"), str(bay / "program.yaml")]
    assert "12. mains circuit to control circuit" in there.run("ohmward", "check", *files)
    bonding, cut, _ = (bay / "program.yaml").read_text(encoding="utf-8").partition(CONTINUITY)
    assert cut
    (bay / "program.yaml").write_text(bonding, encoding="utf-8")
    assert "pass   serial W1" in there.run("ohmward", "run", *files, "--serial", "W1", "--yes")
    there.run("ohmward", "records", "verify", "bay")
    there.run("ohmward", "profile", "check", "orrin")
    there.run("ohmward", "profile", "check", "comb")


@pytest.mark.soak
def test_the_demo_runs_from_the_wheel(there: Environment) -> None:
    """Everything it shows comes out as expected, and nothing of the checkout is in it."""
    told = there.run("ohmward", "demo")
    assert str(ROOT) not in told
    assert ALL_HELD.search(told), told


@pytest.mark.slow
def test_the_contracts_run_from_the_wheel(there: Environment) -> None:
    """The suite is in the wheel and takes shipped adapters through their contracts."""
    told = there.run(
        "python",
        *("-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "orchestrator.conformance.plugin"),
        *("--pyargs", "orchestrator.conformance"),
        *("--subject", "drivers.subjects:StaveSubject"),
        *("--subject", "drivers.subjects:LatticeSubject"),
    )
    passed = re.search(r"(\d+) passed", told)
    assert passed, told
    assert int(passed[1]) > 40  # all rules of two contracts but for one that the Stave can't show


@pytest.mark.slow
def test_the_wheel_holds_what_it_needs_and_no_traces_of_work(wheel: Path) -> None:
    """Profiles with their prose, examples and the contracts; no caches, records or builds."""
    names = zipfile.ZipFile(wheel).namelist()
    data = "orchestrator/_data"
    for wanted in (
        f"{data}/profiles/orrin.yaml",
        f"{data}/profiles/orrin.md",
        f"{data}/examples/demo/program.yaml",
        f"{data}/examples/driver_package/pyproject.toml",
        f"{data}/examples/driver_package/ohmward_quern/adapter.py",
        "orchestrator/conformance/test_contracts.py",
        "orchestrator/conformance/conftest.py",
        "orchestrator/py.typed",
    ):
        assert wanted in names
    tops = {name.split("/")[0] for name in names if ".dist-info" not in name}
    assert tops == {"orchestrator", "drivers"}
    unwanted = ("__pycache__", ".sqlite", "/build/", ".egg-info", "/.")
    assert not [name for name in names if any(part in name for part in unwanted)]
