"""Fields about relays: a role for each channel in turn, lists in hexadecimal, empty lists."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.language.templates import Dialect, Template, TemplateError

DIALECT = Dialect(words={"role": {"source": "O", "return": "R", "open": "."}})
ROLES = st.lists(st.sampled_from(["source", "return", "open"]), min_size=1, max_size=64)


def compiled(text: str, dialect: Dialect = DIALECT, *, sending: bool = True) -> Template:
    return Template.compile(text, dialect, sending=sending)


def test_roles_stand_side_by_side() -> None:
    """One word for each channel, in the channels' order."""
    roles = ("source", "open", "return", "open")
    template = compiled("P;{channel_roles}")
    assert template.render({"channel_roles": roles}) == b"P;O.R."
    assert template.parse(b"P;O.R.") == {"channel_roles": roles}


@given(roles=ROLES)
@pytest.mark.parametrize("form", ["{channel_roles}", "{channel_roles:list bar}"])
def test_roles_come_back_as_they_went(form: str, roles: list[str]) -> None:
    """Side by side or parted by a mark."""
    template = compiled(form)
    assert template.parse(template.render({"channel_roles": tuple(roles)})) == {
        "channel_roles": tuple(roles)
    }


@pytest.mark.parametrize("told", [b"P;O?R.", b"P;", b"P;OR|."])
def test_a_role_that_is_not_known_is_no_answer(told: bytes) -> None:
    """Never read as open."""
    assert compiled("P;{channel_roles}", sending=False).parse(told) is None


@pytest.mark.parametrize(
    "words",
    [{"source": "O", "return": "R"}, {"source": "ON", "return": "R", "open": "."}],
    ids=["no word for open", "words of two lengths"],
)
def test_roles_that_could_not_be_cut_apart_are_refused(words: dict[str, str]) -> None:
    """'open' must be written, and every word must have one length where nothing parts them."""
    with pytest.raises(TemplateError):
        compiled("{channel_roles}", Dialect(words={"role": words}))


def test_a_list_may_be_hexadecimal() -> None:
    """Three digits each, a blank between."""
    template = compiled("R={channels:list blank x3}", sending=False)
    assert template.parse(b"R=0DF 017 001") == {"channels": (0xDF, 0x17, 1)}
    assert template.parse(b"R=0DG") is None


def test_an_empty_list_may_have_a_text() -> None:
    """Both ways; an empty list, not a value left out."""
    template = compiled("R={channels:list blank x3|---}")
    assert template.render({"channels": ()}) == b"R=---"
    assert template.parse(b"R=---") == {"channels": ()}
