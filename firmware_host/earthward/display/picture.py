"""A page as an SVG picture, drawn cell by cell: no fonts or scripts from elsewhere, the same in every viewer."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from earthward.display.canvas import Row
from earthward.display.themes import PALETTES, ThemeName

CELL_W, CELL_H = 10, 20
#: Blocks and lines as shapes in tenths of a cell (x, y, w, h): they must join without seams.
_SHAPES: dict[str, tuple[tuple[float, float, float, float], ...]] = {
    "█": ((0, 0, 10, 10),),
    "▀": ((0, 0, 10, 5),),
    "▄": ((0, 5, 10, 5),),
    "─": ((0, 4.7, 10, 0.6),),
    "│": ((4.4, 0, 1.2, 10),),
    "┌": ((4.4, 4.7, 5.6, 0.6), (4.4, 4.7, 1.2, 5.3)),
    "┐": ((0, 4.7, 5.6, 0.6), (4.4, 4.7, 1.2, 5.3)),
    "└": ((4.4, 4.7, 5.6, 0.6), (4.4, 0, 1.2, 5.3)),
    "┘": ((0, 4.7, 5.6, 0.6), (4.4, 0, 1.2, 5.3)),
}
_SHADE = {"░": 0.25, "▒": 0.5}
#: Braille dots by bit: column, row.
_DOTS = ((0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (1, 2), (0, 3), (1, 3))


def svg_of(rows: Sequence[Row], theme: ThemeName, title: str) -> str:
    """The rows in a theme. Mono is drawn as black on white."""
    palette = PALETTES[theme]
    width, height = sum(len(text) for text, _ in rows[0]), len(rows)
    plain = ("#000000", "#FFFFFF")
    base = palette["base"]
    ground = base.bg if base.bg != "default" else plain[1]
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width * CELL_W + 20} {height * CELL_H + 20}" '
        f'font-family="DejaVu Sans Mono, Liberation Mono, monospace" font-size="16" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="100%" height="100%" fill="{ground}"/>',
        '<g transform="translate(10 10)">',
    ]
    for y, row in enumerate(rows):
        x = 0
        for text, role in row:
            ink = palette[role]
            fg, bg = (ink.fg, ink.bg) if ink.fg != "default" else plain
            if ink.reverse:
                fg, bg = bg, fg
            if bg != ground:
                out.append(
                    f'<rect x="{x * CELL_W}" y="{y * CELL_H}" width="{len(text) * CELL_W}" height="{CELL_H}" '
                    f'fill="{bg}" shape-rendering="crispEdges"/>'
                )
            for ch, first, count in _stretches(text):
                out += _cell(ch, count, (x + first) * CELL_W, y * CELL_H, fg, ink.bold)
            x += len(text)
    out.append("</g></svg>")
    return "\n".join(out) + "\n"


def _stretches(text: str) -> list[tuple[str, int, int]]:
    """(character, first column, how many) with repeats joined; blanks left out."""
    out: list[tuple[str, int, int]] = []
    for i, ch in enumerate(text):
        if ch == " ":
            continue
        joins = ch in _SHADE or ch in "█▀▄─"
        if joins and out and out[-1][0] == ch and out[-1][1] + out[-1][2] == i:
            out[-1] = (ch, out[-1][1], out[-1][2] + 1)
        else:
            out.append((ch, i, 1))
    return out


def _cell(ch: str, count: int, x: float, y: float, fill: str, bold: bool) -> list[str]:
    crisp = 'shape-rendering="crispEdges"'
    if ch in _SHADE:
        return [
            f'<rect x="{x}" y="{y}" width="{count * CELL_W}" height="{CELL_H}" fill="{fill}" '
            f'fill-opacity="{_SHADE[ch]}" {crisp}/>'
        ]
    if ch in _SHAPES:
        return [
            f'<rect x="{x + a * CELL_W / 10:g}" y="{y + b * CELL_H / 10:g}" '
            f'width="{(count - 1) * CELL_W + c * CELL_W / 10:g}" height="{d * CELL_H / 10:g}" fill="{fill}" {crisp}/>'
            for a, b, c, d in _SHAPES[ch]
        ]
    if 0x2800 <= ord(ch) < 0x2900:
        bits = ord(ch) - 0x2800
        return [
            f'<circle cx="{x + 2.5 + 5 * c}" cy="{y + 2.5 + 5 * r}" r="1.6" fill="{fill}"/>'
            for k, (c, r) in enumerate(_DOTS)
            if bits >> k & 1
        ]
    weight = ' font-weight="bold"' if bold else ""
    return [f'<text x="{x + CELL_W / 2}" y="{y + 15}" text-anchor="middle" fill="{fill}"{weight}>{escape(ch)}</text>']
