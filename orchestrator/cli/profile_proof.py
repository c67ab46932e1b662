"""What the commands on profiles share: a question to the person, marks left, what was proved."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any


def ask_person(question: str) -> bool:
    """Ask on standard error; only 'yes', spelt out, is a yes. Raises Refused: nobody answers."""
    from orchestrator.assembly.gate import NO_ANSWER
    from orchestrator.errors import Refused

    print(f"{question} Type yes to go on: ", end="", file=sys.stderr, flush=True)
    try:
        answer = sys.stdin.readline()
    except (OSError, ValueError, AttributeError):  # closed, or no standard input at all
        answer = ""
    if not answer:
        print(file=sys.stderr, flush=True)
        raise Refused([NO_ANSWER])
    return answer.strip().lower() == "yes"


def tell_marks(file: Path) -> int:
    """List the places of a scaffold that are still to be filled in; how many there are."""
    from orchestrator.assembly.bring_up import load_profile, marks_of

    marks = marks_of(load_profile(file))
    if marks:
        print(
            f"\nTo fill in ({len(marks)}): it holds together as text, but is not to be used before"
        )
    for fault in marks:
        place = "" if fault.position is None else f"{fault.position}: "
        print(f"  {place}{fault.what}: {fault.expected}")
    return len(marks)


def proof_line(file: Path) -> str:
    """What 'profile check' adds: whether this profile was ever proved on an instrument."""
    from orchestrator.assembly.bring_up import load_profile
    from orchestrator.assembly.bring_up_proof import proof_file, proof_words, read_proof

    document: Any = load_profile(file)
    return proof_words(read_proof(proof_file(Path(document.file))), document.sha256)
