"""The finite-element field against the exact box, itself refined, and the laws it must keep."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.pool import polygon
from earthward.pool.box import BoxField
from earthward.pool.fem import FiniteElementField
from earthward.pool.field import BoxPoolField, make_field
from earthward.pool.shape import Floor, Pool, from_outline, rectangle

FloatArray = np.ndarray
HOPPER = Floor("hopper", 1.1, deep_m=1.9, rim_m=(2.0, 0.5, 5.6, 2.9), bottom_m=(3.2, 1.2, 4.8, 2.2))


@pytest.fixture(scope="module")
def box_elements() -> FiniteElementField:
    return FiniteElementField(rectangle(6, 4, 1.4), size_m=0.42, layers=4)


@pytest.fixture(scope="module")
def hopper_elements() -> FiniteElementField:
    return FiniteElementField(from_outline(polygon.l_shape(6, 4.2, 2.5, 1.8), HOPPER), size_m=0.45, layers=4)


def stations(pool: Pool, count: int, seed: int) -> FloatArray:
    """Random pole places with 0.3 m pairs on all three axes inside the water."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = pool.bounds_m
    arms = np.concatenate([0.15 * np.eye(3), -0.15 * np.eye(3)])
    found: list[FloatArray] = []
    while len(found) < count:
        centre = rng.uniform([x0, y0, 0], [x1, y1, pool.greatest_depth_m])
        if pool.contains(centre + arms).all():
            found.append(centre)
    return np.array(found)


def test_box_by_elements_agrees_with_the_exact_box(box_elements: FiniteElementField) -> None:
    # Within 2 % of the full three-axis field at 0.3 m and more from electrodes, 5 % at 0.15 m.
    pool = box_elements.pool
    exact = BoxField(6, 4, 1.4)
    source = np.array([0.9, 1.0, 0.5])
    targets = np.vstack([pool.liner_cells(0.4).centre_m, source])
    for centre in stations(pool, 8, seed=1):
        ours, theirs, distance = [], [], np.full(len(targets), np.inf)
        for arm in 0.15 * np.eye(3):
            row = box_elements.pair_row(centre + arm, centre - arm, targets)
            true = exact.green(targets, centre + arm) - exact.green(targets, centre - arm)
            ours.append(row - row[-1])
            theirs.append(true - true[-1])
            for end in (centre + arm, centre - arm):
                distance = np.minimum(distance, np.linalg.norm(targets - end, axis=1))
        error = np.abs(np.array(ours) - theirs)[:, :-1].max(axis=0)
        # What no instrument sees (0.2 uV at 10 mA in 5 ohm m water) is not counted as an error.
        size = np.maximum(np.linalg.norm(theirs, axis=0)[:-1], 4e-6 / 0.02)
        near = np.minimum(distance[:-1], distance[-1])
        assert np.all(error[near >= 0.3] <= 0.02 * size[near >= 0.3])
        assert np.all(error[near >= 0.15] <= 0.05 * size[near >= 0.15])


def test_half_space_limit_on_a_sloping_floor() -> None:
    # V = rho I/(2 pi r) (Telford et al.) close to a source on the liner, whatever the slope: to 1 %.
    floor = Floor("profile", 1.2, ((0.0, 1.2), (8.0, 2.4)))
    field = FiniteElementField(Pool(outline_m=((0, 0), (8, 0), (8, 5), (0, 5)), floor=floor), 0.5, 3)
    foot = np.array([4.0, 2.5, 1.8])
    up = np.array([0.15, 0.0, -1.0]) / np.hypot(1.0, 0.15)
    near = field.potential(np.array([foot + 0.05 * up, foot + 0.1 * up]), foot)
    expected = 1 / (2 * np.pi * 0.05) - 1 / (2 * np.pi * 0.1)
    assert near[0] - near[1] == pytest.approx(expected, rel=0.01)


