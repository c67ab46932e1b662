"""What an editor says about a key: the row of the reference pages, so that each text stands once.

A table belongs to a model if nearly all of the model's keys have rows in the tables around it.
Where no table fits, the model's docstring tells.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from inspect import cleandoc
from pathlib import Path
from typing import get_args

from pydantic import BaseModel

from orchestrator.resources import resource_folder

_COVERED = 0.75
"""More than this share of a model's keys must have rows, or the rows mean something else."""


@dataclass(frozen=True)
class Table:
    """One table of a page; `section` is the heading of second rank that it is under.

    Attributes:
        rows: text by key. kinds: text by the word of the key `kind`, for tables of these.
        inner: keys that a row lists in braces, with the row's text.
    """

    section: str
    rows: dict[str, str] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)
    inner: list[tuple[frozenset[str], str]] = field(default_factory=list)


def page_texts(page: Path, *, by_section: bool) -> Texts:
    """The tables of a page. `by_section`: models only look under the heading of their module."""
    return Texts(_tables(page.read_text("utf-8")), by_section=by_section)


@cache
def files_texts() -> Texts:
    """Program, fixture, station, unit, product and rule sheet."""
    return page_texts(resource_folder("examples") / "FILES.md", by_section=True)


@cache
def profile_texts() -> Texts:
    """The language of profiles."""
    return page_texts(resource_folder("profiles") / "REFERENCE.md", by_section=False)


class Texts:
    """Finds the text for a key of a model."""

    def __init__(self, tables: Sequence[Table], *, by_section: bool) -> None:
        self._tables, self._by_section = tables, by_section

    def __call__(self, model: type[BaseModel], key: str) -> str | None:
        """The row's text, else the docstring's; None where neither says anything."""
        keys = {held.alias or name for name, held in model.model_fields.items()}
        tables = [t for t in self._tables if self._fits(model, t)]
        told = _row(tables, key, keys) or _in_docstring(model, key, keys)
        return told or _listed(tables, key, keys) or _of_kind(tables, model, key)

    def _fits(self, model: type[BaseModel], table: Table) -> bool:
        home = model.__module__.rpartition(".")[2]
        return not self._by_section or table.section.casefold().replace(" ", "_") == home


def _row(tables: Sequence[Table], key: str, keys: set[str]) -> str | None:
    with_rows = {k for k in keys if any(k in table.rows for table in tables)}
    found = [table for table in tables if key in table.rows]
    if len(with_rows) <= _COVERED * len(keys) or not found:
        return None
    return max(found, key=lambda table: len(keys & set(table.rows))).rows[key]


def _in_docstring(model: type[BaseModel], key: str, keys: set[str]) -> str | None:
    """What stands behind 'key:' in the docstring, up to the next key."""
    text = " ".join(cleandoc(model.__doc__ or "").split())
    names = "|".join(sorted(map(re.escape, keys | {f"{k}_" for k in keys}), key=len, reverse=True))
    mark = rf"(?:^|\. |Attributes: )`*((?:{names})`*(?:, `*(?:{names})`*)*): "
    pieces = re.split(mark, text)
    for named, told in zip(pieces[1::2], pieces[2::2], strict=True):
        if key in {name.strip("` ").removesuffix("_") for name in named.split(",")}:
            return _plain(told)
    return None


def _listed(tables: Sequence[Table], key: str, keys: set[str]) -> str | None:
    """The row that lists nearly all keys of the model in braces."""
    inner = [
        (len(keys & names), -len(names), told)
        for table in tables
        for names, told in table.inner
        if key in names and len(keys & names) > _COVERED * len(keys)
    ]
    return max(inner)[2] if inner else None


def _of_kind(tables: Sequence[Table], model: type[BaseModel], key: str) -> str | None:
    """The row of the model's own `kind`, if it speaks of the key."""
    held = model.model_fields.get("kind")
    words = () if held is None else get_args(held.annotation)
    found = [table.kinds[word] for table in tables for word in words if word in table.kinds]
    return next((told for told in found if re.search(rf"\b{key}\b", told)), None)


# ---- reading the page ---------------------------------------------------------------------------


def _tables(text: str) -> list[Table]:
    tables: list[Table] = []
    section, header = "", None
    for line in text.splitlines():
        if line.startswith("## "):
            section = line.removeprefix("## ")
        cells = _cells(line)
        if cells is None:
            header = None
        elif header is None:
            header = [cell.strip("`") for cell in cells]
            tables.append(Table(section, {}))
        elif cells[0].startswith("`") and header[0] in {"key", "kind"}:
            _take(tables[-1], header, cells)
    return tables


def _take(table: Table, header: list[str], cells: list[str]) -> None:
    told = _told(header, cells)
    target = table.rows if header[0] == "key" else table.kinds
    for key in _keys(cells[0]):
        target.setdefault(key, told or _plain(cells[1]))
    for cell in cells:
        for braces in re.findall(r"\{([^{}]*)\}", " ".join(re.findall(r"`([^`]+)`", cell))):
            names = frozenset(re.findall(r"(?:^|, )([a-z_]+)", braces))
            table.inner.append((names, told))


def _cells(line: str) -> list[str] | None:
    if not line.startswith("|"):
        return None
    return [cell.strip().replace(r"\|", "|") for cell in re.split(r"(?<!\\)\|", line)[1:-1]]


def _keys(cell: str) -> list[str]:
    """Of '`send` / `raw`', '`receive: {begin, end}`' and the like: what stands in front."""
    found = (re.match(r"[a-z_]+", code) for code in re.findall(r"`([^`]+)`", cell))
    return [match[0] for match in found if match is not None]


def _told(header: list[str], cells: list[str]) -> str:
    row = dict(zip(header, cells, strict=False))
    told = [meaning if (meaning := row.get("meaning", "")) != "below" else ""]
    for name, label in (("values or range", "range"), ("default", "default")):
        if (said := row.get(name, "")) not in {"", "—", "see below", "below", "as said"}:
            told.append(f"{label}: {said}")
    if (example := row.get("example", "")) not in {"", "below"}:
        told.append(f"such as {example}")
    return _plain("; ".join(part for part in told if part))


def _plain(text: str) -> str:
    """Without marks that only a page needs."""
    text = re.sub(r"\[([^\]]+)\]\([^)]*\)", r"\1", text)
    return text.replace("**", "").replace("`", "").replace(r"\_", "_")
