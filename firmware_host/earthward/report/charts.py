"""Small plots as SVG, drawn for paper: thin lines, few colours, every mark with a word beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from earthward.report.blocks import printable

INK, SOFT, LINE, ACCENT, WARN, WATER = "#1b2328", "#55636b", "#c9d1d5", "#0b5c7a", "#8a3b00", "#e8f1f4"
FONT = "Source Sans Pro, Source Sans 3, DejaVu Sans, sans-serif"


class Canvas:
    """Collects SVG elements in a viewBox of width x height user units (about points on paper)."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.parts: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, colour: str = INK, width: float = 1.0, dash: str = ""
    ) -> None:
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" stroke="{colour}" '
            f'stroke-width="{width:g}"{extra}/>'
        )

    def path(
        self, points: Sequence[tuple[float, float]], colour: str = INK, width: float = 1.0, fill: str = "none",
        closed: bool = False, dash: str = "",
    ) -> None:  # fmt: skip
        d = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points) + ("Z" if closed else "")
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path d="{d}" fill="{fill}" stroke="{colour}" stroke-width="{width:g}" stroke-linejoin="round"{extra}/>'
        )

    def rect(self, x: float, y: float, w: float, h: float, fill: str, stroke: str = "none", width: float = 1.0) -> None:
        self.parts.append(
            f'<rect x="{x:.2f}" y="{y:.2f}" width="{w:.2f}" height="{h:.2f}" fill="{fill}" stroke="{stroke}" '
            f'stroke-width="{width:g}"/>'
        )

    def circle(
        self, x: float, y: float, r: float, fill: str = "none", stroke: str = INK, width: float = 1.0, dash: str = ""
    ) -> None:
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}" fill="{fill}" stroke="{stroke}" '
            f'stroke-width="{width:g}"{extra}/>'
        )

    def text(
        self, x: float, y: float, text: str, size: float = 10.0, colour: str = INK, anchor: str = "start",
        bold: bool = False, halo: str = "", turn_deg: float = 0.0,
    ) -> None:  # fmt: skip
        turn = f' transform="rotate({turn_deg:.1f} {x:.2f} {y:.2f})"' if turn_deg else ""
        common = (
            f'x="{x:.2f}" y="{y:.2f}" font-family="{FONT}" font-size="{size:g}" text-anchor="{anchor}" '
            f'font-weight="{600 if bold else 400}"{turn}'
        )
        if halo:  # a white copy underneath: not every renderer knows paint-order
            outline = f'fill="{halo}" stroke="{halo}" stroke-width="3" stroke-linejoin="round"'
            self.parts.append(f"<text {common} {outline}>{escape(printable(text))}</text>")
        self.parts.append(f'<text {common} fill="{colour}">{escape(printable(text))}</text>')

    def arrow(self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float = 1.0) -> None:
        length = math.hypot(x2 - x1, y2 - y1)
        if length < 1e-6:
            return
        ux, uy = (x2 - x1) / length, (y2 - y1) / length
        head = min(5.0, 0.5 * length)
        bx, by = x2 - head * ux, y2 - head * uy
        self.line(x1, y1, bx, by, colour, width)
        side = 0.42 * head
        self.path(
            [(x2, y2), (bx - side * uy, by + side * ux), (bx + side * uy, by - side * ux)], colour, 0.5, colour, True
        )

    def svg(self) -> str:
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:.0f} {self.height:.0f}" '
            f'width="{self.width:.0f}" height="{self.height:.0f}">\n' + "\n".join(self.parts) + "\n</svg>\n"
        )


def nice_ticks(low: float, high: float, count: int = 6) -> list[float]:
    """Round numbers that span low..high."""
    if not high > low:
        high = low + 1.0
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 2.5, 5.0, 10.0) if m * power >= raw * 0.999)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class IntervalRow:
    """One line of an interval chart. value None: only the interval is drawn."""

    label: str
    low: float
    high: float
    value: float | None
    text: str
    colour: str = ACCENT


