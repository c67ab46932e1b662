"""The worked examples of profiles/REFERENCE.md, taken out of the page."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from drivers.adapters.carried import CarriedMatrix
from drivers.adapters.matrix import ProfileMatrix
from drivers.adapters.tester import ProfileTester
from drivers.language.profile import parse_profile
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.documents import Document
from tests.profiles.harness import MatrixPlayer, TesterPlayer

PAGE = Path(__file__).parents[2] / "profiles" / "REFERENCE.md"
_BLOCK = re.compile(
    r"^```yaml\n# example ([a-z])\n(.*?)^```\n```dialogue\n(.*?)^```", re.DOTALL | re.MULTILINE
)
UNITS: dict[str, dict[str, int | None]] = {
    "f": {"u1": 1, "u2": 2},
    "g": {"u1": 1},
    "h": {"own": None},
}
CARRIERS = {"h": "d"}


@dataclass(frozen=True)
class Example:
    """One worked example."""

    letter: str
    text: str
    dialogue: str

    def document(self) -> Document[TesterProfile] | Document[MatrixProfile]:
        return parse_profile(self.text, f"example {self.letter}")


def examples() -> dict[str, Example]:
    """Letter → example."""
    found = _BLOCK.findall(PAGE.read_text(encoding="utf-8"))
    return {letter: Example(letter, text, dialogue) for letter, text, dialogue in found}


def player_of(example: Example) -> TesterPlayer | MatrixPlayer:
    """The real adapter on the example's profile, ready to be played."""
    document = example.document()
    if isinstance(document.model, TesterProfile):
        tester = ProfileTester(document, "t", {"own": None})
        return TesterPlayer(tester)
    chain = ProfileMatrix(document, "c", UNITS[example.letter])
    carrier = CARRIERS.get(example.letter)
    if carrier is None:
        return MatrixPlayer(chain)
    other = examples()[carrier].document()
    return MatrixPlayer(CarriedMatrix(chain, ProfileTester(other, "carrier")))  # type: ignore[arg-type]
