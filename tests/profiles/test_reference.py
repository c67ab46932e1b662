"""The reference page is true: every example runs, every table is the code's own."""

from __future__ import annotations

import re

import pytest
from pydantic import BaseModel

from drivers.language.checker import check_profile, render_report
from drivers.language.format_words import PLAIN_WORDS
from drivers.language.profile_banks import (
    BankModel,
    ChainModel,
    Items,
    Numbering,
    Routing,
    SwitchModel,
)
from drivers.language.profile_common import (
    ChecksumModel,
    CommonProfile,
    Envelope,
    Exchange,
    Framing,
    Identify,
    LinkDefaults,
    RatingModel,
    ReadBack,
    ReceiveFraming,
    SendFraming,
    SerialDefaults,
    Timing,
    TokenModel,
)
from drivers.language.profile_matrix import ListCommand, MatrixProfile
from drivers.language.profile_tester import (
    Carry,
    Clear,
    Errors,
    Event,
    Interlock,
    KindModel,
    Memory,
    Off,
    TerminalUseModel,
    TesterProfile,
)
from tests.profiles.examples import PAGE, examples, player_of
from tests.profiles.vocabulary import page_with_table

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


def test_the_vocabulary_on_the_page_is_that_of_the_code() -> None:
    """Every field with direction, values and rounding; see tests/profiles/vocabulary.py."""
    assert page_with_table() == PAGE.read_text(encoding="utf-8")


@pytest.mark.parametrize("word", sorted(PLAIN_WORDS))
def test_every_word_of_a_format_is_on_the_page(word: str) -> None:
    """The notation table is complete."""
    assert re.search(rf"`{re.escape(word)}`", PAGE.read_text(encoding="utf-8"))


def _keys(model: type[BaseModel]) -> set[str]:
    """Every key of a model and of the models in it, as files write them."""
    found: set[str] = set()
    for name, info in model.model_fields.items():
        found.add(info.alias or name)
    return found


MODELS = (
    CommonProfile,
    Framing,
    SendFraming,
    ReceiveFraming,
    Envelope,
    ChecksumModel,
    Timing,
    Exchange,
    ReadBack,
    Identify,
    TesterProfile,
    KindModel,
    TerminalUseModel,
    Off,
    Interlock,
    Memory,
    Clear,
    Errors,
    Event,
    Carry,
    Routing,
    MatrixProfile,
    BankModel,
    ChainModel,
    SwitchModel,
    Items,
    Numbering,
    ListCommand,
    RatingModel,
    TokenModel,
    LinkDefaults,
    SerialDefaults,
)


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_key_of_the_language_is_on_the_page(model: type[BaseModel]) -> None:
    """No key can be added without its line on the page."""
    text = PAGE.read_text(encoding="utf-8")
    page = text.partition("## One example")[0]
    missing = sorted(k for k in _keys(model) if not re.search(rf"\b{re.escape(k)}\b", page))
    assert not missing


@pytest.mark.parametrize("letter", FAMILIES)
def test_a_changed_byte_in_a_dialogue_is_noticed(letter: str) -> None:
    """The player isn't blind: another first message fails."""
    example = examples()[letter]
    broken = re.sub(
        r"^> (.*)\\([rn])$", r"> \1!\\\2", example.dialogue, count=1, flags=re.MULTILINE
    )
    if broken == example.dialogue:
        broken = example.dialogue.replace("> [", "> [!", 1)
    with pytest.raises(AssertionError):
        player_of(example).play(broken)
