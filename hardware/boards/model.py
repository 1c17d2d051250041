"""What a board is before it has copper: parts with footprints and nets on pads, an outline, regions, rules.
Millimetres, y down, as KiCad counts."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parent
Point = tuple[float, float]


@dataclass(frozen=True)
class BoardPart:
    """One part as it stands on the board. `pads`: pad number -> net; pads that are not named stay free."""

    ref: str
    value: str
    footprint: str  # library:name
    pads: Mapping[str, str]
    on_board: bool = True


@dataclass(frozen=True)
class Place:
    x_mm: float
    y_mm: float
    turn_deg: float = 0.0


@dataclass(frozen=True)
class Region:
    """A polygon that belongs to some nets: theirs stay inside, all others outside by `apart_mm`."""

    name: str
    nets: frozenset[str]
    corners: tuple[Point, ...]
    apart_mm: float


@dataclass(frozen=True)
class NetClass:
    name: str
    nets: frozenset[str]
    width_mm: float


@dataclass(frozen=True)
class Rule:
    """A clearance between two classes of nets, with where the figure is from."""

    name: str
    first: str
    second: str
    clearance_mm: float
    source: str


@dataclass(frozen=True)
class BoardSpec:
    name: str
    title: str
    width_mm: float
    height_mm: float
    parts: tuple[BoardPart, ...]
    fixed: Mapping[str, Place]
    rows_mm: tuple[float, ...]
    """Middles of the rows in which `place` sets the small parts."""
    holes: tuple[Point, ...]
    slots: tuple[tuple[Point, Point], ...]
    regions: tuple[Region, ...]
    classes: tuple[NetClass, ...]
    rules: tuple[Rule, ...]
    keep_left_mm: Mapping[str, float] = field(default_factory=dict)
    """Nets that may not come further right than this."""
    near: tuple[tuple[str, str], ...] = ()
    """Parts that stand beside each other though the nets do not say so (a capacitor and its chip)."""
    texts: tuple[tuple[str, float, float, float], ...] = ()
    ground: str = "0"
    no_ground: tuple[tuple[Point, ...], ...] = ()
    hole_footprint: str = "MountingHole:MountingHole_3.2mm_M3"
    stubs: tuple[tuple[str, Point, Point], ...] = ()
    """Short tracks on top, laid by hand, from a pad to a via at the second point (net, from, to)."""
    corner_mm: float = 3.0
    row_span_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def nets(self) -> dict[str, list[tuple[str, str]]]:
        found: dict[str, list[tuple[str, str]]] = {}
        for part in self.parts:
            for pad, net in part.pads.items():
                found.setdefault(net, []).append((part.ref, pad))
        return found

    def placement(self) -> dict[str, Place]:
        return {**self.fixed, **read_places(HERE / self.name / "placement.csv")}


def read_places(path: Path) -> dict[str, Place]:
    if not path.exists():
        return {}
    with path.open(encoding="utf-8", newline="") as handle:
        return {
            row["ref"]: Place(float(row["x_mm"]), float(row["y_mm"]), float(row["turn_deg"]))
            for row in csv.DictReader(handle)
        }


def write_places(path: Path, places: Iterable[tuple[str, Place]]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(("ref", "x_mm", "y_mm", "turn_deg"))
        for ref, p in places:
            writer.writerow((ref, f"{p.x_mm:.3f}", f"{p.y_mm:.3f}", f"{p.turn_deg:g}"))
