"""Where the pole is, said by deck distance or by two tapes. Plane geometry; pure.

A deck place is a distance along the pool's edge, from where that is nearest to the first mark. A tape place is the one
point inside the pool at two tape lengths from two marks.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from earthward import units
from earthward.daemon.protocol import Plan
from earthward.display import words
from earthward.errors import InputError
from earthward.record.place import Mark, Station, tape_marks

XY = tuple[float, float]

#: How far inside the edge, and how deep, the pole is held on a deck walk.
INSET_M = 0.3
DEPTH_M = 0.5


def marks_of(plan: Plan) -> tuple[Mark, Mark]:
    """The two tape marks: the plan's own, or the first two corners. Raises InputError without them."""
    if len(plan.outline_m) < 2:
        raise InputError(words.PLACE_NO_PLAN)
    return tape_marks(plan.marks, plan.outline_m)


def perimeter_m(outline: Sequence[XY]) -> float:
    return sum(math.dist(a, b) for a, b in zip(outline, [*outline[1:], outline[0]], strict=True))


def area_sign(outline: Sequence[XY]) -> float:
    """+1 if the outline runs counter-clockwise, else -1 (shoelace)."""
    total = sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(outline, [*outline[1:], outline[0]], strict=True))
    return 1.0 if total >= 0 else -1.0


def inside(point: XY, outline: Sequence[XY]) -> bool:
    """Even-odd rule. Apart from `pool.polygon`, which works on arrays: the display starts without numpy."""
    x, y = point
    odd = False
    for (x1, y1), (x2, y2) in zip(outline, [*outline[1:], outline[0]], strict=True):
        if (y1 > y) != (y2 > y) and x < (x2 - x1) * (y - y1) / (y2 - y1) + x1:
            odd = not odd
    return odd


def _along(outline: Sequence[XY], point: XY) -> float:
    """Where on the edge, in metres along it from its first corner, it comes nearest to a point."""
    best, walked = (math.inf, 0.0), 0.0
    for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
        side = math.dist(a, b)
        if side > 0:
            share = ((point[0] - a[0]) * (b[0] - a[0]) + (point[1] - a[1]) * (b[1] - a[1])) / side**2
            share = min(1.0, max(0.0, share))
            foot = (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
            best = min(best, (math.dist(foot, point), walked + share * side))
        walked += side
    return best[1]


def deck_place(plan: Plan, distance_m: float, system: units.Units, depth_m: float = DEPTH_M) -> Station:
    """The place inside the edge at `distance_m` along it from the first mark, front end to the wall.

    Raises InputError without a plan."""
    outline = plan.outline_m
    if len(outline) < 3:
        raise InputError(words.PLACE_NO_PLAN)
    first = marks_of(plan)[0]
    along = (_along(outline, first.position_m) + distance_m) % perimeter_m(outline)
    sign = area_sign(outline)
    for a, b in zip(outline, [*outline[1:], outline[0]], strict=True):
        side = math.dist(a, b)
        if along <= side and side > 0:
            ux, uy = (b[0] - a[0]) / side, (b[1] - a[1]) / side
            # Not closer to a corner than the inset, or the pole would be in the next wall.
            reach = min(max(along, INSET_M), side - INSET_M) if side > 2 * INSET_M else side / 2
            nx, ny = -uy * sign, ux * sign
            x, y = a[0] + ux * reach + nx * INSET_M, a[1] + uy * reach + ny * INSET_M
            bearing = math.degrees(math.atan2(-ny, -nx)) % 360.0
            break
        along -= side
    else:
        raise InputError(words.PLACE_NO_PLAN)
    text = words.DECK_PLACE.format(units.length(distance_m, system), first.name)
    return Station(position_m=(x, y, depth_m), bearing_deg=bearing, name=f"deck {distance_m:.2f}", text=text)


def tape_place(plan: Plan, first_m: float, second_m: float, system: units.Units, depth_m: float = DEPTH_M) -> Station:
    """The point inside the pool at two tape lengths from the marks. Raises InputError if there is none."""
    one, two = marks_of(plan)
    (x1, y1), (x2, y2) = one.position_m, two.position_m
    base = math.dist((x1, y1), (x2, y2))
    if base <= 0:
        raise InputError(words.PLACE_BAD_TAPES)
    along = (first_m**2 - second_m**2 + base**2) / (2 * base)
    square = first_m**2 - along**2
    # Tapes sag and are read to a few centimetres: a triangle short by that much is taken as flat.
    if square < -(0.05 * 2 * max(first_m, 0.05)):
        raise InputError(words.PLACE_BAD_TAPES)
    off = math.sqrt(max(0.0, square))
    ux, uy = (x2 - x1) / base, (y2 - y1) / base
    foot = (x1 + ux * along, y1 + uy * along)
    options = [(foot[0] - uy * off * k, foot[1] + ux * off * k) for k in (1, -1)]
    within = [p for p in options if inside(p, plan.outline_m)]
    if not within:
        raise InputError(words.PLACE_BAD_TAPES)
    text = words.TAPE_PLACE.format(units.length(first_m, system), one.name, units.length(second_m, system), two.name)
    x, y = within[0]
    return Station(position_m=(x, y, depth_m), name=f"tape {first_m:.2f} {second_m:.2f}", text=text)


def tapes_to(plan: Plan, position_m: tuple[float, float, float]) -> tuple[tuple[Mark, float], tuple[Mark, float]]:
    """Each mark with its distance in plan to the position. Raises InputError without marks."""
    one, two = marks_of(plan)
    here = position_m[:2]
    return (one, math.dist(one.position_m, here)), (two, math.dist(two.position_m, here))


_METRES = re.compile(r"(\d+(?:\.\d+)?) m\b")


def in_system(text: str, system: units.Units) -> str:
    """A sentence of the instrument's with its lengths in the reader's units. It speaks metres, as its record does."""
    if system == "si":
        return text
    return _METRES.sub(lambda found: units.length(float(found[1]), system), text)


def place_text(place: Station, system: units.Units) -> str:
    """A place in words: as the daemon says it, else by its coordinates."""
    if place.text or place.name:
        return in_system(place.text or place.name, system)
    x, y, depth = (units.length(v, system) for v in place.position_m)
    return words.FINDING_AT.format(x, y, depth)
