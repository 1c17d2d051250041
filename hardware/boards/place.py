"""Sets the small parts into rows so that the wires between them are short: simulated annealing over slots of 0.8 mm.

python -m hardware.boards.place source [seed]      writes source/placement.csv
"""

from __future__ import annotations

import math
import random
import sys
from dataclasses import dataclass, field

from hardware.boards import boards
from hardware.boards.footprints import Footprint, box, load, turned
from hardware.boards.model import HERE, BoardPart, BoardSpec, Place, Point, write_places

STEP_MM = 0.8
GAP_MM = 0.7  # between courtyards, for a soldering iron and a track
LIGHT = {"0": 0.05, "v5": 0.25, "h0": 0.3}
NEAR_WEIGHT = 1.5


@dataclass
class Small:
    """A part that may move: its possible turns, each with width and offset of its origin from slot and row."""

    part: BoardPart
    footprint: Footprint
    turns: list[tuple[float, float, float, float]] = field(default_factory=list)  # turn, width, dx, dy
    turn: int = 0
    row: int = -1
    slot: int = -1

    @property
    def slots(self) -> int:
        return math.ceil(self.turns[self.turn][1] / STEP_MM)


class Rows:
    """Which slots of which row are free."""

    def __init__(self, spec: BoardSpec) -> None:
        self.left, self.right = spec.row_span_mm
        self.count = int((self.right - self.left) / STEP_MM)
        self.middles = spec.rows_mm
        self.pitch = min(b - a for a, b in zip(self.middles, self.middles[1:], strict=False))
        self.taken: list[list[str | None]] = [[None] * self.count for _ in self.middles]

    def block(self, left: float, top: float, right: float, bottom: float) -> None:
        for row, y in enumerate(self.middles):
            if top < y + self.pitch / 2 - 0.9 and bottom > y - self.pitch / 2 + 0.9:
                for k in range(self.count):
                    x = self.left + k * STEP_MM
                    if x + STEP_MM > left and x < right:
                        self.taken[row][k] = "-"

    def room(self, row: int, slot: int, width: int, own: set[str | None]) -> bool:
        return slot + width <= self.count and all(t is None or t in own for t in self.taken[row][slot : slot + width])

    def put(self, small: Small, ref: str | None) -> None:
        self.taken[small.row][small.slot : small.slot + small.slots] = [ref] * small.slots


def _turns(part: BoardPart, fp: Footprint, pitch: float) -> list[tuple[float, float, float, float]]:
    found = []
    for turn in (0.0, 90.0, 180.0, 270.0):
        left, top, right, bottom = box(fp, Place(0, 0, turn))
        if bottom - top > pitch + 0.4:
            continue
        flat = len(part.pads) == 2 and part.footprint.split(":")[0] in ("Resistor_SMD", "Capacitor_SMD", "Inductor_SMD")
        if flat and turn in (0.0, 180.0):
            continue  # upright in the row: all alike, and room for tracks beneath
        found.append((turn, right - left + GAP_MM, -left + GAP_MM / 2, -(top + bottom) / 2))
    return found


