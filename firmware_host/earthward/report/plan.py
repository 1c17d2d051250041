"""The plan that `field --plot` and `locate --plot` draw: outline to scale, fittings, stations, what is where.

`draw_plan` is pure: a `Picture` of plain numbers in, SVG text out. `save_plan` writes .svg, or .png through typst
(the `report` extra), with the report's own font.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np

from earthward.errors import InputError
from earthward.inversion.types import Result
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading
from earthward.report.charts import ACCENT, INK, SOFT, WARN
from earthward.report.plan_sheet import Sheet, marks_of
from earthward.survey.files.whole import write_whole

Point = Sequence[float]

_TEXT = 10.0
_SHORTEST, _LONGEST = 7.0, 30.0


@dataclass(frozen=True)
class Arrow:
    """A pair's reading: the arrow points the way the current flows in the water (back to front when value > 0)."""

    front_m: Point
    back_m: Point
    value_V: float
    suspect: bool = False
    weak: bool = False


@dataclass(frozen=True)
class Spot:
    """A sink or a finding to be shown, with the words beside it. `taped`: draw distances from the two marks."""

    position_m: Point
    text: str
    certain: bool = True
    taped: bool = False


@dataclass(frozen=True)
class Shade:
    """Squares of the plan shaded by a weight in 0..1, strongest shown darkest."""

    cells_m: Sequence[Point]
    weight: Sequence[float]
    cell_m: float


@dataclass(frozen=True)
class Picture:
    title: str = ""
    subtitle: str = ""
    arrows: Sequence[Arrow] = ()
    spots: Sequence[Spot] = ()
    shade: Shade | None = None
    next_m: Point | None = None
    next_text: str = ""
    notes: Sequence[str] = field(default_factory=tuple)


def draw_plan(pool: Pool, picture: Picture, width: float = 720.0) -> str:
    """SVG text: everything in `picture` over the pool, y upwards, with scale bar and key."""
    notes = [line for note in picture.notes for line in _wrapped(note, int(width / 5.0))]
    sheet = Sheet(pool, width, top=46.0 if picture.title else 14.0, foot=53.0 + 14.0 * len(notes))
    c = sheet.canvas
    c.rect(0, 0, c.width, c.height, "#ffffff")
    if picture.title:
        c.text(14, 22, picture.title, 15, INK, bold=True)
        c.text(14, 38, picture.subtitle, _TEXT, SOFT)
    sheet.water()
    _shade(sheet, picture.shade)
    for spot in picture.spots:
        u, v = sheet.at(spot.position_m)
        sheet.take((u - 12, v - 12, u + 12, v + 12))
    marks = marks_of(pool)
    for name, p in marks:
        sheet.mark(name, p)
    for spot in picture.spots:
        if spot.taped:
            for _, p in marks:
                sheet.dimension(p, spot.position_m, WARN)
    _arrows(sheet, picture.arrows)
    for source in pool.sources:
        name = f"injection {source.source_id}" if len(pool.sources) > 1 else "injection"
        sheet.source(source.position_m, f"{name}, {1e3 * (source.current_A or 0.0):.3g} mA")
    for fitting in pool.fittings:
        sheet.fitting(fitting)
    _next(sheet, picture)
    _spots(sheet, picture.spots)
    sheet.depths()
    _foot(sheet, picture, notes)
    return c.svg()


def _shade(sheet: Sheet, shade: Shade | None) -> None:
    if shade is None or not len(shade.cells_m):
        return
    top = max(shade.weight)
    best: dict[tuple[float, float], float] = {}
    for p, w in zip(shade.cells_m, shade.weight, strict=True):
        key = (round(p[0] / shade.cell_m), round(p[1] / shade.cell_m))
        best[key] = max(best.get(key, 0.0), w / top)
    side = max(shade.cell_m * sheet.scale, 3.0)
    for (i, j), w in sorted(best.items(), key=lambda item: item[1]):
        if w < 0.02:
            continue
        u, v = sheet.at((i * shade.cell_m, j * shade.cell_m))
        sheet.canvas.rect(u - side / 2, v - side / 2, side, side, _ramp(w))


