"""The contracts of orchestrator/contract.py as tests that anybody's driver can be put through.

Needs pytest and hypothesis: ``pip install ohmward[conformance]``. Two ways to use it:

- subclass a contract in your package's own tests and say how its subject is made::

    from orchestrator.conformance import SafetyTesterContract

    class TestMine(SafetyTesterContract):
        def make(self) -> MySubject:
            return MySubject()

- or offer the subject's class as an entry point in group ``ohmward.conformance``; then
  ``pytest --pyargs orchestrator.conformance`` puts all that are installed through the contracts.
  ``-p orchestrator.conformance.plugin --subject NAME`` or ``--subject package.module:Class`` picks.
"""

from orchestrator.conformance.demands import Broken, demand
from orchestrator.conformance.inputs import InputBlockContract
from orchestrator.conformance.link import LinkContract
from orchestrator.conformance.matrix import RelayMatrixContract
from orchestrator.conformance.outputs import OutputBlockContract
from orchestrator.conformance.store import RunStoreContract
from orchestrator.conformance.subjects import (
    InputSubject,
    LinkSubject,
    MatrixSubject,
    OutputSubject,
    StoreSubject,
    Subject,
    TesterSubject,
)
from orchestrator.conformance.tester import SafetyTesterContract

__all__ = [
    "Broken",
    "InputBlockContract",
    "InputSubject",
    "LinkContract",
    "LinkSubject",
    "MatrixSubject",
    "OutputBlockContract",
    "OutputSubject",
    "RelayMatrixContract",
    "RunStoreContract",
    "SafetyTesterContract",
    "StoreSubject",
    "Subject",
    "TesterSubject",
    "demand",
]
