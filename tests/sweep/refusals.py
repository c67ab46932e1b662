"""Has an instrument refuse one message as its own dialect does, without carrying it out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from drivers.simulators.base import Instrument
from drivers.simulators.comb import Comb
from drivers.simulators.error_queue import ScpiError
from drivers.simulators.lattice import Lattice
from drivers.simulators.orrin import Orrin
from drivers.simulators.pell import Pell
from drivers.simulators.pell_setup import Refusal
from drivers.simulators.sprig import Sprig
from drivers.simulators.stave import Stave
from drivers.simulators.stave_wire import Refused

OUT_OF_RANGE = -222
"""'Data out of range' (SCPI-1999 volume 2, 21.8.10): into the queue; a query answers nothing."""


def refuse_next(instrument: Instrument) -> None:
    """Refuse the message that is about to be worked off.

    Raises:
        TypeError: an instrument whose dialect isn't known here.
    """
    if isinstance(instrument, Orrin):
        _once(instrument, "_carry_out", _raising(ScpiError(OUT_OF_RANGE)))
    elif isinstance(instrument, Pell):
        _once(instrument, "_carry_out", _raising(Refusal(5)))
    elif isinstance(instrument, Stave):
        _once(instrument, "_carry_out", _raising(Refused(5)))
    elif isinstance(instrument, Lattice):
        _once(instrument, "_work", lambda line, _: instrument.reply(_lattice(line), 0.002))
    elif isinstance(instrument, Sprig):
        _once(instrument, "_work", lambda *_: instrument.reply("no=3,why=bank", 0.010))
    elif isinstance(instrument, Comb):
        units = tuple(instrument.units.values())
        for unit in units:
            _once(unit, "answer_to", lambda *_: "-02", also=units)
    else:
        raise TypeError(f"how does a {type(instrument).__name__} refuse?")


def _lattice(line: bytes) -> str:
    return f"{line.partition(b' ')[0].decode('latin-1')} ERROR 12 no such bank"


def _raising(error: Exception) -> Callable[..., Any]:
    def refuse(*_: Any) -> None:
        raise error

    return refuse


def _once(
    target: Any, method: str, instead: Callable[..., Any], also: tuple[Any, ...] = ()
) -> None:
    """Replace a method until it has been called once (on any of ``also``)."""

    def replaced(*arguments: Any) -> Any:
        for one in also or (target,):
            vars(one).pop(method, None)
        return instead(*arguments)

    setattr(target, method, replaced)