def test_two_sided_values_are_reciprocal_and_agree_with_one_sided(hopper_elements: FiniteElementField) -> None:
    field = hopper_elements
    points = stations(field.pool, 4, seed=2)
    sources = field.pool.liner_cells(0.8).centre_m[[3, 11, 30]]
    forth = field.mutual(points, sources)
    back = field.mutual(sources, points)
    assert forth == pytest.approx(back.T, rel=1e-8, abs=1e-10)
    one_sided = np.array([field.potential(points, s) for s in sources]).T
    step = forth - forth[0]
    assert one_sided - one_sided[0] == pytest.approx(step, abs=0.01 * np.abs(step).max())


def test_a_sink_on_a_quadrature_point_has_a_finite_field(hopper_elements: FiniteElementField) -> None:
    """The middle of a facet is a point of its quadrature, however finely the facet is cut around it."""
    field = hopper_elements
    electrodes = np.array([[1.2, 2.0, 0.6], [1.5, 2.0, 0.6]])
    middles = field._faces.triangles_m.mean(axis=1)
    away = np.linalg.norm(middles - electrodes[0], axis=1)
    for sink in middles[np.argsort(away)[[4, 30, 90]]]:
        value = field.mutual(electrodes, sink[None])[:, 0]
        one_sided = field.potential(electrodes, sink)
        assert value[0] - value[1] == pytest.approx(one_sided[0] - one_sided[1], rel=0.05, abs=1e-3), sink
        assert field.mutual(sink[None], electrodes)[0] == pytest.approx(value, rel=1e-8), sink


