"""Profiles from files: a name of a shipped profile, a name beside the station file, or a path."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from typing import TypeAlias

from drivers.language.profile_matrix import MatrixProfile
from drivers.language.profile_tester import TesterProfile
from orchestrator.documents import LARGEST_FILE, Document, parse_document, read_document
from orchestrator.errors import Fault, Position, Refused
from orchestrator.resources import resource_folder
from orchestrator.yaml_nodes import read_nodes

Profile: TypeAlias = TesterProfile | MatrixProfile


_KINDS = ("tester", "matrix")


def find_profile(name: str, beside: Path | None = None, kind: str | None = None) -> Path:
    """The file of a profile.

    Args:
        name: 'pell' (beside the station file first, then among the shipped ones), or a path to a
            file that ends in .yaml, relative to the station file.
        beside: folder of the station file.
        kind: 'tester' or 'matrix', if only such a one is of use; it narrows what is suggested.

    Raises:
        Refused: no such file; with `at` leading to the key `profile` of a station's entry.
    """
    folders = [folder for folder in (beside, resource_folder("profiles")) if folder is not None]
    file = name if name.endswith((".yaml", ".yml")) else f"{name}.yaml"
    if file == name and beside is None and Path(file).is_file():
        return Path(file)  # a file that was named as one, before a shipped one of the same name
    for folder in folders:
        if (folder / file).is_file():
            return folder / file
    if Path(file).is_file():
        return Path(file)
    known = sorted({path.stem for folder in folders for path in _profiles_in(folder, kind)})
    near = get_close_matches(name.casefold(), known, n=1, cutoff=0.6)
    listed = f"one of {', '.join(known)}, or the path of a file" if known else "the path of a file"
    remedy = f"did you mean {near[0]!r}?" if near else "use one of these, or check the path"
    raise Refused((Fault("the profile", repr(name), listed, remedy, at=("profile",)),))


def _profiles_in(folder: Path, kind: str | None) -> Iterator[Path]:
    """The files of a folder that are profiles; station files and the like lie there too."""
    for path in folder.glob("*.yaml"):
        try:
            if path.stat().st_size > LARGEST_FILE:
                continue
            found = _kind_of(path.read_text(encoding="utf-8"), str(path))
        except (OSError, UnicodeDecodeError, Refused):
            continue  # not one to suggest; whoever names it is told why
        if kind in {None, found}:
            yield path


def load_tester(name: str, beside: Path | None = None) -> Document[TesterProfile]:
    """The profile of a tester.

    Raises:
        Refused: missing file, or every fault of it.
    """
    path = find_profile(name, beside, "tester")
    _check_kind(path, name, "tester")
    return read_document(path, TesterProfile)


def load_matrix(name: str, beside: Path | None = None) -> Document[MatrixProfile]:
    """The profile of a relay matrix.

    Raises:
        Refused: missing file, or every fault of it.
    """
    path = find_profile(name, beside, "matrix")
    _check_kind(path, name, "matrix")
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
    if kind not in _KINDS:
        entry = root.entries.get("kind") if root.kind == "mapping" else None
        position = Position(name, 1, 1) if entry is None else entry[1].position
        found = "nothing" if kind is None else repr(kind)
        remedy = "add 'kind: tester' or 'kind: matrix'"
        raise Refused((Fault("kind", found, "tester or matrix", remedy, position),))
    return str(kind)


def _check_kind(path: Path, name: str, wanted: str) -> None:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return  # read_document tells it with the place
    kind = _kind_of(text, str(path))
    if kind != wanted:
        found, remedy = f"{name!r} of kind {kind}", f"name a profile of kind {wanted} here"
        # The profile is sound; whoever names it in the wrong place is at fault.
        fault = Fault("the profile", found, f"kind {wanted}", remedy, at=("profile",))
        raise Refused((fault,))
