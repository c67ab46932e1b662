"""Puts the data folders of the checkout into the wheel; all else stands in pyproject.toml."""

from pathlib import Path
from shutil import copytree, ignore_patterns

from setuptools import setup
from setuptools.command.build_py import build_py

HERE = Path(__file__).parent
DATA = ("profiles", "sim_configs", "examples")


class BuildWithData(build_py):
    """Copies the data folders beside the code they belong to."""

    def run(self) -> None:
        super().run()
        if self.editable_mode:  # a checkout reads them where they are
            return
        for name in DATA:
            if (HERE / name).is_dir():
                target = Path(self.build_lib) / "orchestrator" / "_data" / name
                copytree(
                    HERE / name,
                    target,
                    dirs_exist_ok=True,
                    ignore=ignore_patterns(
                        "__pycache__", "*.pyc", "*.sqlite*", ".*", "build", "*.egg-info"
                    ),
                )


setup(cmdclass={"build_py": BuildWithData})
