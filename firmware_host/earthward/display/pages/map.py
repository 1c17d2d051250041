"""Map: the pool to scale with stations, arrows, likely places or coverage, findings, fittings, you and the next."""

from __future__ import annotations

import contextlib
import math

from earthward import units
from earthward.daemon.protocol import Plan
from earthward.display import words
from earthward.display.canvas import Canvas, Row, Run, merge, wrapped
from earthward.display.glyphs import RAMP, Tier
from earthward.display.page import Page, Scene
from earthward.display.places import place_text, tapes_to
from earthward.display.raster import Frame, coverage_levels, density_levels, frame_for, walls
from earthward.display.snapshot import Snapshot
from earthward.display.view import View
from earthward.errors import InputError
from earthward.record.place import Station
from earthward.record.reading import KeptReading

SIDE_COLUMNS = 24


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view, memo = scene.snapshot, scene.view, scene.memo
    plan = snapshot.plan
    if plan is None or len(plan.outline_m) < 3:
        canvas.paragraph(top + 1, rows - 1, words.NO_PLAN, indent=1)
        return
    coverage = view.page == "coverage"
    state = snapshot.state
    beside = canvas.width >= 80
    following = (state.next_station if state else None) or plan.next_station
    told = [] if following is None else _next_texts(plan, following, view)
    notes = _notes(plan, snapshot, view, told, SIDE_COLUMNS - 2 if beside else canvas.width)
    # The legend and the words for the next place; at least one row for other notes.
    said = 1 + max(1, sum(len(wrapped(text, canvas.width)) for text in told))
    below = 0 if beside else max(3, min(6, said + 1)) if rows >= 14 else min(5, said)
    columns = canvas.width - (SIDE_COLUMNS if beside else 0)
    here = state.place if state else None
    key = ("map", id(plan), plan.revision, columns, rows - below, coverage, here, following, canvas.tier)
    if memo.get("map key") != key:
        memo["map key"] = key
        memo["map"] = drawn(plan, columns, rows - below, coverage, here, following, canvas.tier)
    picture: list[Row] = memo["map"]
    for r, row in enumerate(picture):
        right: list[Run] = []
        if beside and r < len(notes):
            text, role = notes[r]
            right = [(text.ljust(SIDE_COLUMNS - 1), role)]
        canvas.put(top + r, list(row), right)
    for r in range(len(picture), rows - below):
        if beside and r < len(notes):
            canvas.put(top + r, [], [(notes[r][0].ljust(SIDE_COLUMNS - 1), notes[r][1])])
    if not beside:
        y = top + rows - below
        canvas.put(y, _legend(coverage, canvas.width), [])
        # Words that do not fit whole are left to the bigger screens, but for the next place, which all need.
        room = below - 1
        for k, (text, role) in enumerate(notes[:room]):
            canvas.put(y + 1 + k, [(text, role)])