def _arrows(sheet: Sheet, arrows: Sequence[Arrow]) -> None:
    sizes = [abs(a.value_V) for a in arrows if a.value_V]
    low, high = (min(sizes), max(sizes)) if sizes else (1.0, 1.0)
    for a in arrows:
        front, back = np.array(sheet.at(a.front_m)), np.array(sheet.at(a.back_m))
        middle, axis = 0.5 * (front + back), front - back
        length = float(np.hypot(*axis))
        colour = "#b9c3c8" if a.weak else WARN if a.suspect else ACCENT
        if length < 0.2 * math.dist(a.front_m, a.back_m) * sheet.scale:
            # A vertical pair: a ring, filled when the current flows down.
            down = (a.front_m[2] > a.back_m[2]) == (a.value_V > 0)
            sheet.canvas.circle(middle[0], middle[1], 3.2, colour if down else "#ffffff", colour, 1.2)
            sheet.take((middle[0] - 5, middle[1] - 5, middle[0] + 5, middle[1] + 5))
            continue
        grow = math.log(abs(a.value_V) / low) / math.log(high / low) if a.value_V and high > 1.001 * low else 0.5
        reach = 0.5 * (_SHORTEST + grow * (_LONGEST - _SHORTEST)) * math.copysign(1, a.value_V)
        step = axis / length * reach
        (x1, y1), (x2, y2) = (middle - step).tolist(), (middle + step).tolist()
        sheet.canvas.arrow(x1, y1, x2, y2, colour, 1.3 if not a.suspect else 2.0)
        sheet.take((min(x1, x2) - 3, min(y1, y2) - 3, max(x1, x2) + 3, max(y1, y2) + 3))
        if a.suspect:
            sheet.canvas.circle(middle[0], middle[1], 9, "none", WARN, 1.2, "3 2")


def _next(sheet: Sheet, picture: Picture) -> None:
    if picture.next_m is None:
        return
    u, v = sheet.at(picture.next_m)
    sheet.canvas.circle(u, v, 9, "none", ACCENT, 1.8, "3 2")
    sheet.canvas.circle(u, v, 2, ACCENT, ACCENT)
    sheet.take((u - 10, v - 10, u + 10, v + 10))
    sheet.label((u, v), picture.next_text or "read here next", ACCENT, 9.5, gap=13)


def _spots(sheet: Sheet, spots: Sequence[Spot]) -> None:
    c = sheet.canvas
    for spot in spots:
        u, v = sheet.at(spot.position_m)
        c.circle(u, v, 8, "none", "#ffffff", 4.0)
        c.circle(u, v, 8, "none", WARN, 2.0, "" if spot.certain else "3 2")
        for du, dv in ((12, 0), (-12, 0), (0, 12), (0, -12)):
            c.line(u + du / 3, v + dv / 3, u + du, v + dv, WARN, 1.6)
    for spot in spots:
        sheet.label(sheet.at(spot.position_m), spot.text, WARN, 10.5, gap=15, bold=True)


def _key(p: Picture) -> list[tuple[str, str]]:
    entries = [("source", "injection electrode"), ("fitting", "fitting")]
    if p.arrows:
        entries.append(("arrow", "reading: the way the current flows, longer = stronger"))
        if any(abs(a.front_m[2] - a.back_m[2]) > 0.5 * math.dist(a.front_m, a.back_m) for a in p.arrows):
            entries.append(("ring", "vertical pair: filled = current flows down"))
    if p.spots:
        entries.append(("spot", "suspected leak" if any(s.taped for s in p.spots) else "sink"))
    if p.shade is not None:
        entries.append(("shade", "likely place, darker = likelier"))
    return entries


def _foot(sheet: Sheet, picture: Picture, notes: Sequence[str]) -> None:
    c = sheet.canvas
    x, y = 14.0, sheet.bottom + 12
    sheet.bar(y - 16)
    for n, (kind, text) in enumerate(_key(picture)):
        if n and x + 20 + 4.3 * len(text) > c.width:
            x, y = 14.0, y + 15
        if kind == "source":
            c.circle(x + 5, y, 5, "#ffffff", INK, 1.4)
            c.line(x + 2, y, x + 8, y, INK, 1.4)
            c.line(x + 5, y - 3, x + 5, y + 3, INK, 1.4)
        elif kind == "fitting":
            c.rect(x + 1, y - 4, 8, 8, SOFT, SOFT)
        elif kind == "arrow":
            c.arrow(x - 3, y, x + 13, y, ACCENT, 1.3)
        elif kind == "ring":
            c.circle(x + 2, y, 3.2, ACCENT, ACCENT, 1.2)
            c.circle(x + 10, y, 3.2, "#ffffff", ACCENT, 1.2)
        elif kind == "spot":
            c.circle(x + 5, y, 4.5, "none", WARN, 1.8)
        else:
            for k, w in enumerate((0.15, 0.5, 1.0)):
                c.rect(x - 3 + 5 * k, y - 4, 5, 8, _ramp(w))
        c.text(x + 16, y + 3.5, text, 9, SOFT)
        x += 30 + 4.3 * len(text)
    for n, note in enumerate(notes):
        c.text(14, y + 22 + 14 * n, note, _TEXT, INK)


