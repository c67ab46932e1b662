"""The picture as SVG: nets against nets.

Blue and orange are told apart by colour-blind eyes; each mark has a pattern of its own besides, so
that a print in grey can be read as well. Red and green appear nowhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from textwrap import wrap

from orchestrator.coverage.picture import Cell, Mark, Picture
from orchestrator.fault_words import counted

_BLUE, _ORANGE, _INK = "#0b5394", "#e07b00", "#222222"
_FILL = {
    Mark.COVERED: "#bcd7f0",
    Mark.OPEN: "url(#open)",
    Mark.MASKED: "url(#masked)",
    Mark.STRESSED: "url(#stressed)",
    Mark.FREE: "#ffffff",
    Mark.SELF: "#d9d9d9",
}
_SECTION = 12
"""Letters of sections' names (pixels)."""

_WORDS = {
    Mark.COVERED: "covered",
    Mark.OPEN: "open: demanded, covered by no step",
    Mark.MASKED: "masked: right level, but the limit can't show it",
    Mark.STRESSED: "stressed above what the pair may see",
    Mark.FREE: "nothing demanded",
}
_PATTERNS = f"""\
<defs>
<pattern id="open" width="6" height="6" patternUnits="userSpaceOnUse">
<rect width="6" height="6" fill="{_ORANGE}"/>
<path d="M-1 1 L1 -1 M0 6 L6 0 M5 7 L7 5" stroke="#000000" stroke-width="1.4"/></pattern>
<pattern id="masked" width="6" height="6" patternUnits="userSpaceOnUse">
<rect width="6" height="6" fill="#ffe3bf"/>
<circle cx="3" cy="3" r="1.4" fill="{_ORANGE}"/></pattern>
<pattern id="stressed" width="6" height="6" patternUnits="userSpaceOnUse">
<rect width="6" height="6" fill="{_INK}"/>
<path d="M0 0 L6 6 M0 6 L6 0" stroke="#ffffff" stroke-width="1"/></pattern>
</defs>
"""


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where the cells begin and how large each is (pixels); the size of names, 0 without."""

    left: int
    top: int
    side: int
    letters: int
    shift: int


def _frame(picture: Picture) -> _Frame:
    size = len(picture.rows)
    side = 44 if size <= 16 else 22 if size <= 40 else 11 if size <= 100 else 5
    letters = 11 if side >= 22 else 8 if side >= 11 else 0
    shift = 8 + round(max(len(name) for name in picture.rows) * letters * 0.62)
    names = 0 if picture.grouped else max(len(section.name) for section in picture.sections)
    beside = 28 + shift + round(names * _SECTION * 0.62)
    return _Frame(beside, 44 + beside, side, letters, shift)


def draw(picture: Picture) -> str:
    """An SVG document. Hovering over a cell tells its nets and steps."""
    frame = _frame(picture)
    end = frame.side * len(picture.rows)
    width = max(frame.left + end + 24, 640, 24 + 10 * len(picture.title))
    width = max(width, 32 + 8 * len(summary(picture)))
    cautions = [line for text in picture.cautions for line in wrap(text, (width - 32) // 8)]
    foot = frame.top + end + 40 + 22 * len(_WORDS)
    height = foot + 18 * len(cautions)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="12" fill="{_INK}">'
    )
    title, words = escape(picture.title), escape(summary(picture))
    parts = [
        head,
        _PATTERNS,
        '<rect width="100%" height="100%" fill="#ffffff"/>',
        f'<text x="16" y="24" font-size="16" font-weight="bold">{title}</text>',
        f'<text x="16" y="44">{words}</text>',
        *_cells(picture, frame),
        *_lines(picture, frame),
        *_labels(picture, frame),
        *_legend(picture, frame, frame.top + end + 24),
        *(
            f'<text x="16" y="{foot + 18 * line}" font-weight="bold">{escape(text)}</text>'
            for line, text in enumerate(cautions)
        ),
        "</svg>\n",
    ]
    return "\n".join(parts)


def summary(picture: Picture) -> str:
    """The counts of the upper half, and whether the whole is complete, in one line."""
    demanded = bare = masked = stressed = 0
    for row, cells in enumerate(picture.cells):
        for cell in cells[row:]:
            demanded, bare = demanded + cell.demanded, bare + cell.open
            masked += cell.masked
            stressed += cell.mark is Mark.STRESSED
    told = f"{demanded} demanded pairs (each demand counted), {bare} open, {masked} masked"
    unit = "cell" if picture.grouped else "pair"
    told += f", {counted(stressed, unit)} stressed too high"
    return told + ("; complete" if picture.complete else "; not complete")


def _cells(picture: Picture, frame: _Frame) -> Iterator[str]:
    """Alike cells of a row that lie together are one shape."""
    side = frame.side
    for row, cells in enumerate(picture.cells):
        start = 0
        while start < len(cells):
            end = start + 1
            while end < len(cells) and cells[end] == cells[start] and row not in {start, end}:
                end += 1
            cell = cells[start]
            x, y = frame.left + side * start, frame.top + side * row
            if cell.mark is not Mark.FREE:
                told = escape(_told(picture, row, start, end, cell))
                yield (
                    f'<rect x="{x}" y="{y}" width="{side * (end - start)}" height="{side}" '
                    f'fill="{_FILL[cell.mark]}"><title>{told}</title></rect>'
                )
            if side >= 22:
                words = short(cell, grouped=picture.grouped, room=side // 8, lines=side // 14)
                yield from (_text(x + side * n, y, side, cell, words) for n in range(end - start))
            start = end


def _told(picture: Picture, row: int, start: int, end: int, cell: Cell) -> str:
    columns = picture.rows[start]
    if end - start > 1:
        columns += f" … {picture.rows[end - 1]}"
    if cell.mark is Mark.SELF:
        return picture.rows[row]
    words = f"{picture.rows[row]} | {columns}: {_WORDS.get(cell.mark, '')}"
    if cell.mark is Mark.STRESSED and cell.open:
        words += "; open, too"
    if cell.steps:
        words += f"; covered by step {', '.join(map(str, cell.steps))}"
    if picture.grouped:
        words += f"; {cell.open} open and {cell.masked} masked of {cell.demanded} demanded"
    return words


def short(cell: Cell, *, grouped: bool, room: int, lines: int) -> str:
    """What stands in a cell: step numbers, or between groups how many are open; or a mark."""
    if cell.mark is Mark.STRESSED:
        return "!"
    if cell.mark is Mark.OPEN:
        return str(cell.open) if grouped and len(str(cell.open)) <= room else "✕"
    if cell.mark is Mark.MASKED:
        return "?"
    if cell.mark is not Mark.COVERED or grouped:
        return ""
    words = " ".join(map(str, cell.steps))
    if len(wrap(words, room)) <= lines:
        return words
    shown = f"{cell.steps[0]}…"
    return shown if len(shown) <= room else "…"


def _text(x: int, y: int, side: int, cell: Cell, words: str) -> str:
    if not words:
        return ""
    size = 12 if side >= 44 else 10
    middle_x, middle_y = x + side / 2, y + side / 2
    place = f'x="{middle_x:g}" y="{middle_y + size * 0.36:g}" font-size="{size}"'
    rest = 'text-anchor="middle" pointer-events="none"'
    if cell.mark is Mark.COVERED:
        lines = wrap(words, side // 8)
        shift = size * (0.36 - 0.55 * (len(lines) - 1))
        return "".join(
            f'<text x="{middle_x:g}" y="{middle_y + shift + 1.1 * size * index:g}" '
            f'font-size="{size}" {rest} fill="{_BLUE}">{line}</text>'
            for index, line in enumerate(lines)
        )
    wide = size * max(1.4, 0.7 * len(words) + 0.5)
    corner = f'x="{middle_x - wide / 2:g}" y="{middle_y - size * 0.7:g}"'
    plate = f'<rect {corner} width="{wide:g}" height="{1.4 * size:g}" fill="#ffffff"/>'
    bold = f'<text {place} {rest} font-weight="bold">{words}</text>'
    return f'<g pointer-events="none">{plate}{bold}</g>'


def _lines(picture: Picture, frame: _Frame) -> Iterator[str]:
    """A fine grid where cells are large, and a bold one between sections."""
    end = frame.side * len(picture.rows)
    fine = range(len(picture.rows) + 1) if frame.side >= 11 else ()
    bold = sorted({0, *(section.end for section in picture.sections)})
    for places, colour, width in ((fine, "#c8c8c8", 0.5), (bold, _INK, 1.2)):
        for place in places:
            x, y = frame.left + frame.side * place, frame.top + frame.side * place
            yield (
                f'<path d="M{x} {frame.top} v{end} M{frame.left} {y} h{end}" fill="none" '
                f'stroke="{colour}" stroke-width="{width}" pointer-events="none"/>'
            )


def _labels(picture: Picture, frame: _Frame) -> Iterator[str]:
    """Names of rows where they fit; names of sections always."""
    side = frame.side
    for row, name in enumerate(picture.rows if frame.letters else ()):
        yield from _label(frame, side * (row + 0.5), name, frame.letters, 6)
    last = -1.0
    for section in () if picture.grouped else picture.sections:
        at = side * (section.start + section.end) / 2
        at = max(at, last + _SECTION + 2)  # small sections side by side would overlap
        last = at
        yield from _label(frame, at, section.name, _SECTION, frame.shift + 8)


def _label(frame: _Frame, at: float, name: str, size: int, away: int) -> Iterator[str]:
    """At the left of a row and above its column; sections are bold."""
    style = f'font-size="{size}"' + (' font-weight="bold"' if size == _SECTION else "")
    words = escape(name)
    y = frame.top + at + size * 0.36
    yield f'<text x="{frame.left - away}" y="{y:g}" text-anchor="end" {style}>{words}</text>'
    x = frame.left + at + size * 0.36
    turned = f'transform="translate({x:g} {frame.top - away}) rotate(-90)"'
    yield f"<text {turned} {style}>{words}</text>"


def _legend(picture: Picture, frame: _Frame, y: int) -> Iterator[str]:
    for index, (mark, words) in enumerate(_WORDS.items()):
        at = y + 22 * index
        numbered = mark is Mark.COVERED and frame.side >= 22 and not picture.grouped
        told = f"{words}; the numbers are those of the steps" if numbered else words
        yield (
            f'<rect x="16" y="{at}" width="16" height="16" fill="{_FILL[mark]}" '
            f'stroke="{_INK}" stroke-width="0.5"/><text x="40" y="{at + 12}">{told}</text>'
        )
