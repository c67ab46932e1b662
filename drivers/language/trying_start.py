"""The entry point of trials (`ohmward.checkers`, name 'trial')."""

from __future__ import annotations

from typing import Any

from drivers.language.profile_tester import TesterProfile
from drivers.language.trying import TesterTrial, Wishes
from drivers.language.trying_items import Tell, TrialEnded, Wire
from drivers.language.trying_manual import ManualNotes
from drivers.language.trying_matrix import MatrixTrial
from orchestrator.documents import Document


def make_trial(
    document: Document[Any],
    wire: Wire,
    tell: Tell,
    *,
    address: int | None = None,
    relays: bool = False,
    wrong_command: str = "",
) -> TesterTrial | MatrixTrial:
    """A trial of one instrument.

    Args:
        document: the profile, read from its file. tell: called with each item as it is made.
        address: of the instrument or unit, where its messages carry one.
        relays: relays may be closed: nothing is connected to them.
        wrong_command: a text that the manual says is refused; '' tries none.

    Raises:
        Refused: the profile can't be compiled. OSError, UnicodeDecodeError: its file is gone.
    """
    notes = ManualNotes.of_file(document.file)
    wishes = Wishes(address, relays, wrong_command)
    if isinstance(document.model, TesterProfile):
        return TesterTrial(document, wire, tell, notes, wishes)
    return MatrixTrial(document, wire, tell, notes, wishes)


def run_trial(trial: TesterTrial | MatrixTrial, go_on: Any) -> str:
    """Run it to its end; why it ended early, or ''. The stop goes out whatever happens.

    Args:
        go_on: asked with what was found of the identity, True if all is as the profile says;
            answers whether to send anything more.
    """
    ended = ""
    try:
        trial.make_safe()
        as_told = trial.identify()
        if go_on(trial.identity, as_told):
            trial.rest()
        else:
            ended = "not confirmed: nothing was sent behind the identity"
    except TrialEnded as end:
        ended = str(end)
    finally:
        try:
            trial.last_stop()
        except TrialEnded as end:
            ended = ended or str(end)
    return ended
