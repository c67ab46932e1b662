"""How things look: neutral colours, outcomes told apart by word and shape.

Red and green belong to the lamps of EN 50191 and appear nowhere, in errors neither. Blue and
orange are told apart by colour-blind eyes too. Plain text where the output is no terminal, or
NO_COLOR is set.
"""

from __future__ import annotations

import os
import sys
from typing import IO

from rich.console import Console
from rich.text import Text
from rich.theme import Theme

BLUE = "bright_blue"
ORANGE = "color(208)"

_SHAPES = {"pass": "●", "fail": "✕", "no_verdict": "○", "not_run": "–", "unfinished": "…"}
_PLAIN_SHAPES = {"pass": "*", "fail": "x", "no_verdict": "o", "not_run": "-", "unfinished": "?"}
WORDS = {"no_verdict": "no verdict", "not_run": "not run"}
_STRONG = {"pass": "name", "fail": "alert", "no_verdict": "alert"}


def make_console(*, errors: bool = False) -> Console:
    """A console for standard output, or for standard error."""
    console = Console(
        stderr=errors,
        highlight=False,
        markup=False,
        emoji=False,
        soft_wrap=True,
        no_color=True if os.environ.get("NO_COLOR") else None,
    )
    # Orange has no place among sixteen colours; its nearest there could be red.
    rich_enough = console.color_system in {"256", "truecolor"}
    alert = f"bold {ORANGE}" if rich_enough else "bold"
    styles = {"name": f"bold {BLUE}", "alert": alert, "place": BLUE, "strong": "bold", "quiet": ""}
    console.push_theme(Theme(styles))
    return console


def shape(outcome: str, stream: IO[str]) -> str:
    """The outcome's shape, in ASCII where the stream's encoding hasn't got it."""
    mark = _SHAPES.get(outcome, "?")
    return mark if can_show(mark, stream) else _PLAIN_SHAPES.get(outcome, "?")


def can_show(text: str, stream: IO[str]) -> bool:
    """Whether the stream's encoding holds all of the text."""
    try:
        text.encode(getattr(stream, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def verdict(outcome: str, stream: IO[str]) -> Text:
    """Shape and word of an outcome."""
    word = WORDS.get(outcome, outcome)
    return Text(f"{shape(outcome, stream)} {word}", style=_STRONG.get(outcome, "quiet"))


def forgive_encodings() -> None:
    """Let no character that a terminal hasn't got raise an error: it is shown escaped."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