def _ramp(weight: float) -> str:
    """From the water's own pale blue through sand to a dark rust: darker is more, also in grey print."""
    stops = ((0.0, (232, 241, 244)), (0.35, (247, 214, 150)), (0.7, (226, 133, 60)), (1.0, (138, 59, 0)))
    w = min(max(weight, 0.0), 1.0)
    for (a, low), (b, high) in pairwise(stops):
        if w <= b:
            t = (w - a) / (b - a)
            red, green, blue = (round(p + t * (q - p)) for p, q in zip(low, high, strict=True))
            return f"#{red:02x}{green:02x}{blue:02x}"
    raise AssertionError("unreachable")


def _wrapped(text: str, columns: int) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if line and len(line) + 1 + len(word) > columns:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


# --- what the commands show ------------------------------------------------------------------------------


def field_picture(pool: Pool, sinks: Sequence[tuple[Point, float]], arrows: Sequence[Arrow]) -> Picture:
    """The forward model's plan: sinks with their currents, pairs with the way the current flows."""
    spots = [Spot(p, f"sink {1e3 * current:.3g} mA") for p, current in sinks]
    largest = max((abs(a.value_V) for a in arrows), default=0.0)
    return Picture(
        pool.name or "Pool",
        f"computed field, {len(arrows)} pairs, largest {_volts(largest)}",
        arrows,
        spots,
        notes=("Computed from the pool file and the sinks given; nothing here was measured.",),
    )


def locate_picture(pool: Pool, readings: Sequence[KeptReading], result: Result) -> Picture:
    """The search's plan: readings, likely places, findings taped from two marks, the next station."""
    suspect = {one.row for one in result.suspect_readings}
    arrows = [Arrow(r.front_m, r.back_m, r.value_V, r.row in suspect, abs(r.value_V) < 2 * r.sigma_V) for r in readings]
    spots = []
    for n, finding in enumerate(result.findings, start=1):
        low, high = finding.current_interval_A or (0.0, 0.0)
        text = f"{n}: {1e3 * low:.2f} to {1e3 * high:.2f} mA, depth {finding.position_m[2]:.1f} m"
        spots.append(Spot(finding.position_m, text, finding.certain, taped=True))
    shade = None
    if result.posterior:
        cells = [c.position_m for c in result.posterior]
        shade = Shade(cells, [c.probability for c in result.posterior], _pitch(cells))
    station = result.next_station
    return Picture(
        pool.name or "Pool",
        f"{result.verdict}: {len(readings)} readings at {result.stations} stations",
        arrows,
        spots,
        shade,
        station.position_m if station is not None else None,
        notes=(result.text, *([f"Next: {station.text}"] if station is not None and station.text else [])),
    )


def _pitch(cells: Sequence[Point]) -> float:
    """The grid spacing of the cells: the smallest step between different x (or y) coordinates, at least 5 cm."""
    steps = [d for k in (0, 1) for d in np.diff(np.unique(np.round([c[k] for c in cells], 3))) if d > 0.045]
    return min(0.25, float(min(steps))) if steps else 0.1


def _volts(value_V: float) -> str:
    for unit, factor in (("V", 1.0), ("mV", 1e3), ("uV", 1e6)):
        if value_V * factor >= 1:
            return f"{value_V * factor:.3g} {unit}"
    return f"{value_V * 1e9:.3g} nV"


# --- files -----------------------------------------------------------------------------------------------


def save_plan(path: Path, svg: str) -> None:
    """Write the plan whole, as .svg or .png. InputError for another ending or when typst is not there."""
    kind = path.suffix.lower()
    if kind == ".svg":
        write_whole(path, svg)
    elif kind == ".png":
        write_whole(path, _png(svg))
    else:
        raise InputError(f"{path}: a plan is written as .svg or .png; give one of these endings.")


def _png(svg: str) -> bytes:
    try:
        import typst
    except ImportError:
        raise InputError("a .png plan needs the report extra (pip install earthward[report]); use .svg.") from None
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "plan.svg").write_text(svg, encoding="utf-8")
        page = '#set page(width: auto, height: auto, margin: 0pt)\n#set text(font: "Source Sans Pro")\n'
        page += '#image("plan.svg")\n'
        Path(folder, "plan.typ").write_text(page, encoding="utf-8")
        with resources.as_file(resources.files("earthward.report") / "fonts") as fonts:
            png = typst.compile(
                str(Path(folder, "plan.typ")), root=folder, font_paths=[str(fonts)], format="png", ppi=150.0
            )
    return bytes(png)


def save_field_plan(path: Path, pool: Pool, sinks: Sequence[tuple[Point, float]], arrows: Sequence[Arrow]) -> None:
    save_plan(path, draw_plan(pool, field_picture(pool, sinks, arrows)))


def save_locate_plan(path: Path, pool: Pool, readings: Sequence[KeptReading], result: Result) -> None:
    save_plan(path, draw_plan(pool, locate_picture(pool, readings, result)))
