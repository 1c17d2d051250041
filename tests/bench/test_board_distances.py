"""Distances of the committed boards against the rules beside them, and planted errors that must be found. KiCad is not
needed: its own check runs in `make -C hardware`, and two programs that share nothing but the files have to agree.
"""

from __future__ import annotations

import dataclasses

import pytest
from hardware.boards import distances, source_board
from hardware.boards.distances import Limits, check, limits_of
from hardware.boards.reader import Copper, PadOnBoard, Track, Via
from tests.support.board_files import board_file


def test_the_front_end_keeps_every_distance(small: Copper) -> None:
    assert check(small, limits_of(board_file("front_end"))) == []


@pytest.mark.long  # thirty thousand straight pieces of copper against each other: some three seconds
def test_the_source_board_keeps_every_distance(source: Copper) -> None:
    assert check(source, limits_of(board_file("source"))) == []


def test_battery_and_electrodes_are_six_millimetres_apart(source: Copper) -> None:
    """Through the board too: whichever layers the two are on."""
    some = [p for p in source.pads if p.net in source_board.ELECTRODE]
    assert len(some) > 10 and len([p for p in source.pads if p.net in source_board.BATTERY]) > 20
    assert distances.least_mm(source, source_board.BATTERY, source_board.ELECTRODE) >= source_board.APART_MM


# ---- planted errors


def _with(copper: Copper, *tracks: Track, vias: tuple[Via, ...] = ()) -> Copper:
    return dataclasses.replace(copper, tracks=(*copper.tracks, *tracks), vias=(*copper.vias, *vias))


def _pair(first: str, second: str, apart_mm: float, width_mm: float = 0.5) -> Copper:
    """Two tracks side by side, `apart_mm` from copper to copper."""
    tracks = (
        Track(first, 0, 10, 10, 30, 10, width_mm),
        Track(second, 0, 10, y := 10 + width_mm + apart_mm, 30, y, width_mm),
    )
    return Copper((), tracks, (), (), {}, {})


@pytest.mark.parametrize(
    "first, second, limit_mm",
    [
        ("bp", "A", 6.0), ("be", "E", 6.0),  # battery to electrodes
        ("A", "pd4", 2.5), ("E", "v5", 2.5), ("B", "0", 2.5),
        ("h5", "v5", 6.0), ("hrx", "rxd", 6.0), ("h0", "bp", 6.0), ("htx", "A", 6.0),  # host's island
        ("pb1", "pb2", 0.2), ("A", "B", 0.2),
    ],
)  # fmt: skip
def test_a_tenth_of_a_millimetre_below_a_limit_is_found(first: str, second: str, limit_mm: float) -> None:
    limits = limits_of(board_file("source"))
    said = distances.copper_distances(_pair(first, second, limit_mm - 0.1), limits)
    assert len(said) == 1 and f"{limit_mm:g} mm are asked for" in said[0]
    assert distances.copper_distances(_pair(first, second, limit_mm + 0.01), limits) == []


def _pad(copper: Copper, ref: str, number: str) -> PadOnBoard:
    return next(p for p in copper.pads if (p.ref, p.number) == (ref, number))


def _track_over_the_ground_area(c: Copper) -> Copper:
    return _with(c, Track("sda", 1, 45.0, 30.0, 48.0, 30.0, 0.3))


def _near_the_edge(c: Copper) -> Copper:
    return _with(c, Track("front", 0, 64.6, 20.0, 64.6, 22.0, 0.3))


def _beside_a_mounting_hole(c: Copper) -> Copper:
    return _with(c, Track("0", 0, 61.5 - 1.35 - 0.3, 52.0, 61.5 - 1.35 - 0.3, 54.0, 0.3))


def _via_beside_a_pads_hole(c: Copper) -> Copper:
    pad = _pad(c, "J2", "1")
    return _with(c, vias=(Via("front", pad.x_mm + pad.drill_mm / 2 + 0.3, pad.y_mm, 0.8),))


def _narrow_track(c: Copper) -> Copper:
    old = c.tracks[0]
    return dataclasses.replace(c, tracks=(dataclasses.replace(old, width_mm=0.2), *c.tracks[1:]))


def _narrow_ring(c: Copper) -> Copper:
    return dataclasses.replace(c, vias=(dataclasses.replace(c.vias[0], drill_mm=0.6), *c.vias[1:]))


def _pad_too_large(c: Copper) -> Copper:
    wide = dataclasses.replace(_pad(c, "U1", "3"), w_mm=2.5, h_mm=2.5)
    return dataclasses.replace(c, pads=tuple(wide if (p.ref, p.number) == ("U1", "3") else p for p in c.pads))


def _pair_too_near(c: Copper) -> Copper:
    pad = _pad(c, "J2", "2")
    y = pad.y_mm + pad.h_mm / 2 + 0.7 + 0.15
    return _with(c, Track("gate1", 0, pad.x_mm - 1, y, pad.x_mm + 1, y, 0.3))


@pytest.mark.parametrize(
    "plant, words",
    [
        (_track_over_the_ground_area, "area of 0"),
        (_near_the_edge, "board's edge or a slot"),
        (_beside_a_mounting_hole, "from the hole of H4"),
        (_via_beside_a_pads_hole, "from hole of"),
        (_narrow_track, "0.2 mm wide"),
        (_narrow_ring, "with a hole of 0.6 mm"),
        (_pad_too_large, "U1 pad 3"),
        (_pair_too_near, "0.8 mm are asked for between"),
    ],
)
def test_a_planted_breach_is_found(small: Copper, plant: object, words: str) -> None:
    assert callable(plant)
    limits: Limits = limits_of(board_file("front_end"))
    said = check(plant(small), limits)
    assert any(words in sentence for sentence in said), said
