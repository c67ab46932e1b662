"""A matrix's profile compiled: every template checked, with places for faults."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.language.compiled_tester import Lines, compile_lines
from drivers.language.dialect import Dialect, TemplateError
from drivers.language.exchanges import CompiledExchange, Compiler
from drivers.language.framing import WireFraming
from drivers.language.profile_matrix import MatrixProfile
from drivers.language.templates import Template
from orchestrator.documents import Document


@dataclass(frozen=True, slots=True)
class CompiledMatrix:
    """A matrix's profile, ready for use."""

    profile: MatrixProfile
    dialect: Dialect
    framing: WireFraming
    lines: Lines
    identify: CompiledExchange
    apply: tuple[CompiledExchange, ...]
    close: tuple[CompiledExchange, ...]
    open: tuple[CompiledExchange, ...]
    open_all: tuple[CompiledExchange, ...]
    moving: CompiledExchange | None
    look: CompiledExchange | None
    resync: CompiledExchange


def compile_matrix(document: Document[MatrixProfile]) -> CompiledMatrix:
    """Compile a profile.

    Raises:
        Refused: every fault of its templates, with line and column.
    """
    profile = document.model
    compiler = Compiler(profile, document.locate)
    if profile.items is not None:
        for sending in (True, False):
            try:
                Template.compile(profile.items.each, compiler.dialect, sending=sending)
            except TemplateError as error:
                compiler.fault(error, ("items", "each"))
                break
    identify = compiler.exchange(profile.identify, ("identify",))
    compiled = CompiledMatrix(
        profile=profile,
        dialect=compiler.dialect,
        framing=compiler.framing,
        lines=compile_lines(compiler),
        identify=identify,
        apply=compiler.exchanges(profile.apply, ("apply",)),
        close=compiler.exchanges(profile.close, ("close",)),
        open=compiler.exchanges(profile.open, ("open",)),
        open_all=compiler.exchanges(profile.open_all, ("open_all",)),
        moving=compiler.maybe(profile.moving, ("moving",)),
        look=compiler.maybe(profile.look, ("look",)),
        resync=identify
        if profile.resync is None
        else compiler.exchange(profile.resync, ("resync",)),
    )
    compiler.done()
    return compiled
