"""The pool's plan in terminal cells: outline, inside, density. Pure; x to the right, y upward, to scale.

A cell is taken to be twice as high as wide. With half blocks every cell holds two densities, one above the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from earthward.daemon.protocol import Cell, Plan
from earthward.display.places import inside

LEVELS = 5
#: Share of the likeliest patch's probability from which each ramp level starts.
DENSITY_STEPS = (0.02, 0.08, 0.25, 0.6)
#: Smallest sink that would have shown, in ampere, above which a patch counts as less and less looked at.
COVERAGE_STEPS_A = (0.3e-3, 0.6e-3, 1.2e-3, 2.4e-3)


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the plan lies on `columns` x `rows` cells."""

    x0_m: float
    y1_m: float
    columns_per_m: float
    rows_per_m: float
    columns: int
    rows: int

    def cell(self, x_m: float, y_m: float) -> tuple[int, int]:
        """(row, column) of a point, held inside the frame."""
        column = math.floor((x_m - self.x0_m) * self.columns_per_m)
        row = math.floor((self.y1_m - y_m) * self.rows_per_m)
        return min(self.rows - 1, max(0, row)), min(self.columns - 1, max(0, column))

    def point(self, row: float, column: float) -> tuple[float, float]:
        """The middle of a cell, metres."""
        return self.x0_m + (column + 0.5) / self.columns_per_m, self.y1_m - (row + 0.5) / self.rows_per_m


def frame_for(outline: list[tuple[float, float]], columns: int, rows: int) -> Frame:
    """The largest to-scale frame with one wall cell on every side."""
    xs, ys = [p[0] for p in outline], [p[1] for p in outline]
    width, height = max(max(xs) - min(xs), 1e-6), max(max(ys) - min(ys), 1e-6)
    rows_per_m = min((columns - 2) / (2 * width), (rows - 2) / height)
    used_columns = min(columns, round(width * 2 * rows_per_m) + 2)
    used_rows = min(rows, round(height * rows_per_m) + 2)
    return Frame(
        x0_m=min(xs) - 1 / (2 * rows_per_m),
        y1_m=max(ys) + 1 / rows_per_m,
        columns_per_m=2 * rows_per_m,
        rows_per_m=rows_per_m,
        columns=used_columns,
        rows=used_rows,
    )


def walls(outline: list[tuple[float, float]], frame: Frame) -> list[str]:
    """Rows of cells: a wall glyph around the water, a blank elsewhere. Corners join, curves are dotted."""
    wet = [[inside(frame.point(r, c), outline) for c in range(frame.columns)] for r in range(frame.rows)]

    def is_wet(r: int, c: int) -> bool:
        return 0 <= r < frame.rows and 0 <= c < frame.columns and wet[r][c]

    def is_wall(r: int, c: int) -> bool:
        if not (0 <= r < frame.rows and 0 <= c < frame.columns) or wet[r][c]:
            return False
        return any(is_wet(r + dr, c + dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1))

    joins = {
        (False, False, True, True): "─",
        (True, True, False, False): "│",
        (False, True, False, True): "┌",
        (False, True, True, False): "┐",
        (True, False, False, True): "└",
        (True, False, True, False): "┘",
        (True, True, False, True): "├",
        (True, True, True, False): "┤",
        (False, True, True, True): "┬",
        (True, False, True, True): "┴",
        (True, True, True, True): "┼",
        (True, False, False, False): "│",
        (False, True, False, False): "│",
        (False, False, True, False): "─",
        (False, False, False, True): "─",
        (False, False, False, False): "•",
    }
    lines = []
    for r in range(frame.rows):
        line = ""
        for c in range(frame.columns):
            if not is_wall(r, c):
                line += " "
                continue
            near = (is_wall(r - 1, c), is_wall(r + 1, c), is_wall(r, c - 1), is_wall(r, c + 1))
            line += joins[near]
        lines.append(line)
    return lines


def _spread(cells: Iterable[Cell], frame: Frame, fine: int) -> Iterable[tuple[Cell, list[tuple[int, int]]]]:
    """Each patch with the fine grid places (row, column) that it covers: at least one."""
    for cell in cells:
        x, y, half = cell.position_m[0], cell.position_m[1], cell.size_m / 2
        # Every grid place whose middle lies in the patch's square; the patches tile, so no place is left out.
        left = math.ceil((x - half - frame.x0_m) * frame.columns_per_m - 0.5 - 1e-9)
        right = math.floor((x + half - frame.x0_m) * frame.columns_per_m - 0.5 + 1e-9)
        top = math.ceil((frame.y1_m - y - half) * frame.rows_per_m * fine - 0.5 - 1e-9)
        bottom = math.floor((frame.y1_m - y + half) * frame.rows_per_m * fine - 0.5 + 1e-9)
        places = [(r, c) for r in range(top, bottom + 1) for c in range(left, right + 1)]
        if not places:
            places = [
                (
                    math.floor((frame.y1_m - y) * frame.rows_per_m * fine),
                    math.floor((x - frame.x0_m) * frame.columns_per_m),
                )
            ]
        yield cell, places


def density_levels(plan: Plan, frame: Frame, fine: int = 1) -> dict[tuple[int, int], int]:
    """Ramp level 0..4 per grid place, from the posterior's density; where patches overlap the likeliest counts."""
    dense: dict[tuple[int, int], float] = {}
    for cell, places in _spread((c for c in plan.cells if c.probability > 0), frame, fine):
        value = cell.probability / max(cell.size_m, 1e-6) ** 2
        for place in places:
            dense[place] = max(dense.get(place, 0.0), value)
    peak = max(dense.values(), default=0.0)
    if peak <= 0:
        return {}
    return {place: sum(value / peak >= step for step in DENSITY_STEPS) for place, value in dense.items()}


def coverage_levels(plan: Plan, frame: Frame, fine: int = 1) -> dict[tuple[int, int], int]:
    """Per grid place inside the pool: 0 = a leak of the size asked for is excluded, up to 4 = anything is possible.

    The worst patch at a place counts. A place that no patch covers is as its nearest patch; without patches nothing is
    excluded.
    """
    patches = [c for c in plan.cells if c.probability == 0.0]
    levels: dict[tuple[int, int], int] = {}
    for cell, places in _spread(patches, frame, fine):
        for place in places:
            levels[place] = max(levels.get(place, 0), _still_possible(cell))
    for row in range(frame.rows * fine):
        for column in range(frame.columns):
            if (row, column) in levels:
                continue
            point = frame.point((row + 0.5) / fine - 0.5, column)
            if not inside(point, plan.outline_m):
                continue
            if not patches:
                levels[row, column] = LEVELS - 1
                continue
            nearest = min(patches, key=lambda c: math.dist(c.position_m[:2], point))
            levels[row, column] = _still_possible(nearest)
    return levels


def _still_possible(cell: Cell) -> int:
    smallest = cell.detectable_A
    return LEVELS - 1 if smallest is None else sum(smallest > step for step in COVERAGE_STEPS_A)
