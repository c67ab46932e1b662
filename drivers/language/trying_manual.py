"""Where in the manual a line of a profile comes from: the comments that its author wrote there."""

from __future__ import annotations

from pathlib import Path


class ManualNotes:
    """Comments of a profile's text, by line.

    A line without a comment leans on the nearest line above it that it is part of (less indented).
    """

    def __init__(self, text: str) -> None:
        self._lines = text.splitlines()

    @classmethod
    def of_file(cls, path: str) -> ManualNotes:
        """Read a profile's text; without it there are no notes.

        Raises:
            OSError, UnicodeDecodeError: the file is gone or isn't UTF-8.
        """
        return cls(Path(path).read_text(encoding="utf-8"))

    def at(self, line: int) -> str:
        """The comment that a line (from 1) leans on; '' where there is none."""
        if not 1 <= line <= len(self._lines):
            return ""
        indent = _indent(self._lines[line - 1]) + 1
        for number in range(line - 1, -1, -1):
            text = self._lines[number]
            if not text.strip() or text.lstrip().startswith("#"):
                continue
            if _indent(text) >= indent:
                continue
            indent = _indent(text)
            comment = _comment(text)
            if comment:
                return comment
            if indent == 0:
                return ""
        return ""


def _indent(line: str) -> int:
    """Columns before the text; the dash of a list item counts as part of the indent."""
    bare = line.lstrip(" ")
    depth = len(line) - len(bare)
    return depth + 1 if bare.startswith("- ") else depth


def _comment(line: str) -> str:
    """What stands behind the first '#' outside of quotes."""
    quote = ""
    for at, char in enumerate(line):
        if quote:
            quote = "" if char == quote else quote
        elif char in "'\"":
            quote = char
        elif char == "#" and (at == 0 or line[at - 1] in " \t"):
            return line[at + 1 :].strip()
    return ""