def intervals(rows: Sequence[IntervalRow], axis: str, width: float = 560.0, label_width: float = 150.0) -> str:
    """Value and interval per row on a common axis, with its figures in words at the right."""
    text_width = 180.0
    row_height, top = 22.0, 8.0
    low = min(0.0, *(r.low for r in rows))
    high = max(0.0, *(r.high for r in rows))
    ticks = nice_ticks(low, high)
    left, right = label_width, width - text_width
    height = top + row_height * len(rows) + 34.0

    def x(v: float) -> float:
        return left + (v - ticks[0]) / (ticks[-1] - ticks[0]) * (right - left)

    c = Canvas(width, height)
    bottom = top + row_height * len(rows)
    for t in ticks:
        c.line(x(t), top, x(t), bottom, INK if t == 0 else LINE, 1.0 if t == 0 else 0.6)
        c.text(x(t), bottom + 13, f"{t:g}", 9, SOFT, "middle")
    c.text((left + right) / 2, bottom + 27, axis, 9.5, SOFT, "middle")
    for i, row in enumerate(rows):
        y = top + row_height * (i + 0.5)
        c.text(left - 8, y + 3.5, row.label, 10, INK, "end")
        c.line(x(row.low), y, x(row.high), y, row.colour, 3.0)
        for end in (row.low, row.high):
            c.line(x(end), y - 4, x(end), y + 4, row.colour, 1.2)
        if row.value is not None:
            c.circle(x(row.value), y, 4.2, row.colour, "#fff", 1.0)
        c.text(right + 10, y + 3.5, row.text, 10, INK)
    return c.svg()


@dataclass(frozen=True, slots=True)
class Series:
    label: str
    points: list[tuple[float, float]]
    colour: str
    dash: str = ""


def lines(
    series: Sequence[Series],
    x_axis: str,
    y_axis: str,
    shaded: Sequence[tuple[float, float, str]] = (),
    width: float = 560.0,
    height: float = 210.0,
) -> str:
    """Lines with points over a common axis; shaded stretches carry a word at their top."""
    every = [p for s in series for p in s.points]
    x_ticks = nice_ticks(min(p[0] for p in every), max(p[0] for p in every), 8)
    y_ticks = nice_ticks(min(p[1] for p in every), max(p[1] for p in every), 5)
    left, right, top, bottom = 52.0, width - 96.0, 12.0, height - 38.0

    def at(p: tuple[float, float]) -> tuple[float, float]:
        fx = (p[0] - x_ticks[0]) / (x_ticks[-1] - x_ticks[0])
        fy = (p[1] - y_ticks[0]) / (y_ticks[-1] - y_ticks[0])
        return left + fx * (right - left), bottom - fy * (bottom - top)

    c = Canvas(width, height)
    for start, end, word in shaded:
        x1, x2 = at((start, 0))[0], at((end, 0))[0]
        c.rect(x1, top, x2 - x1, bottom - top, "#f1f4f5")
        c.text((x1 + x2) / 2, top + 11, word, 9, SOFT, "middle")
    for t in x_ticks:
        px = at((t, y_ticks[0]))[0]
        c.line(px, bottom, px, bottom + 4, INK, 0.8)
        c.text(px, bottom + 15, f"{t:g}", 9, SOFT, "middle")
    for t in y_ticks:
        py = at((x_ticks[0], t))[1]
        c.line(left, py, right, py, LINE, 0.6)
        c.text(left - 6, py + 3, f"{t:g}", 9, SOFT, "end")
    c.line(left, bottom, right, bottom, INK, 0.8)
    c.text((left + right) / 2, bottom + 30, x_axis, 9.5, SOFT, "middle")
    c.text(13, (top + bottom) / 2, y_axis, 9.5, SOFT, "middle", turn_deg=-90)
    ends: list[float] = []
    for s in series:
        placed = [at(p) for p in s.points]
        c.path(placed, s.colour, 1.6, dash=s.dash)
        for px, py in placed:
            c.circle(px, py, 2.2, s.colour, "#fff", 0.8)
        y = min(placed[-1][1] + 3.5, bottom - 5)
        step = 12.0 if y < bottom - 20 else -12.0
        while (close := next((other for other in ends if abs(y - other) < 11.9), None)) is not None:
            y = close + step
        ends.append(y)
        c.text(placed[-1][0] + 8, y, s.label, 10, s.colour, halo="#fff")
    return c.svg()