def test_no_current_is_lost(hopper_elements: FiniteElementField) -> None:
    # All that a source injects reaches the liner in the analytic part, before any balancing: Gauss's law.
    field = hopper_elements
    cells = field.pool.liner_cells(0.2)
    sloping = cells.centre_m[cells.on_floor & (np.abs(cells.normal[:, 2]) < 0.98)]
    level = cells.centre_m[cells.on_floor & (np.abs(cells.normal[:, 2]) > 0.999)]
    rim = HOPPER.rim_m
    sources = [
        *stations(field.pool, 6, seed=3),
        *sloping[:: len(sloping) // 6],
        *level[:: len(level) // 3],
        np.array([3.5, 2.4 + 1e-9, 0.5]),  # on the inner corner's wall
        np.array([0.0, 1.0, 0.5]),
        np.array([rim[0], 1.3, 1.1]),  # on the rim itself, where slope and shallow floor meet
        np.array([3.2, 1.7, 1.9]),  # on the pad's edge
    ]
    assert len(sloping) > 30
    for source in sources:
        images, rule = field._analytic(np.asarray(source))
        assert float(field._load(images, rule).sum()) == pytest.approx(1.0, abs=1e-6), source


def test_flux_through_the_liner_around_a_sink_on_the_slope(hopper_elements: FiniteElementField) -> None:
    # A sink on the slope swallows its current: the whole field (analytic and smooth) through a small half-sphere of
    # water around it, by differences of the potential along the radius, is 1 to the mesh's accuracy.
    field = hopper_elements
    cells = field.pool.liner_cells(0.1)
    sloping = np.flatnonzero(cells.on_floor & (np.abs(cells.normal[:, 2]) < 0.98))
    # The cell farthest from all liner of another direction, so that the half-sphere meets no edge.
    gap = [
        np.linalg.norm(cells.centre_m[np.abs(cells.normal @ cells.normal[i]) < 0.999] - cells.centre_m[i], axis=1).min()
        for i in sloping
    ]
    k = sloping[int(np.argmax(gap))]
    assert max(gap) > 0.2
    sink, normal = cells.centre_m[k], cells.normal[k]
    up = -normal if normal[2] > 0 else normal
    u = np.linspace(0, 1, 41)[:-1] + 0.0125
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    cosine, angle = np.meshgrid(u, turn, indexing="ij")
    side = np.cross(up, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(up, side)
    sine = np.sqrt(1 - cosine**2)
    rays = cosine[..., None] * up + (sine * np.cos(angle))[..., None] * side + (sine * np.sin(angle))[..., None] * other
    rays = rays.reshape(-1, 3)
    radius, h = 0.12, 1e-3
    slope = (field.potential(sink + (radius - h) * rays, sink) - field.potential(sink + (radius + h) * rays, sink)) / (
        2 * h
    )
    flux = float(slope.mean()) * 2 * np.pi * radius**2
    # The uniform balance takes the half-sphere's share of the water.
    share = 2 / 3 * np.pi * radius**3 / field.volume_m3
    assert flux == pytest.approx(1 - share, abs=5e-3)


def test_derivatives_of_a_row(hopper_elements: FiniteElementField) -> None:
    field = hopper_elements
    targets = field.pool.liner_cells(0.5).centre_m
    front, back = np.array([1.2, 2.0, 0.6]), np.array([1.45, 2.1, 0.55])
    row = field.pair_row_derivatives(front, back, targets)
    # Both in single precision, by different sums: 24 bits of values that are some 0.1 to 1.
    assert row.value == pytest.approx(field.pair_row(front, back, targets), abs=1e-7)
    h = 1e-3
    for axis in np.eye(3):
        by_front = (
            field.pair_row(front + h * axis, back, targets) - field.pair_row(front - h * axis, back, targets)
        ) / (2 * h)
        by_back = (
            field.pair_row(front, back + h * axis, targets) - field.pair_row(front, back - h * axis, targets)
        ) / (2 * h)
        scale = np.abs(by_front).max()
        # Refitted image strengths change the answer by the mesh's own error only.
        assert row.by_front @ axis == pytest.approx(by_front, abs=0.01 * scale)
        assert row.by_back @ axis == pytest.approx(by_back, abs=0.01 * scale)


def test_the_cache_gives_the_same_field(tmp_path: object) -> None:
    pool = from_outline(polygon.ellipse(5, 3), Floor("flat", 1.2))
    first = FiniteElementField(pool, 0.6, 3, cache_dir=str(tmp_path))
    again = FiniteElementField(pool, 0.6, 3, cache_dir=str(tmp_path))
    assert not first.from_cache and again.from_cache
    targets = pool.liner_cells(0.5).centre_m
    a, b = np.array([2.0, 1.5, 0.5]), np.array([2.3, 1.5, 0.5])
    assert np.array_equal(first.pair_row(a, b, targets), again.pair_row(a, b, targets))
    # A damaged file is the same as none.
    for file in tmp_path.iterdir():  # type: ignore[attr-defined]
        file.write_bytes(file.read_bytes()[:5000])
    assert not FiniteElementField(pool, 0.6, 3, cache_dir=str(tmp_path)).from_cache


def test_make_field_chooses() -> None:
    assert isinstance(make_field(rectangle(6, 4, 1.4)), BoxPoolField)


def test_error_falls_as_the_mesh_is_refined() -> None:
    # Quadratic elements: the smooth part's error falls with the third power of the edge (Ciarlet, The finite element
    # method for elliptic problems, ch. 3); at least the square is asked for between each two meshes and overall.
    pool = rectangle(6, 4, 1.4)
    exact = BoxField(6, 4, 1.4)
    targets = pool.liner_cells(0.7).centre_m
    arm = np.array([0.15, 0.0, 0.0])
    errors = []
    sizes = ((0.8, 2), (0.5333, 3), (0.4, 4))
    centres = stations(pool, 5, seed=9)
    for size, layers in sizes:
        field = FiniteElementField(pool, size, layers)
        misses = []
        for centre in centres:
            far = np.linalg.norm(targets - centre, axis=1) > 0.8
            row = field.pair_row(centre + arm, centre - arm, targets)
            true = exact.green(targets, centre + arm) - exact.green(targets, centre - arm)
            miss = (row - true)[far]
            misses.append(miss - miss.mean())
        errors.append(float(np.sqrt(np.mean(np.concatenate(misses) ** 2))))
    order = np.log(errors[0] / errors[-1]) / np.log(sizes[0][0] / sizes[-1][0])
    assert errors[0] > errors[1] > errors[2]
    assert order >= 2.0
