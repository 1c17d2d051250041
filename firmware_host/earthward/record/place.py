"""Places: where the pole is held, points that tapes are hooked to, fittings, placements of the injection electrode."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Annotated, Literal, get_args

from earthward.record.base import Point, Record, said

#: What a pole head reads at once: one pair turned by hand, two at right angles, or three that share an electrode.
Head = Literal["single", "crossed", "three-axis"]
HEADS: tuple[Head, ...] = get_args(Head)
FittingKind = Literal["light", "ladder", "skimmer", "return", "drain", "line", "bonded electrode", "step", "other"]
FITTING_KINDS: tuple[str, ...] = get_args(FittingKind)
#: What can be covered or plugged, in the order in which it usually takes most. Never a bonded electrode: bonding stays.
COVERABLE: tuple[FittingKind, ...] = ("light", "ladder", "drain", "return", "skimmer")


class Station(Record, frozen=True, kw_only=True):
    """A reading spot: centre of the pair, bearing of its front end in degrees from +x towards +y (None: not said), or
    the pair held upright, front end down. `text` says it in a deck person's words."""

    position_m: Point
    bearing_deg: float | None = None
    vertical: bool = False
    name: str = ""
    text: str = ""


class Orientation(Record, frozen=True, kw_only=True):
    """How the head is held, as a sensor in it tells: where its axes ahead, left and up point in the pool's coordinates
    (z down). bearing_deg of the axis ahead, from +x towards +y; None while it points up or down. bearing_sigma_deg
    None: the bearing is not known (never held against a wall, or lost); the axes then only tell how the head leans.
    tilt_sigma_deg about each level axis. still: it is not moving. text: what is the matter, if anything."""

    ahead: Point
    left: Point
    up: Point
    bearing_deg: float | None
    bearing_sigma_deg: float | None
    tilt_sigma_deg: float
    still: bool = True
    text: str = ""

    @property
    def tilt_deg(self) -> float:
        """By how much the head leans from plumb."""
        return math.degrees(math.acos(max(-1.0, min(1.0, -self.up[2]))))


class Depth(Record, frozen=True, kw_only=True):
    """How deep the middle of the head is below the water's surface, as a pressure sensor in it tells. text: what is the
    matter, if anything."""

    depth_m: float
    sigma_m: float
    text: str = ""


class Mark(Record, frozen=True, kw_only=True):
    """A point on the deck that tapes are hooked to."""

    name: str
    position_m: tuple[float, float]


#: An edge shorter than this part of the pool's length is a facet of a curve: its ends are no corners to find again.
_STRAIGHT = 0.25


def tape_marks(marks: Iterable[Mark], outline_m: Sequence[tuple[float, float]]) -> tuple[Mark, Mark]:
    """The two marks that distances are taped from: the first two that the pool names, else the ends of its longest
    straight edge, else (a round pool) its two ends. Everybody who tapes or prints a tape distance asks here."""
    named = tuple(marks)
    if len(named) >= 2:
        return named[0], named[1]
    outline = [(float(x), float(y)) for x, y in outline_m]
    long_m = max(max(p[k] for p in outline) - min(p[k] for p in outline) for k in (0, 1))
    edges = list(zip(outline, [*outline[1:], outline[0]], strict=True))
    a, b = max(edges, key=lambda edge: math.dist(*edge))
    if math.dist(a, b) > _STRAIGHT * long_m:
        return _pair("corner", min(a, b), max(a, b))
    return _pair("end", min(outline), max(outline))


def _pair(what: str, first: tuple[float, float], second: tuple[float, float]) -> tuple[Mark, Mark]:
    return Mark(name=f"{what} 1", position_m=first), Mark(name=f"{what} 2", position_m=second)


class Fitting(Record, frozen=True, kw_only=True):
    """A known thing that may take current. `covered`: insulated or plugged at the moment. `coverable`: False once a
    person said that it cannot be."""

    name: Annotated[str, said("name of the fitting")]
    kind: Annotated[FittingKind, said("what it is")]
    position_m: Annotated[Point, said("position")]
    covered: Annotated[bool, said("insulated or plugged")] = False
    time_s: Annotated[float, said("since when it is as it is")] = math.nan
    note: Annotated[str, said("remark")] = ""
    coverable: Annotated[bool, said("can be covered or plugged, as far as is known")] = True


class Placement(Record, frozen=True, kw_only=True):
    """One placement of the injection electrode. `current_A` flows from it into the water; None: not measured yet."""

    source_id: Annotated[int, said("number of the placement")] = 0
    position_m: Annotated[Point, said("injection electrode")]
    current_A: Annotated[float | None, said("injected current, positive-phase peak")] = None
    time_s: Annotated[float, said("when it was placed or measured")] = math.nan
    note: Annotated[str, said("remark")] = ""
