"""Map: the pool to scale with stations, arrows, likely places or coverage, findings, fittings, you and the next."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence

from earthward import units
from earthward.daemon.protocol import Plan
from earthward.display import frame, words
from earthward.display.canvas import Canvas, Row, Run, length, merge, wrapped
from earthward.display.glyphs import RAMP, Tier
from earthward.display.page import Page, Scene
from earthward.display.places import marks_of, place_text, tapes_to
from earthward.display.raster import Frame, coverage_levels, density_levels, frame_for, walls
from earthward.display.snapshot import Snapshot
from earthward.display.view import View
from earthward.errors import InputError
from earthward.record.place import Station
from earthward.record.reading import KeptReading

SIDE_COLUMNS = 24
#: Fewer rows than this show no density.
SMALLEST_ROWS = 8
#: Fewer than this are no picture at all.
LEAST_ROWS = 4
#: A page of fewer rows has no room for everything.
SMALL_PAGE_ROWS = 12


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
    directions = [] if following is None else _next_texts(plan, following, view)
    if following is not None and place_text(following, view.system) in " ".join(frame.now_rows(canvas, scene)):
        # The line of what to press now says it already: the room is the picture's.
        directions = directions[1:] if rows - 3 >= LEAST_ROWS else []
    elif rows < SMALL_PAGE_ROWS:
        # The words are for whoever goes there now; until then the outline is worth more.
        directions = []
    notes = _notes(plan, snapshot, view, directions, SIDE_COLUMNS - 2 if beside else canvas.width)
    # The legend and the words for the next place; at least one row for other notes.
    said = 1 + max(1, sum(len(wrapped(text, canvas.width)) for text, _ in directions))
    below = 0 if beside else max(3, min(6, said + 1)) if rows >= 14 else min(5, said)
    if rows - below < LEAST_ROWS:
        # A long message has the page: the words for the next place are what is needed of it.
        below = rows
    columns = canvas.width - (SIDE_COLUMNS if beside else 0)
    here = state.place if state else None
    # A spot that is to be read again after a repair is followed by the others of that finding.
    further = plan.further if following == plan.next_station else []
    key = ("map", id(plan), plan.revision, columns, rows - below, coverage, here, following, canvas.tier)
    if memo.get("map key") != key:
        memo["map key"] = key
        memo["map"] = (
            [] if below == rows else drawn(plan, columns, rows - below, coverage, here, following, canvas.tier, further)
        )
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
        canvas.put(y, _legend(plan, coverage, canvas.width), [])
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
    further: Sequence[Station] = (),
) -> list[Row]:
    """The picture as rows of runs, centred in `columns`."""
    scale = frame_for(plan.outline_m, columns, rows)
    fine = 1 if tier == "safe" else 2
    # A screen of thirteen rows has cells of more than a metre: the outline and the places, nothing finer than is drawn.
    bare = rows < SMALLEST_ROWS
    levels = {} if bare else (coverage_levels if coverage else density_levels)(plan, scale, fine)
    grid: list[list[Run]] = []
    for r, line in enumerate(walls(plan.outline_m, scale)):
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
        _mark(grid, scale, position[0], position[1], "±", "fitting")
    for fitting in plan.fittings:
        letter = (fitting.kind or fitting.name or "f")[0].lower()
        _mark(grid, scale, fitting.position_m[0], fitting.position_m[1], letter, "fitting")
    for kept in plan.kept:
        _mark(grid, scale, kept.place.position_m[0], kept.place.position_m[1], station_glyph(kept), "station")
    with contextlib.suppress(InputError):
        for mark, glyph in zip(marks_of(plan), words.MARK_GLYPHS, strict=True):
            _mark(grid, scale, mark.position_m[0], mark.position_m[1], glyph, "key")
    for finding in plan.findings:
        if bare and finding.number == 0:
            continue
        digit = "?" if finding.number == 0 else str(finding.number) if finding.number < 10 else "+"
        _mark(grid, scale, finding.position_m[0], finding.position_m[1], digit, "finding")
    for station in reversed(further):
        _mark(grid, scale, station.position_m[0], station.position_m[1], "x", "next")
    if following is not None:
        _mark(grid, scale, following.position_m[0], following.position_m[1], "X", "next")
    if here is not None:
        _mark(grid, scale, here.position_m[0], here.position_m[1], "@", "here")
    pad = " " * max(0, (columns - scale.columns) // 2)
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


def _mark(grid: list[list[Run]], scale: Frame, x_m: float, y_m: float, glyph: str, role: str) -> None:
    if not (math.isfinite(x_m) and math.isfinite(y_m)):
        return
    row, column = scale.cell(x_m, y_m)
    if row < len(grid) and column < len(grid[row]):
        grid[row][column] = (glyph, role)


def _ramp_runs() -> list[Run]:
    return [(RAMP[level] * 2, f"ramp{level}") for level in range(1, len(RAMP))]


def _legend(plan: Plan, coverage: bool, width: int) -> list[Run]:
    """The layer's number first: it must never fall off."""
    runs: list[Run] = [
        (_number(plan, coverage) + "  ", "strong"),
        ("@", "here"),
        (f" {words.LEGEND_HERE} ", "base"),
        ("X", "next"),
        (f" {words.LEGEND_NEXT} ", "base"),
    ]
    if plan.further:
        runs += [("x", "next"), (f" {words.LEGEND_THEN} ", "base")]
    for title in (
        (words.MAP_COVERAGE, words.MAP_COVERAGE_SHORT) if coverage else (words.MAP_WHERE, words.MAP_WHERE_SHORT)
    ):
        whole = [*runs, *_ramp_runs(), (f" {title}", "base")]
        if length(whole) <= width:
            return whole
    return runs


