"""The example of a driver in Python, installed like anybody's and used by a station."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "examples" / "driver_package"
PORT = "40417"
COMMAND = "import sys; from orchestrator.cli.main import main; sys.exit(main(sys.argv[1:]))"


class Installed:
    """The package in a folder of its own, beside this checkout on the path."""

    def __init__(self, folder: Path) -> None:
        self.files = folder / "source"
        self.site = folder / "site"
        # Building leaves its traces where the source lies, so it is built from a copy.
        shutil.copytree(PACKAGE, self.files, ignore=shutil.ignore_patterns("__pycache__"))
        pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        pip += ["--no-index", "--no-deps", "--no-build-isolation", "--target", str(self.site)]
        subprocess.run([*pip, str(self.files)], check=True, timeout=120)
        shutil.rmtree(self.files / "ohmward_quern")  # what runs below is what was installed
        self.environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join((str(self.site), str(ROOT))),
            "PYTHONDONTWRITEBYTECODE": "1",
        }

    def python(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, *arguments],
            cwd=self.files,
            env=self.environment,
            capture_output=True,
            encoding="utf-8",
            timeout=120,
            check=False,
        )

    def ohmward(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        return self.python("-c", COMMAND, *arguments)


def passed(told: str) -> int:
    """How many tests passed, as pytest tells."""
    found = re.search(r"(\d+) passed", told)
    return 0 if found is None else int(found[1])


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    return Installed(tmp_path_factory.mktemp("driver"))


@pytest.fixture
def served(installed: Installed) -> Iterator[None]:
    """Its simulator in a process of its own, on a free port that the station file then names."""
    process = subprocess.Popen(
        [sys.executable, "-m", "ohmward_quern.simulator"],
        cwd=installed.files,
        env=installed.environment,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        port = process.stdout.readline().split()[-1]
        station = installed.files / "station.yaml"
        text = (PACKAGE / "station.yaml").read_text(encoding="utf-8")
        assert text.count(f"port: {PORT}") == 1
        station.write_text(text.replace(f"port: {PORT}", f"port: {port}"), encoding="utf-8")
        yield
    finally:
        process.terminate()
        process.communicate(timeout=10)


@pytest.mark.slow
@pytest.mark.usefixtures("served")
def test_a_station_is_checked_and_run_with_the_installed_driver(installed: Installed) -> None:
    """`driver: quern` is found by entry point; both steps pass over a socket, on record."""
    checked = installed.ohmward("check", "station.yaml", "program.yaml")
    assert checked.returncode == 0, checked.stderr
    assert "insulation on q1" in checked.stdout
    ran = installed.ohmward("run", "station.yaml", "program.yaml", "--serial", "X1", "--yes")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "resistance 212 Mohm" in ran.stdout
    assert "pass   serial X1" in ran.stdout
    verified = installed.ohmward("records", "verify", ".")
    assert verified.returncode == 0, verified.stderr


@pytest.mark.slow
def test_its_own_tests_pass_against_the_installed_package(installed: Installed) -> None:
    """Its test file imports the contract as a plain class, and passes every rule that applies."""
    ran = installed.python("-m", "pytest", "-q", "-p", "no:cacheprovider", "tests")
    assert ran.returncode == 0, ran.stdout
    # Skipped are the rules of clearing and of the silent stop, which a Quern doesn't claim.
    assert passed(ran.stdout) > 30
    assert "2 skipped" in ran.stdout


@pytest.mark.slow
def test_the_contracts_find_its_subject_by_entry_point(installed: Installed) -> None:
    """`pytest --pyargs orchestrator.conformance`, from a folder that is no checkout."""
    ran = installed.python(
        *("-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "orchestrator.conformance.plugin"),
        *("--pyargs", "orchestrator.conformance", "--subject", "quern"),
    )
    assert ran.returncode == 0, ran.stdout
    assert passed(ran.stdout) > 29


@pytest.mark.slow
def test_a_key_that_the_driver_cannot_use_is_refused_in_its_own_words(
    installed: Installed,
) -> None:
    """What its factory refuses reaches the user with file and line, as a profile's faults do."""
    text = (PACKAGE / "station.yaml").read_text(encoding="utf-8")
    text = text.replace("    simulated: yes\n", "    simulated: yes\n    address: 3\n")
    (installed.files / "addressed.yaml").write_text(text, encoding="utf-8")
    checked = installed.ohmward("check", "addressed.yaml", "program.yaml")
    assert checked.returncode == 2
    assert "addressed.yaml:10:14" in checked.stderr
    assert "a Quern has none" in checked.stderr