def drawn(
    plan: Plan,
    columns: int,
    rows: int,
    coverage: bool,
    here: Station | None,
    following: Station | None,
    tier: Tier,
) -> list[Row]:
    """The picture as rows of runs, centred in `columns`."""
    frame = frame_for(plan.outline_m, columns, rows)
    fine = 1 if tier == "safe" else 2
    levels = (coverage_levels if coverage else density_levels)(plan, frame, fine)
    grid: list[list[Run]] = []
    for r, line in enumerate(walls(plan.outline_m, frame)):
        cells: list[Run] = []
        for c, glyph in enumerate(line):
            if glyph != " ":
                cells.append((glyph, "wall"))
            elif fine == 1:
                level = levels.get((r, c), 0)
                cells.append((RAMP[level], f"ramp{level}"))
            else:
                cells.append(_two(levels.get((2 * r, c), 0), levels.get((2 * r + 1, c), 0)))
        grid.append(cells)
    for position in plan.sources:
        _mark(grid, frame, position[0], position[1], "E", "fitting")
    for fitting in plan.fittings:
        letter = (fitting.kind or fitting.name or "f")[0].lower()
        _mark(grid, frame, fitting.position_m[0], fitting.position_m[1], letter, "fitting")
    for kept in plan.kept:
        _mark(grid, frame, kept.place.position_m[0], kept.place.position_m[1], station_glyph(kept), "station")
    for finding in plan.findings:
        digit = str(finding.number) if finding.number < 10 else "+"
        _mark(grid, frame, finding.position_m[0], finding.position_m[1], digit, "finding")
    if following is not None:
        _mark(grid, frame, following.position_m[0], following.position_m[1], "N", "next")
    if here is not None:
        _mark(grid, frame, here.position_m[0], here.position_m[1], "Y", "here")
    pad = " " * max(0, (columns - frame.columns) // 2)
    return [merge([(pad, "base"), *cells]) for cells in grid]


def _two(upper: int, lower: int) -> Run:
    """One cell with two densities: a half block where the other half is as good as empty, else the ramp's glyph.

    A half block leaves its other half white: between two dark ones that would look like a hole.
    """
    if upper >= 2 and lower <= 1 and upper >= lower + 2:
        return "▀", f"ramp{upper}"
    if lower >= 2 and upper <= 1 and lower >= upper + 2:
        return "▄", f"ramp{lower}"
    level = max(upper, lower)
    return RAMP[level], f"ramp{level}"


def station_glyph(kept: KeptReading) -> str:
    """An arrow the way the current flows in plan; a dot where none is claimed or the pair stood upright."""
    if kept.place.bearing_deg is None or kept.place.vertical or abs(kept.value_V) < 2 * kept.sigma_V:
        return "•"
    bearing = kept.place.bearing_deg + (0.0 if kept.value_V > 0 else 180.0)
    return "→↑←↓"[round((bearing % 360.0) / 90.0) % 4]


def _mark(grid: list[list[Run]], frame: Frame, x_m: float, y_m: float, glyph: str, role: str) -> None:
    if not (math.isfinite(x_m) and math.isfinite(y_m)):
        return
    row, column = frame.cell(x_m, y_m)
    if row < len(grid) and column < len(grid[row]):
        grid[row][column] = (glyph, role)


def _ramp_runs() -> list[Run]:
    return [(RAMP[level] * 2, f"ramp{level}") for level in range(1, len(RAMP))]


def _legend(coverage: bool, width: int) -> list[Run]:
    where = words.MAP_WHERE if width >= 53 else words.MAP_WHERE_SHORT
    title = words.MAP_COVERAGE if coverage else where
    return [
        ("Y", "here"),
        (f" {words.LEGEND_HERE} ", "base"),
        ("N", "next"),
        (f" {words.LEGEND_NEXT} ", "base"),
        *_ramp_runs(),
        (f" {title}", "base"),
    ]


def _next_texts(plan: Plan, following: Station, view: View) -> list[str]:
    """Where to stand next, in words and by two tapes: held there, `next` and `keep` store it."""
    texts = [words.NEXT_PLACE.format(place_text(following, view.system))]
    with contextlib.suppress(InputError):
        (one, first), (two, second) = tapes_to(plan, following.position_m)
        lengths = units.length(first, view.system), units.length(second, view.system)
        texts.append(words.NEXT_TAPES.format(lengths[0], one.name, lengths[1], two.name))
    return texts


def _notes(plan: Plan, snapshot: Snapshot, view: View, told: list[str], width: int) -> list[Run]:
    """Text beside or below the picture; `told`: the words for the next place, if there is one."""
    state = snapshot.state
    lines: list[Run] = []
    wide = width < 40
    if wide:
        title = words.MAP_COVERAGE if view.page == "coverage" else words.MAP_WHERE
        lines += [(line, "strong") for line in wrapped(title, width)]
        lines += [(f"{words.LESS_MORE[0]} {RAMP[1:]} {words.LESS_MORE[1]}", "base"), ("", "base")]
        lines += [(f"{glyph} {text}", "base") for glyph, text in words.LEGEND]
        lines.append(("", "base"))
    here = state.place if state else None
    if told and (wide or here is None or view.deck_m is None):
        text, *tapes = told
        lines += [(line, "strong") for line in wrapped(text, width)]
        lines += [(line, "base") for more in tapes for line in wrapped(more, width)]
    if view.page == "coverage":
        covered = (
            words.COVERAGE_OF.format(plan.coverage_fraction * 100)
            if plan.coverage_fraction is not None
            else words.COVERAGE_UNKNOWN
        )
        lines += [(line, "base") for line in wrapped(covered, width)]
    elif plan.p_leak_count:
        most = ", ".join(f"{n}: {p * 100:.0f} %" for n, p in sorted(plan.p_leak_count.items()))
        lines += [(line, "base") for line in wrapped(words.LEAK_COUNT.format(most), width)]
    if wide:
        across = max(p[0] for p in plan.outline_m) - min(p[0] for p in plan.outline_m)
        lines += [("", "base"), (words.SCALE.format(units.length(across, view.system)), "base")]
    return lines


PAGE = Page("map", "Map", order=20, paint=paint, shortcut="f2")
