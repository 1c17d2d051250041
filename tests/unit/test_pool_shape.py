"""Outlines, floors, liner cells and deck words."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earthward.pool import polygon
from earthward.pool.shape import Floor, Pool, Stair, from_outline, rectangle

SLOPE = Floor("profile", 1.1, ((0.0, 1.1), (4.0, 1.1), (7.0, 2.4), (10.0, 2.4)))


def sloped() -> Pool:
    return Pool(outline_m=((0, 0), (10, 0), (10, 5), (0, 5)), floor=SLOPE, shape="rectangle", extent_m=(10, 5))


def test_areas_of_the_named_shapes() -> None:
    assert polygon.signed_area_m2(polygon.ellipse(9, 4.5)) == pytest.approx(math.pi / 4 * 9 * 4.5, rel=1e-12)
    assert polygon.signed_area_m2(polygon.l_shape(9, 6, 5, 3)) == pytest.approx(9 * 6 - 5 * 3)
    kidney = polygon.kidney(9, 5)
    assert polygon.crossing_edges(kidney) is None
    assert 0.6 * 45 * math.pi / 4 < polygon.signed_area_m2(kidney) < 45 * math.pi / 4


def test_crossings_are_found_and_simple_outlines_are_not() -> None:
    bow = np.array([[0.0, 0], [2, 2], [2, 0], [0, 2]])
    assert polygon.crossing_edges(bow) == (0, 2)
    touching = np.array([[0.0, 0], [4, 0], [4, 2], [2, 0], [0, 2]])
    assert polygon.crossing_edges(touching) is not None
    assert polygon.crossing_edges(polygon.l_shape(9, 6, 5, 3)) is None


@pytest.mark.long
@settings(max_examples=40, deadline=None)
@given(st.floats(3, 15), st.floats(2, 8), st.floats(0.15, 0.8))
def test_box_cells_cover_the_liner_exactly(length: float, width: float, size: float) -> None:
    pool = rectangle(length, width, 1.4)
    cells = pool.liner_cells(size)
    assert cells.area_m2[cells.on_floor].sum() == pytest.approx(length * width, rel=1e-9)
    assert cells.area_m2[~cells.on_floor].sum() == pytest.approx(2 * (length + width) * 1.4, rel=1e-9)
    # A closed surface (with its lid) has no net outward area: sum over the liner is minus the lid.
    assert (cells.normal * cells.area_m2[:, None]).sum(axis=0) == pytest.approx([0, 0, length * width], abs=1e-9)
    assert pool.distance_to_liner_m(cells.centre_m).max() < 0.01


def test_cells_of_a_sloped_floor() -> None:
    cells = sloped().liner_cells(0.1)
    slope_length = math.hypot(3, 1.3)
    assert cells.area_m2[cells.on_floor].sum() == pytest.approx(5 * (4 + slope_length + 3), rel=2e-3)
    side = 4 * 1.1 + 3 * (1.1 + 2.4) / 2 + 3 * 2.4
    assert cells.area_m2[~cells.on_floor].sum() == pytest.approx(2 * side + 5 * (1.1 + 2.4), rel=2e-3)
    assert (cells.normal * cells.area_m2[:, None]).sum(axis=0) == pytest.approx([0, 0, 50], abs=0.1)
    centre = cells.centre_m[cells.neighbours]
    assert np.linalg.norm(centre[:, 0] - centre[:, 1], axis=1).max() <= 0.13 + 1e-12
    # Every cell touches another one.
    assert np.unique(cells.neighbours).size == len(cells)


def test_cells_of_a_kidney_with_a_hopper() -> None:
    floor = Floor("hopper", 1.2, deep_m=2.2, rim_m=(4.0, 0.6, 8.6, 3.4), bottom_m=(5.5, 1.4, 7.5, 2.6))
    pool = from_outline(polygon.kidney(9, 5)[::-1], floor)
    assert polygon.signed_area_m2(pool.outline) > 0
    cells = pool.liner_cells(0.15)
    flat = cells.area_m2[cells.on_floor] * cells.normal[cells.on_floor, 2]
    assert flat.sum() == pytest.approx(pool.plan_area_m2, rel=5e-3)
    assert float(pool.depth_at(6.5, 2.0)) == 2.2
    assert float(pool.depth_at(4.75, 2.0)) == pytest.approx(1.7)
    assert float(pool.depth_at(1.0, 2.0)) == 1.2


def test_hopper_whose_side_is_the_wall() -> None:
    floor = Floor("hopper", 1.2, deep_m=2.2, rim_m=(4.0, 0.0, 10.0, 5.0), bottom_m=(6.0, 1.0, 10.0, 4.0))
    assert floor.depth_at(np.array([9.99]), np.array([2.5]))[0] == 2.2
    assert floor.depth_at(np.array([5.0]), np.array([2.5]))[0] == pytest.approx(1.7)


def test_contains_and_steps() -> None:
    pool = Pool(outline_m=((0, 0), (10, 0), (10, 5), (0, 5)), floor=Floor("flat", 1.4),
                steps=(Stair(((0, 0), (1, 0), (1, 5), (0, 5)), 0.4),))  # fmt: skip
    points = [[5, 2, 0.7], [5, 2, 1.5], [5, 2, -0.1], [-0.1, 2, 0.5], [0.5, 2, 0.3], [0.5, 2, 0.5], [10, 5, 1.4]]
    assert pool.contains(points).tolist() == [True, False, False, False, True, False, True]
    assert not pool.is_box
    assert rectangle(10, 5, 1.5).is_box


def test_risers_are_part_of_the_liner() -> None:
    stairs = (
        Stair(((0, 1), (0.3, 1), (0.3, 4), (0, 4)), 0.3),
        Stair(((0.3, 1), (0.6, 1), (0.6, 4), (0.3, 4)), 0.6),
    )
    pool = Pool(outline_m=((0, 0), (10, 0), (10, 5), (0, 5)), floor=Floor("flat", 1.4), steps=stairs)
    cells = pool.liner_cells(0.1)
    risers = (cells.wall == -1) & ~cells.on_floor
    # Front 3 m x 0.3 and 3 m x 0.8, sides 2 x 0.3 m x 1.1 and 2 x 0.3 m x 0.8.
    assert cells.area_m2[risers].sum() == pytest.approx(3 * 0.3 + 3 * 0.8 + 0.6 * 1.1 + 0.6 * 0.8, rel=1e-6)
    # A closed surface again: the wall behind the stairs is shorter, the rest adds up to the lid.
    assert (cells.normal * cells.area_m2[:, None]).sum(axis=0) == pytest.approx([0, 0, 50], abs=0.02)
    drop = Pool(outline_m=pool.outline_m, floor=Floor("profile", 1.1, ((0, 1.1), (5, 1.1), (5, 1.8), (10, 1.8))))
    cells = drop.liner_cells(0.2)
    risers = (cells.wall == -1) & ~cells.on_floor
    assert cells.area_m2[risers].sum() == pytest.approx(5 * 0.7)
    assert cells.normal[risers] == pytest.approx(np.tile([-1.0, 0, 0], (int(risers.sum()), 1)))


def test_distance_to_liner_inside_and_outside() -> None:
    pool = rectangle(10, 5, 1.5)
    points = np.array([[5, 0.3, 0.6], [5, -0.2, 0.6], [5, 2.5, 1.2], [5, 2.5, 1.9], [5, 2.5, 0.7], [-0.3, -0.4, 1.0]])
    assert pool.distance_to_liner_m(points) == pytest.approx([0.3, 0.2, 0.3, 0.4, 0.8, 0.5], abs=0.02)


def test_words_on_the_deck() -> None:
    pool = sloped()
    place = pool.wall_place(4.2, 0.3)
    assert place.text == "4.2 m along the right long wall from its shallow end corner, 0.3 m off the wall"
    assert pool.wall_place(4.2, 4.6).wall == "left long wall"
    far = pool.wall_place(9.5, 2.0)
    assert (far.wall, far.mark, far.along_m) == ("deep end short wall", "right corner", pytest.approx(2.0))
    # Turned round: the shallow end is at large x, and so is the mark of the long walls.
    turned = Pool(outline_m=pool.outline_m, floor=Floor("profile", 2.4, ((0.0, 2.4), (10.0, 1.1))))
    assert turned.wall_place(4.2, 0.3).along_m == pytest.approx(5.8)
    assert turned.end_name(9.0) == "shallow end"
    assert rectangle(10, 5).end_name(9.0) == "far end"


def test_walls_of_round_and_l_shaped_pools() -> None:
    oval = from_outline(polygon.ellipse(9, 4.5), Floor("flat", 1.3))
    assert [w.name for w in oval.walls] == ["wall"]
    assert oval.walls[0].length_m == pytest.approx(polygon.perimeter_m(oval.outline))
    ell = from_outline(polygon.l_shape(9, 6, 5, 3), Floor("flat", 1.3))
    names = [w.name for w in ell.walls]
    assert len(names) == 6 == len(set(names))
    assert ell.wall_place(6.0, 2.8).off_m == pytest.approx(0.2)


def test_volume() -> None:
    assert sloped().volume_m3 == pytest.approx(5 * (4 * 1.1 + 3 * 1.75 + 3 * 2.4), rel=2e-3)
