"""A schematic sheet as a picture, cut to what is on it; below it what each part is for."""

from __future__ import annotations

from hardware.boards.schematic import called, supply_lines
from hardware.boards.sheet_draw import Drawn, draw, words
from hardware.boards.sheet_parts import Item

SIZE, SMALL = 2.3, 1.9


def _text(x: float, y: float, text: str, size: float, anchor: str = "start", extra: str = "") -> str:
    safe = text.replace("&", "&amp;").replace("<", "&lt;")
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" text-anchor="{anchor}"{extra}>{safe}</text>'


def _flag(net: str, x: float, y: float, side: str) -> str:
    name, wide = called(net), len(called(net)) * 1.55 + 2.2
    angle = {"r": 0, "l": 0, "u": -90, "d": -90}[side]
    sign = 1 if side in ("r", "u") else -1
    points = [(0, 0), (1.0, -1.4), (wide, -1.4), (wide, 1.4), (1.0, 1.4), (0, 0)]
    shape = " ".join(f"{sign * a:.2f},{b:.2f}" for a, b in points)
    text = _text(sign * (1.4 + (wide - 1.4) / 2), 0.8, name, SIZE, "middle", ' fill="#157" stroke="none"')
    return (f'<g transform="translate({x:.2f} {y:.2f}) rotate({angle})"><polyline points="{shape}" stroke="#157"/>'
            f"{text}</g>")  # fmt: skip


def _symbols(drawn: Drawn) -> tuple[list[str], list[str]]:
    lines, texts = [], []
    for item, (x, y) in drawn.spots:
        for line in item.shape.lines:
            lines.append('<polyline points="' + " ".join(f"{x + a:.2f},{y + b:.2f}" for a, b in line) + '"/>')
        lines += [f'<circle cx="{x + a:.2f}" cy="{y + b:.2f}" r="{r}"/>' for (a, b), r in item.shape.circles]
        for word in words(item):
            bold = ' font-weight="bold"' if word.what == "Reference" else ""
            texts.append(_text(x + word.x, y + word.y, word.text, SIZE, word.anchor, bold))
        for pin in item.shape.pins:
            if pin.label:
                inside = x + pin.at[0] - pin.out[0] * 3.2
                anchor = "start" if pin.out[0] < 0 else "end"
                texts.append(_text(inside, y + pin.at[1] + 0.7, pin.label, SMALL, anchor))
    return lines, texts


def _bounds(drawn: Drawn) -> tuple[float, float, float, float]:
    xs, ys = [], []
    for item, (x, y) in drawn.spots:
        x0, y0, x1, y1 = item.shape.bounds()
        xs += [x + x0 - 4, x + x1 + 16]
        ys += [y + y0 - 6, y + y1 + 4]
    for net, x, y, _ in drawn.flags:
        wide = len(net) * 1.3 + 4
        xs += [x - wide, x + wide]
        ys += [y - wide, y + wide]
    return min(xs), min(ys), max(xs), max(ys)


def _jobs(group: list[Item]) -> list[str]:
    """What each part is for, parts with the same job together."""
    by_job: dict[str, list[str]] = {}
    for item in group:
        if item.job and not item.job.startswith("test point"):
            by_job.setdefault(item.job, []).append(item.part.ref)
    return [f"{' '.join(refs)}: {job}" for job, refs in by_job.items()]


def _columns(rows: list[str], x: float, y: float, width: float) -> tuple[list[str], float]:
    letters = max(len(row) for row in rows) if rows else 1
    count = max(int(width // (min(letters, 78) * 1.0 + 4)), 1)
    tall = -(-len(rows) // count)
    found = []
    for k, row in enumerate(rows):
        text = row if len(row) <= 78 else row[:75] + "..."
        found.append(_text(x + (k // tall) * width / count, y + (k % tall) * 2.9, text, SMALL, extra=' fill="#444"'))
    return found, y + tall * 2.9


def svg(title: str, block: str, note: str, group: list[Item]) -> str:
    drawn = draw(block, group)
    x0, y0, x1, y1 = _bounds(drawn)
    x1 = max(x1, x0 + 190)
    lines, texts = _symbols(drawn)
    lines += [f'<line x1="{a}" y1="{b}" x2="{c}" y2="{d}" stroke="#157"/>' for a, b, c, d in drawn.wires]
    lines += [_flag(*flag) for flag in drawn.flags]
    dots = [f'<circle cx="{x}" cy="{y}" r="0.6" fill="#157"/>' for x, y in drawn.joints]
    for net, x, y, up in drawn.supplies:
        for line in supply_lines(up):
            lines.append('<polyline points="' + " ".join(f"{x + a:.2f},{y + b:.2f}" for a, b in line) + '"/>')
        if up:
            texts.append(_text(x, y - 2.7, called(net), SIZE, "middle"))
    texts += [_text(x, y - 0.5, called(net), 1.6, extra=' fill="#888"') for net, x, y in drawn.inner]
    texts += [_text(x0, y0 - 3, f"{title}: {block}", 4.6), _text(x0, y1 + 6, note, 3.2)]
    jobs, foot = _columns(_jobs(group), x0, y1 + 12, x1 - x0)
    box = f"{x0 - 5:.1f} {y0 - 10:.1f} {x1 - x0 + 10:.1f} {foot - y0 + 12:.1f}"
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" font-family="sans-serif">',
        f'<rect x="{x0 - 5}" y="{y0 - 10}" width="{x1 - x0 + 10}" height="{foot - y0 + 12}" fill="white"/>',
        '<g fill="none" stroke="black" stroke-width="0.28">', *lines, "</g>", *dots, *texts, *jobs, "</svg>",
    ])  # fmt: skip