class Placer:
    def __init__(self, spec: BoardSpec, seed: int) -> None:
        self.spec = spec
        self.random = random.Random(seed)
        self.rows = Rows(spec)
        by_ref = {p.ref: p for p in spec.parts}
        for ref, place in spec.fixed.items():
            left, top, right, bottom = box(load(by_ref[ref].footprint), place)
            self.rows.block(left - 0.3, top, right + 0.3, bottom)
        for region in spec.regions:
            xs, ys = [c[0] for c in region.corners], [c[1] for c in region.corners]
            apart = region.apart_mm
            self.rows.block(min(xs) - apart, min(ys) - apart, max(xs) + apart, max(ys) + apart)
        for x, y in spec.holes:
            self.rows.block(x - 4, y - 4, x + 4, y + 4)
        self.small = {
            p.ref: Small(p, load(p.footprint), _turns(p, load(p.footprint), self.rows.pitch))
            for p in spec.parts
            if p.ref not in spec.fixed
        }
        self.limit = {
            s.part.ref: min((spec.keep_left_mm.get(n, 1e9) for n in s.part.pads.values()), default=1e9)
            for s in self.small.values()
        }
        self.points: dict[str, dict[str, list[Point]]] = {}
        for part in spec.parts:
            if part.ref in spec.fixed:
                self.points[part.ref] = self._pins(part, load(part.footprint), spec.fixed[part.ref])
        self.nets_of = {p.ref: sorted(set(p.pads.values())) for p in spec.parts}
        self.members: dict[str, list[str]] = {}
        for part in spec.parts:
            for net in set(part.pads.values()):
                self.members.setdefault(net, []).append(part.ref)
        self.friends: dict[str, list[str]] = {}
        for a, b in spec.near:
            self.friends.setdefault(a, []).append(b)
            self.friends.setdefault(b, []).append(a)
        self._start()

    @staticmethod
    def _pins(part: BoardPart, fp: Footprint, place: Place) -> dict[str, list[Point]]:
        found: dict[str, list[Point]] = {}
        for pad in fp.pads:
            net = part.pads.get(pad.number)
            if net is not None:
                found.setdefault(net, []).append(turned(pad.x_mm, pad.y_mm, place))
        return found

    def place_of(self, s: Small) -> Place:
        turn, width, dx, dy = s.turns[s.turn]
        slack = s.slots * STEP_MM - width
        x = self.rows.left + s.slot * STEP_MM + slack / 2 + dx
        return Place(round(x, 2), round(self.rows.middles[s.row] + dy, 2), turn)

    def _update(self, s: Small) -> None:
        self.points[s.part.ref] = self._pins(s.part, s.footprint, self.place_of(s))

    def _start(self) -> None:
        order = sorted(self.small.values(), key=lambda s: -s.slots)
        for s in order:
            spots = [
                (row, k)
                for row in range(len(self.rows.middles))
                for k in range(self.rows.count - s.slots + 1)
                if self.rows.room(row, k, s.slots, set())
                and self.rows.left + (k + s.slots) * STEP_MM < self.limit[s.part.ref]
            ]
            if not spots:
                raise ValueError(f"no room left for {s.part.ref}")
            s.row, s.slot = self.random.choice(spots)
            self.rows.put(s, s.part.ref)
            self._update(s)

    def net_cost(self, net: str) -> float:
        points = [p for ref in self.members[net] for p in self.points[ref].get(net, ())]
        if len(points) < 2:
            return 0.0
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        return LIGHT.get(net, 1.0) * (max(xs) - min(xs) + max(ys) - min(ys))

    def near_cost(self, ref: str) -> float:
        total = 0.0
        for other in self.friends.get(ref, ()):
            total += NEAR_WEIGHT * min(
                abs(a[0] - b[0]) + abs(a[1] - b[1])
                for net, points in self.points[ref].items()
                if net in self.points[other]
                for a in points
                for b in self.points[other][net]
            )
        return total

    def local(self, refs: list[str]) -> float:
        nets = {net for ref in refs for net in self.nets_of[ref]}
        return sum(self.net_cost(net) for net in nets) + sum(self.near_cost(ref) for ref in refs)

    def total(self) -> float:
        return sum(self.net_cost(net) for net in self.members)

    def _move(self, s: Small, reach: int) -> tuple[list[Small], bool]:
        """Tries another spot, or an exchange with whoever stands there. False: not possible, nothing was changed."""
        rng = self.random
        row = min(
            max(s.row + rng.randint(-1, 1) * (1 if reach < 40 else rng.randint(0, 3)), 0), len(self.rows.middles) - 1
        )
        slot = s.slot + rng.randint(-reach, reach)
        turn = rng.randrange(len(s.turns)) if rng.random() < 0.3 else s.turn
        width = math.ceil(s.turns[turn][1] / STEP_MM)
        if (
            slot < 0
            or slot + width > self.rows.count
            or self.rows.left + (slot + width) * STEP_MM >= self.limit[s.part.ref]
        ):
            return [], False
        there = {t for t in self.rows.taken[row][slot : slot + width] if t is not None} - {s.part.ref}
        if "-" in there or len(there) > 1:
            return [], False
        if not there:
            self.rows.put(s, None)
            s.row, s.slot, s.turn = row, slot, turn
            self.rows.put(s, s.part.ref)
            self._update(s)
            return [s], True
        other = self.small[str(there.pop())]
        old = (s.row, s.slot)
        if self.rows.left + (old[1] + other.slots) * STEP_MM >= self.limit[other.part.ref]:
            return [], False
        self.rows.put(s, None)
        self.rows.put(other, None)
        spot = (other.row, other.slot)
        if not (self.rows.room(*spot, s.slots, set()) and self.rows.room(*old, other.slots, set())):
            self.rows.put(s, s.part.ref)
            self.rows.put(other, other.part.ref)
            return [], False
        if self.rows.left + (spot[1] + s.slots) * STEP_MM >= self.limit[s.part.ref]:
            self.rows.put(s, s.part.ref)
            self.rows.put(other, other.part.ref)
            return [], False
        (s.row, s.slot), (other.row, other.slot) = spot, old
        if s.row == other.row and not self._apart(s, other):
            (s.row, s.slot), (other.row, other.slot) = old, spot
            self.rows.put(s, s.part.ref)
            self.rows.put(other, other.part.ref)
            return [], False
        for one in (s, other):
            self.rows.put(one, one.part.ref)
            self._update(one)
        return [s, other], True

    @staticmethod
    def _apart(a: Small, b: Small) -> bool:
        return a.slot + a.slots <= b.slot or b.slot + b.slots <= a.slot

    def anneal(self, moves: int) -> None:
        smalls = list(self.small.values())
        hot, cold = 25.0, 0.08
        for k in range(moves):
            heat = hot * (cold / hot) ** (k / moves)
            reach = max(2, int(80 * (1 - k / moves)))
            s = self.random.choice(smalls)
            self._step(s, reach, heat)

    def _step(self, s: Small, reach: int, heat: float) -> None:
        row = s.row, s.slot, s.turn
        # what the move could touch: itself and whoever it exchanges with; costs are compared on the nets of both
        before_self = self.local([s.part.ref])
        moved, done = self._move(s, reach)
        if not done:
            return
        if len(moved) == 1:
            if self.random.random() < math.exp(min(0.0, (before_self - self.local([s.part.ref])) / heat)):
                return
            self.rows.put(s, None)
            s.row, s.slot, s.turn = row
            self.rows.put(s, s.part.ref)
            self._update(s)
            return
        other = moved[1]
        after = self.local([s.part.ref, other.part.ref])
        self._exchange(s, other)
        before = self.local([s.part.ref, other.part.ref])
        if self.random.random() < math.exp(min(0.0, (before - after) / heat)):
            self._exchange(s, other)

    def _exchange(self, s: Small, other: Small) -> None:
        self.rows.put(s, None)
        self.rows.put(other, None)
        (s.row, s.slot), (other.row, other.slot) = (other.row, other.slot), (s.row, s.slot)
        for one in (s, other):
            self.rows.put(one, one.part.ref)
            self._update(one)


def main() -> int:
    spec = boards()[sys.argv[1]]
    placer = Placer(spec, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    print(f"{len(placer.small)} parts in rows, wires {placer.total():.0f} mm at random")
    placer.anneal(int(sys.argv[3]) if len(sys.argv) > 3 else 300_000)
    print(f"wires {placer.total():.0f} mm")
    write_places(
        HERE / spec.name / "placement.csv", sorted((ref, placer.place_of(s)) for ref, s in placer.small.items())
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
