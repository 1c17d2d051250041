"""What a pool file may say: its tables as Structs, with the limits that each key has by itself.

`pool_file` makes a `Pool` of them and writes one back. docs/pool-file.md describes the format.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType

from earthward.record.place import FittingKind

Length = Annotated[float, Meta(gt=0, le=100)]
Depth = Annotated[float, Meta(gt=0, le=20)]
Pair = tuple[float, float]
Triple = tuple[float, float, float]
Rectangle = tuple[float, float, float, float]
Outline = Annotated[list[Pair], Meta(min_length=3)]


class Table(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the file. A key that is not listed is refused: it would be a misspelt one that is silently ignored."""


class Head(Table, frozen=True, kw_only=True, tag_field="shape"):
    name: str = ""


class Sized(Head, frozen=True, kw_only=True):
    length_m: Length
    width_m: Length


class RectangleHead(Sized, frozen=True, kw_only=True, tag="rectangle"):
    pass


class OvalHead(Sized, frozen=True, kw_only=True, tag="oval"):
    pass


class KidneyHead(Sized, frozen=True, kw_only=True, tag="kidney"):
    pass


class LHead(Sized, frozen=True, kw_only=True, tag="L"):
    notch_length_m: Length
    notch_width_m: Length


class PolygonHead(Head, frozen=True, kw_only=True, tag="polygon"):
    outline_m: Outline


class TapedHead(Head, frozen=True, kw_only=True, tag="taped"):
    marks_apart_m: Length
    taped_m: Outline
    """Distances of the rim's points from the two marks, in order around the pool."""
    chords_m: list[tuple[int, int, float]] = []
    """Check distances: two points by their numbers from 1, and the length between them."""
    side: Literal["left", "right"] = "left"


class FlatTable(Table, frozen=True, kw_only=True, tag_field="kind", tag="flat"):
    depth_m: Depth


class ProfileTable(Table, frozen=True, kw_only=True, tag_field="kind", tag="profile"):
    profile_m: Annotated[list[tuple[float, Depth]], Meta(min_length=2)]


class HopperTable(Table, frozen=True, kw_only=True, tag_field="kind", tag="hopper"):
    depth_m: Depth
    deep_m: Depth
    rim_m: Rectangle
    bottom_m: Rectangle


class WaterTable(Table, frozen=True, kw_only=True):
    conductivity_S_per_m: Annotated[float, Meta(gt=0)]
    temperature_C: Annotated[float, Meta(ge=-5, le=60)] = 25.0


class SourceTable(Table, frozen=True, kw_only=True):
    id: int | UnsetType = UNSET
    """Number of the placement; its place in the file, from 0, where it is left out."""
    position_m: Triple
    current_A: float


class FittingTable(Table, frozen=True, kw_only=True):
    name: str = ""
    kind: FittingKind = "other"
    position_m: Triple
    covered: bool = False


class StepTable(Table, frozen=True, kw_only=True):
    outline_m: Outline
    depth_m: Depth


class MarkTable(Table, frozen=True, kw_only=True):
    name: str
    position_m: Pair


AnyHead = RectangleHead | OvalHead | KidneyHead | LHead | PolygonHead | TapedHead
AnyFloor = FlatTable | ProfileTable | HopperTable


class PoolFile(Table, frozen=True, kw_only=True):
    """The whole file. A table that may come several times may be written once without the double brackets."""

    pool: AnyHead
    floor: AnyFloor
    water: WaterTable
    step: list[StepTable] | StepTable = []
    mark: list[MarkTable] | MarkTable = []
    source: list[SourceTable] | SourceTable = []
    fitting: list[FittingTable] | FittingTable = []
