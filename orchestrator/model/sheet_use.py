"""The rule sheet that a product names: read, and what has to be told of its use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from orchestrator.documents import Document, read_document
from orchestrator.errors import Fault, Refused
from orchestrator.model.demands import SheetUsed
from orchestrator.model.product import Product
from orchestrator.model.rule_sheet import RuleSheet
from orchestrator.model.ruling import Ruled
from orchestrator.model.words import StepKind, Waveform


def read_sheet(product: Document[Product]) -> Document[RuleSheet] | None:
    """The rule sheet that a product names, seen from the product's own file.

    Raises:
        Refused: with every fault of the sheet; that there is none is told where it is named.
    """
    if product.model.rules is None:
        return None
    path = Path(product.file).parent / product.model.rules
    if not path.is_file():
        found, expected = f"no file {path}", "a rule sheet, seen from the product file"
        remedy = "correct the path; ohmward's examples have sheets in examples/rules"
        raise Refused((Fault("rules", found, expected, remedy, product.locate("rules")),))
    return read_document(path, RuleSheet)


def used(sheet: Document[RuleSheet]) -> SheetUsed:
    """What is kept of a sheet."""
    it = sheet.model
    return SheetUsed(
        it.name, it.edition, it.source, it.checked_by, it.checked, it.statement,
        sheet.file, sheet.sha256,
    )  # fmt: skip


def notices(product: Product, sheet: Document[RuleSheet] | None, ruled: Ruled) -> Iterator[str]:
    """What a person should read: that the sheet is unchecked, and what it leaves out."""
    if sheet is not None:
        it, caution = sheet.model, used(sheet).caution
        if caution is not None:
            yield caution
        yield f"rule sheet {it.name}, {it.edition}: {it.statement}"
        offers_dc = any(rule.kind is StepKind.WITHSTAND_DC for rule in it.rules)
        if product.rules_waveform is Waveform.DC and not offers_dc:
            yield f"rules_waveform is dc, but rule sheet {it.name} offers AC only: AC is planned"
    for pair in ruled.unruled:
        yield f"the rule sheet says nothing about {pair}: nothing is demanded there"
