"""Profiles from files: a name of a shipped profile, a name beside the station file, or a path."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.documents import Document, parse_document, read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.resources import resource_folder
from orchestrator.yaml_nodes import read_nodes

Profile: TypeAlias = TesterProfile | MatrixProfile


def find_profile(name: str, beside: Path | None = None) -> Path:
    """The file of a profile.

    Args:
        name: 'pell' (beside the station file first, then among the shipped ones), or a path to a
            file that ends in .yaml, relative to the station file.
        beside: folder of the station file.

    Raises:
        Refused: no such file.
    """
    folders = [folder for folder in (beside, resource_folder("profiles")) if folder is not None]
    file = name if name.endswith((".yaml", ".yml")) else f"{name}.yaml"
    for folder in folders:
        if (folder / file).is_file():
            return folder / file
    if Path(file).is_file():
        return Path(file)
    known = sorted(path.stem for folder in folders for path in folder.glob("*.yaml"))
    remedy = f"use one of {', '.join(known)}, or the path of a file" if known else "check the path"
    raise Refused((Fault("the profile", repr(name), "the name or file of a profile", remedy),))


def load_tester(name: str, beside: Path | None = None) -> Document[TesterProfile]:
    """The profile of a tester.

    Raises:
        Refused: missing file, or every fault of it.
    """
    path = find_profile(name, beside)
    _check_kind(path, "tester")
    return read_document(path, TesterProfile)


def load_matrix(name: str, beside: Path | None = None) -> Document[MatrixProfile]:
    """The profile of a relay matrix.

    Raises:
        Refused: missing file, or every fault of it.
    """
    path = find_profile(name, beside)
    _check_kind(path, "matrix")
    return read_document(path, MatrixProfile)


def load_profile(
    name: str | Path, beside: Path | None = None
) -> Document[TesterProfile] | Document[MatrixProfile]:
    """A profile of either kind; its key `kind` says which.

    Raises:
        Refused: missing file, or every fault of it.
    """
    path = find_profile(str(name), beside)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return read_document(path, TesterProfile)  # tells it with the place
    return parse_profile(text, str(path))


def parse_profile(text: str, name: str) -> Document[TesterProfile] | Document[MatrixProfile]:
    """Like `load_profile`, from a text at hand.

    Raises:
        Refused: every fault of the text.
    """
    if _kind_of(text, name) == "matrix":
        return parse_document(text, name, MatrixProfile)
    return parse_document(text, name, TesterProfile)


def _kind_of(text: str, name: str) -> str:
    root, faults = read_nodes(text, name)
    if root is None:
        raise Refused(faults)
    plain = root.plain()
    kind = plain.get("kind") if isinstance(plain, dict) else None
    if kind not in {"tester", "matrix"}:
        entry = root.entries.get("kind") if root.kind == "mapping" else None
        position = Position(name, 1, 1) if entry is None else entry[1].position
        found = "nothing" if kind is None else repr(kind)
        remedy = "add 'kind: tester' or 'kind: matrix'"
        raise Refused((Fault("kind", found, "tester or matrix", remedy, position),))
    return str(kind)


def _check_kind(path: Path, wanted: str) -> None:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return  # read_document tells it with the place
    kind = _kind_of(text, str(path))
    if kind != wanted:
        remedy = f"name a profile of kind {wanted} here"
        place = Position(str(path))
        raise Refused((Fault("the profile", f"kind {kind}", f"kind {wanted}", remedy, place),))
