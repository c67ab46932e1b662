"""What a check of a profile comes to: ability tables, faults, what is missing, notes."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.errors import Fault, Position
from orchestrator.fault_words import counted


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of label and text under a title."""

    title: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Gap:
    """Something the profile doesn't say, and what follows from that."""

    what: str
    consequence: str
    position: Position | None = None

    def __str__(self) -> str:
        place = "" if self.position is None else f"{self.position}: "
        return f"{place}{self.what}: {self.consequence}"


@dataclass(frozen=True, slots=True)
class ProfileReport:
    """The outcome of a check.

    Attributes:
        faults: must be corrected; the profile can't be trusted before.
        missing: may stay so, with the consequence told.
        notes: worth a look (rules that overlap on purpose, for example).
        samples: messages rendered and read back.
    """

    name: str
    kind: str
    file: str
    tables: tuple[Table, ...]
    faults: tuple[Fault, ...]
    missing: tuple[Gap, ...]
    notes: tuple[Gap, ...]
    samples: int

    @property
    def sound(self) -> bool:
        """True without faults."""
        return not self.faults


def render_report(report: ProfileReport) -> str:
    """The report as plain text, for the screen."""
    lines = [f"{report.name} ({report.kind}), {report.file}"]
    for table in report.tables:
        lines += ["", table.title]
        width = max((len(label) for label, _ in table.rows), default=0)
        lines += [f"  {label.ljust(width)}  {text}" for label, text in table.rows]
    for title, entries in (
        ("Missing", report.missing),
        ("Notes", report.notes),
        ("Faults", report.faults),
    ):
        if entries:
            lines += ["", f"{title} ({len(entries)})"]
            lines += [f"  {entry}" for entry in entries]
    lines += ["", f"{report.samples} messages rendered and read back"]
    told = f"{counted(len(report.faults), 'fault')}: not to be used"
    lines.append("sound" if report.sound else told)
    return "\n".join(lines) + "\n"
