"""The table of fields in profiles/REFERENCE.md, made from the vocabulary itself.

After a change: ``python -m tests.profiles.vocabulary`` writes it into the page.
"""

from __future__ import annotations

from drivers.language.fields import FIELDS, FieldKind, FieldSpec
from tests.profiles.examples import PAGE

BEGIN, END = "<!-- vocabulary -->\n", "<!-- end of vocabulary -->"


def vocabulary_table() -> str:
    """Markdown rows, in the order of the vocabulary."""
    rows = ["| field | what | direction | values |", "| --- | --- | --- | --- |"]
    rows += [_row(spec) for spec in FIELDS.values()]
    return "\n".join(rows) + "\n"


def _row(spec: FieldSpec) -> str:
    direction = ("→" if spec.settable else "") + ("←" if spec.readable else "")
    doc = spec.doc.replace("|", "\\|") + (" (derived)" if spec.derived else "")
    return f"| `{spec.name}` | {doc} | {direction} | {_values(spec)} |"


def _values(spec: FieldSpec) -> str:
    if spec.kind is FieldKind.WORD:
        return "the profile's own" if spec.words is None else " ".join(sorted(spec.words))
    if spec.kind is not FieldKind.QUANTITY:
        return spec.kind.value
    dimension = "by kind of step" if spec.dimension is None else spec.dimension.value
    if spec.reading:
        return f"reading, {dimension}"
    return f"{dimension}, rounded {spec.rounding}"


def page_with_table() -> str:
    """The page with the table as it should be."""
    text = PAGE.read_text(encoding="utf-8")
    head, _, rest = text.partition(BEGIN)
    return head + BEGIN + vocabulary_table() + END + rest.partition(END)[2]


if __name__ == "__main__":
    PAGE.write_text(page_with_table(), encoding="utf-8")
