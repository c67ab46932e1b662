"""The reference page is true: every example runs, every table is the code's own."""

from __future__ import annotations

import re

import pytest

from drivers.language.checker import check_profile, render_report
from drivers.language.fields import FIELDS, FieldKind, FieldSpec
from tests.profiles.examples import PAGE, examples, player_of

FAMILIES = "abcdefghi"


@pytest.mark.parametrize("letter", FAMILIES)
def test_the_dialogue_of_every_family_runs_byte_for_byte(letter: str) -> None:
    """The adapter sends exactly the lines marked >, and makes of the answers what is told."""
    example = examples()[letter]
    player_of(example).play(example.dialogue)


@pytest.mark.parametrize("letter", FAMILIES)
def test_every_example_is_sound_by_the_checker(letter: str) -> None:
    """No fault, and at least one message rendered and read back."""
    report = check_profile(examples()[letter].document())
    assert report.sound, render_report(report)
    assert report.samples > 0


def test_there_is_one_example_for_each_family_and_no_other() -> None:
    """Families (a) to (i), in order."""
    assert "".join(examples()) == FAMILIES
