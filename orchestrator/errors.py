"""Every error a caller may meet, in one tree.

    OhmwardError                    anything this framework raises on purpose
    ├── Refused                     caller's mistake: files, arguments, a binding that can't be made
    ├── StationBusy                 caller's mistake: another process holds the station
    ├── LinkError                   the way to the instrument failed
    │   ├── TimedOut                no whole reply by the deadline (carries what had arrived)
    │   ├── LinkLost                the connection is gone
    │   ├── Cancelled               a read was cut short on purpose, to make way for a stop
    │   └── ProtocolFault           bytes came that don't fit the profile (carries them)
    ├── InstrumentFault             the instrument answered, and the answer is the trouble
    │   ├── InstrumentRefused       it said no: refusal line or error-queue entry
    │   ├── WrongInstrument         identity or unit number isn't the expected one
    │   ├── SetupMismatch           settings read back differ from what was sent
    │   └── RelayMismatch           relays read back differ from the route
    └── RecordDamaged               a stored record doesn't agree with its chain

Four branches, never mixed: the caller, the link, the instrument, the records. No exception of a
library for serial ports, sockets or VISA leaves `drivers/links/`; it is turned into one of these.
Each error carries a remedy: what the person reading it does next.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from pydantic_core import PydanticCustomError

REFUSAL_TYPE = "ohmward_refusal"
"""Type of the pydantic error made by `refuse`."""


@dataclass(frozen=True, slots=True)
class Position:
    """A place in a file. Lines and columns count from 1; line 0 means 'the file as a whole'."""

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return self.file if self.line == 0 else f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Fault:
    """One refusal in the user's terms.

    ``at`` leads from the entry that was being read to the part at fault; it is for whoever knows
    the file and gives the fault its position.

    Raises:
        ValueError: the remedy is empty; a refusal that doesn't say what to do is not allowed.
    """

    what: str
    found: str
    expected: str
    remedy: str
    position: Position | None = None
    at: tuple[int | str, ...] = ()

    def __post_init__(self) -> None:
        if not self.remedy.strip():
            raise ValueError(f"a fault needs a remedy: {self.what!r}, found {self.found!r}")

    def __str__(self) -> str:
        place = "" if self.position is None else f"{self.position}: "
        text = f"{place}{self.what}, found {self.found}, expected {self.expected}, {self.remedy}"
        return _one_line(text)


def _one_line(text: str) -> str:
    """Escape what would break the line or the terminal; letters of any script stay."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


class OhmwardError(Exception):
    """Root of the tree.

    Args:
        message: what happened.
        remedy: what to do next; the class's own default where none is given.

    Raises:
        ValueError: the remedy is given but empty.
    """

    default_remedy: ClassVar[str] = "read the message, correct its cause and try again"

    remedy: str

    def __init__(self, message: str, *, remedy: str | None = None) -> None:
        chosen = self.default_remedy if remedy is None else remedy
        if not chosen.strip():
            raise ValueError(f"{type(self).__name__} needs a remedy: {message!r}")
        super().__init__(message)
        self.remedy = chosen


# ---- the caller ---------------------------------------------------------------------------------


class Refused(OhmwardError):
    """The request can't be carried out as written. Nothing was energised. Exit code 2."""

    default_remedy = "correct the faults listed and try again"

    faults: tuple[Fault, ...]

    def __init__(self, faults: Iterable[Fault], *, remedy: str | None = None) -> None:
        self.faults = tuple(faults)
        if not self.faults:
            raise ValueError("Refused needs at least one fault")
        super().__init__("\n".join(str(fault) for fault in self.faults), remedy=remedy)


class StationBusy(OhmwardError):
    """Another process holds the station. Exit code 2."""

    default_remedy = "wait until the other process has ended, or end it, then try again"


# ---- the link -----------------------------------------------------------------------------------


class LinkError(OhmwardError):
    """The way to the instrument failed; the instrument's state is unknown, so: energised."""

    default_remedy = "check cable, power and address of the instrument, then start again"


class TimedOut(LinkError):
    """No whole reply by the deadline. `received` holds what had arrived, perhaps nothing."""

    default_remedy = "check that the instrument is on, connected and set to the profile's settings"

    def __init__(self, message: str, *, received: bytes = b"", remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.received = received


class LinkLost(LinkError):
    """The connection is gone: unplugged, reset or closed from the other end."""

    default_remedy = "check cable and power of the instrument, then open the station again"


class Cancelled(LinkError):
    """A read was cut short on purpose, to let a stop go out. The link is dirty afterwards."""

    default_remedy = "see what caused the stop; the link is drained before it is used again"


class ProtocolFault(LinkError):
    """Bytes came that don't fit the profile. `raw` holds them."""

    default_remedy = "check that profile, firmware and serial settings belong to this instrument"

    def __init__(self, message: str, *, raw: bytes = b"", remedy: str | None = None) -> None:
        super().__init__(message, remedy=remedy)
        self.raw = raw


# ---- the instrument -----------------------------------------------------------------------------


class InstrumentFault(OhmwardError):
    """The instrument answered, and the answer is the trouble."""

    default_remedy = "look at the instrument's own display and clear what it reports"


class InstrumentRefused(InstrumentFault):
    """The instrument said no. `sent` is what it refused, `answer` its own words."""

    default_remedy = "compare what was sent with the instrument's ranges and its profile"

    def __init__(
        self, message: str, *, sent: bytes = b"", answer: str = "", remedy: str | None = None
    ) -> None:
        super().__init__(message, remedy=remedy)
        self.sent = sent
        self.answer = answer


class WrongInstrument(InstrumentFault):
    """Another instrument or unit answers at this address than the station file names."""

    default_remedy = "connect the instrument named in the station file, or correct the file"


class SetupMismatch(InstrumentFault):
    """Settings read back differ from what was sent. Nothing is started on them."""

    default_remedy = "check that nobody operates the instrument by hand, then run again"


class RelayMismatch(InstrumentFault):
    """Relays read back differ from the route that was ordered."""

    default_remedy = "have the relay matrix checked (a contact may be stuck) before the next run"


# ---- the records --------------------------------------------------------------------------------


class RecordDamaged(OhmwardError):
    """A stored record doesn't agree with its chain: changed, missing or cut off."""

    default_remedy = "keep the damaged file aside, restore a backup and find out who changed it"


def refuse(*, found: str, expected: str, remedy: str) -> PydanticCustomError:
    """The error a pydantic validator raises so that its refusal reaches the user in these terms.

    Usage: ``raise refuse(found="'3'", expected="an even number", remedy="write 2 or 4")``.

    Raises:
        ValueError: the remedy is empty.
    """
    # Imported here: errors.py is imported everywhere, also where no model is.
    from pydantic_core import PydanticCustomError

    if not remedy.strip():
        raise ValueError(f"a refusal needs a remedy: found {found!r}")
    return PydanticCustomError(
        "ohmward_refusal",
        "found {found}, expected {expected}, {remedy}",
        {"found": found, "expected": expected, "remedy": remedy},
    )