def _number(plan: Plan, coverage: bool) -> str:
    if coverage:
        known = plan.coverage_fraction
        return words.COVERAGE_UNKNOWN if known is None else words.COVERAGE_OF.format(known * 100)
    if not plan.p_leak_count:
        return words.LEAKS_UNKNOWN
    likeliest = max(plan.p_leak_count, key=lambda n: plan.p_leak_count[n])
    return words.LEAK_COUNT.format(f"{likeliest} ({plan.p_leak_count[likeliest] * 100:.0f} %)")


def _next_texts(plan: Plan, following: Station, view: View) -> list[Run]:
    """Where to stand next, in words and by two tapes: held there, `next` and `keep` store it."""
    texts = [(words.NEXT_PLACE.format(place_text(following, view.system)), "strong")]
    with contextlib.suppress(InputError):
        (one, first), (two, second) = tapes_to(plan, following.position_m)
        lengths = units.length(first, view.system), units.length(second, view.system)
        texts.append((words.NEXT_TAPES.format(lengths[0], one.name, lengths[1], two.name), "base"))
    return texts


def _notes(plan: Plan, snapshot: Snapshot, view: View, directions: list[Run], width: int) -> list[Run]:
    """Text beside or below the picture; `directions`: the words for the next place, if there is one."""
    lines: list[Run] = []
    wide = width < 40
    coverage = view.page == "coverage"
    if wide:
        lines += [(line, "strong") for line in wrapped(_number(plan, coverage), width)]
        title = words.MAP_COVERAGE if coverage else words.MAP_WHERE
        lines += [(line, "strong") for line in wrapped(f"{RAMP[2:]} {title}", width)]
    lines += [(line, role) for text, role in directions for line in wrapped(text, width)]
    if wide:
        across = max(p[0] for p in plan.outline_m) - min(p[0] for p in plan.outline_m)
        lines += [(f"{glyph} {text}", "base") for glyph, text in words.LEGEND]
        with contextlib.suppress(InputError):
            marks = zip(words.MARK_GLYPHS, marks_of(plan), strict=True)
            lines += [(line, "base") for glyph, mark in marks for line in wrapped(f"{glyph} {mark.name}", width)]
        lines.append((words.SCALE.format(units.length(across, view.system)), "base"))
    return lines


PAGE = Page("map", "Map", order=20, paint=paint, shortcut="f2")
