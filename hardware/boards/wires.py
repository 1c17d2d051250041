"""Draws the wires of a schematic sheet: for each net a tree of straight pieces from pin to pin, around what is in
the way.

Grid units of 1.27 mm. Wires of other nets may be crossed at right angles, never followed; a net that finds no way keeps
a name at each of its pins instead.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

Cell = tuple[int, int]
WAYS: tuple[Cell, ...] = ((1, 0), (0, 1), (-1, 0), (0, -1))
BEND, CROSS, CLOSE = 5.0, 8.0, 0.6
FARTHEST = 260.0
LATE = 200.0


@dataclass(frozen=True)
class End:
    """A pin: where its wire starts and the ways it may leave."""

    at: Cell
    ways: tuple[Cell, ...]
    single: bool = False
    """Takes one wire only, such as a name's flag."""


@dataclass
class Sheet:
    width: int
    height: int
    walls: set[Cell] = field(default_factory=set)
    pins: dict[Cell, str] = field(default_factory=dict)
    across: dict[Cell, str] = field(default_factory=dict)
    """Cells that a horizontal wire passes, with its net; `down` likewise; `knees` are bends, ends and joints."""
    down: dict[Cell, str] = field(default_factory=dict)
    knees: dict[Cell, str] = field(default_factory=dict)

    def block(self, x0: float, y0: float, x1: float, y1: float) -> None:
        for x in range(int(x0 // 1), int(-(-x1 // 1)) + 1):
            for y in range(int(y0 // 1), int(-(-y1 // 1)) + 1):
                if x0 <= x <= x1 and y0 <= y <= y1:
                    self.walls.add((x, y))

    def _open(self, cell: Cell, net: str) -> bool:
        x, y = cell
        if not (0 <= x < self.width and 0 <= y < self.height) or cell in self.walls:
            return False
        return self.pins.get(cell, net) == net and self.knees.get(cell, net) == net

    def _foreign(self, cell: Cell, way: Cell, net: str) -> tuple[bool, bool]:
        """Whether another net's wire runs along here, and whether one crosses."""
        along, over = (self.across, self.down) if way[0] else (self.down, self.across)
        return along.get(cell, net) != net, over.get(cell, net) != net

    def way(self, start: End, goals: dict[Cell, tuple[Cell, ...]], net: str) -> list[Cell] | None:
        """Cheapest path from a pin to any goal (cell -> ways in which it may be entered, empty: all)."""
        queue: list[tuple[float, int, Cell, Cell]] = []
        cost: dict[tuple[Cell, Cell], float] = {}
        before: dict[tuple[Cell, Cell], tuple[Cell, Cell]] = {}
        count = 0
        for way in start.ways:
            heapq.heappush(queue, (0.0, count, start.at, way))
            cost[(start.at, way)] = 0.0
            count += 1
        while queue:
            spent, _, cell, way = heapq.heappop(queue)
            if spent > cost[(cell, way)] or spent > FARTHEST:
                continue
            allowed = goals.get(cell)
            if allowed is not None and cell != start.at and (not allowed or way in allowed):
                path, state = [cell], (cell, way)
                while state in before:
                    state = before[state]
                    path.append(state[0])
                return path[::-1]
            crossing = self._foreign(cell, way, net)[1]
            for turn in WAYS:
                if turn == (-way[0], -way[1]) or ((cell == start.at or crossing) and turn != way):
                    continue
                to = (cell[0] + turn[0], cell[1] + turn[1])
                along, over = self._foreign(to, turn, net)
                if not self._open(to, net) or along:
                    continue
                if turn != way and self._foreign(cell, turn, net)[0]:
                    continue
                near = any((to[0] + w[0], to[1] + w[1]) in self.walls for w in WAYS)
                step = 1.0 + (BEND if turn != way else 0.0) + (CROSS if over else 0.0) + (CLOSE if near else 0.0)
                if spent + step < cost.get((to, turn), 1e9):
                    cost[(to, turn)] = spent + step
                    before[(to, turn)] = (cell, way)
                    count += 1
                    heapq.heappush(queue, (spent + step, count, to, turn))
        return None

    def lay(self, path: list[Cell], net: str) -> None:
        for k, cell in enumerate(path):
            steps = {
                (b[0] - a[0], b[1] - a[1]) for a, b in zip(path[max(k - 1, 0) : k + 1], path[k : k + 2], strict=False)
            }
            if any(s[0] for s in steps):
                self.across[cell] = net
            if any(s[1] for s in steps):
                self.down[cell] = net
            if k in (0, len(path) - 1) or len(steps) > 1:
                self.knees[cell] = net


def tree(sheet: Sheet, net: str, ends: list[End]) -> list[list[Cell]] | None:
    """Paths that join all pins of a net; None: no way was found for one of them, and nothing was laid."""
    middle = (sum(e.at[0] for e in ends) / len(ends), sum(e.at[1] for e in ends) / len(ends))

    def late(end: End) -> float:
        """First what lies along the signal's way, then what hangs from it: so that the line stays straight."""
        return 0.0 if any(w[0] for w in end.ways) else LATE

    left = sorted(ends, key=lambda e: abs(e.at[0] - middle[0]) + abs(e.at[1] - middle[1]) + late(e))
    joined = [left.pop(0)]
    goals: dict[Cell, tuple[Cell, ...]] = {}
    paths: list[list[Cell]] = []

    def target(end: End) -> None:
        goals[end.at] = tuple((-w[0], -w[1]) for w in end.ways)

    target(joined[0])
    saved = dict(sheet.across), dict(sheet.down), dict(sheet.knees)
    while left:
        left.sort(key=lambda e: min(abs(e.at[0] - g[0]) + abs(e.at[1] - g[1]) for g in goals) + late(e))
        end = left.pop(0)
        path = sheet.way(end, goals, net)
        if path is None:
            sheet.across, sheet.down, sheet.knees = saved
            return None
        sheet.lay(path, net)
        paths.append(path)
        for cell in path[1:-1]:
            if sheet._foreign(cell, (1, 0), net)[0] or sheet._foreign(cell, (0, 1), net)[0]:
                continue  # another wire crosses here: no joint on it
            goals.setdefault(cell, ())
        for own in (end, *(e for e in joined if e.at == path[-1])):
            if own.single:
                goals.pop(own.at, None)
            else:
                goals[own.at] = ()
        joined.append(end)
    return paths


def pieces(paths: Iterable[list[Cell]], pins: set[Cell]) -> tuple[list[tuple[Cell, Cell]], list[Cell]]:
    """Straight pieces cut at every joint, and the joints: where three and more pieces and pins meet."""
    steps: set[tuple[Cell, Cell]] = set()
    for path in paths:
        for a, b in pairwise(path):
            steps.add((min(a, b), max(a, b)))
    meets: dict[Cell, set[Cell]] = {}
    for a, b in steps:
        meets.setdefault(a, set()).add((b[0] - a[0], b[1] - a[1]))
        meets.setdefault(b, set()).add((a[0] - b[0], a[1] - b[1]))
    knots = {c for c, ways in meets.items()
             if len(ways) != 2 or sum(w[0] for w in ways) != 0 or sum(w[1] for w in ways) != 0}  # fmt: skip
    for path in paths:
        knots |= {path[0], path[-1]}
    found = []
    for knot in sorted(knots):
        for way in ((1, 0), (0, 1)):
            if way not in meets.get(knot, ()):
                continue
            cell = (knot[0] + way[0], knot[1] + way[1])
            while cell not in knots:
                cell = (cell[0] + way[0], cell[1] + way[1])
            found.append((knot, cell))
    return found, sorted(c for c in knots if len(meets.get(c, ())) + (c in pins) > 2)
