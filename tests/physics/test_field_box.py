"""The exact box field against independent sums and limits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earthward.pool.box import BoxField
from earthward.pool.resistance import half_space_V

SIZE = (10.0, 5.0, 1.5)


def by_direct_images(points: np.ndarray, source: np.ndarray, sink: np.ndarray, size: tuple[float, ...]) -> np.ndarray:
    """Independent reference: mirror images of a source-sink pair summed in growing cubes, tail extrapolated.

    Taking source minus sink of one lattice cell makes the sum converge like 1/N^2 without any Ewald splitting.
    """
    length, width, depth = size

    def up_to(reach_m: float) -> np.ndarray:
        nx, ny, nz = (math.ceil(reach_m / (2 * s)) for s in size)
        total = np.zeros(len(points))
        for m in range(-nx, nx + 1):
            for n in range(-ny, ny + 1):
                layers = np.arange(-nz, nz + 1)
                for sx in (1, -1):
                    for sy in (1, -1):
                        for sz in (1, -1):
                            for place, strength in ((source, 1.0), (sink, -1.0)):
                                dx = points[:, 0] - (2 * m * length + sx * place[0])
                                dy = points[:, 1] - (2 * n * width + sy * place[1])
                                dz = points[:, 2, None] - (2 * layers * depth + sz * place[2])
                                r = np.sqrt((dx * dx + dy * dy)[:, None] + dz * dz)
                                total += strength * np.sum(1 / (4 * math.pi * r), axis=1)
        return total

    near, far = up_to(40.0), up_to(80.0)
    return far + (far - near) / 3


def by_cosine_series(points: np.ndarray, source: np.ndarray, size: tuple[float, ...], modes: int) -> np.ndarray:
    """Independent reference: sum over horizontal cosines of the closed vertical solution cosh(..)cosh(..)/sinh."""
    length, width, depth = size
    kx, ky = np.arange(modes) * math.pi / length, np.arange(modes) * math.pi / width
    total = np.zeros(len(points))
    for n, (x, y, z) in enumerate(points):
        low, high = min(z, source[2]), max(z, source[2])
        weight = np.where(kx > 0, 2.0, 1.0)[:, None] * np.where(ky > 0, 2.0, 1.0)[None] / (length * width)
        shape = weight * np.outer(np.cos(kx * x) * np.cos(kx * source[0]), np.cos(ky * y) * np.cos(ky * source[1]))
        k = np.sqrt(kx[:, None] ** 2 + ky[None] ** 2)
        k[0, 0] = 1.0
        # cosh(k low) cosh(k (D - high)) / (k sinh(k D)), written without overflow.
        vertical = (np.exp(-k * (high - low)) + np.exp(-k * (high + low)) + np.exp(-k * (2 * depth - high - low))
                    + np.exp(-k * (2 * depth - high + low))) / (2 * k * (1 - np.exp(-2 * k * depth)))  # fmt: skip
        vertical[0, 0] = (low**2 + (depth - high) ** 2) / (2 * depth) - depth / 6
        total[n] = np.sum(shape * vertical)
    return total


def test_against_direct_image_sum() -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(0.1, 0.9, (6, 3)) * SIZE
    source, sink = np.array([1.0, 1.0, 0.5]), np.array([7.0, 5.0, 0.9])
    box = BoxField(*SIZE)
    ours = box.green(points, source) - box.green(points, sink)
    theirs = by_direct_images(points, source, sink, SIZE)
    # The direct sum is good to about 1e-4 of the near field only, up to a constant that depends on summation order.
    assert ours - ours[0] == pytest.approx(theirs - theirs[0], abs=2e-4)


def test_against_cosine_series() -> None:
    rng = np.random.default_rng(2)
    points = np.column_stack([rng.uniform(0, 10, 40), rng.uniform(0, 5, 40), rng.uniform(0, 0.7, 40)])
    source = np.array([3.3, 1.7, 1.2])
    ours = BoxField(*SIZE).green(points, source)
    theirs = by_cosine_series(points, source, SIZE, modes=160)
    assert ours == pytest.approx(theirs, abs=1e-8)


def test_half_space_limit_on_a_wall() -> None:
    # V = rho I/(2 pi r) (Telford et al.) between two points near a source on the floor of a large, deep pool.
    box = BoxField(50.0, 50.0, 50.0)
    source = np.array([25.0, 25.0, 50.0])
    near = box.green(source - [[0.0, 0.0, 0.1], [0.0, 0.0, 0.2]], source)
    expected = half_space_V(1.0, 1.0, 0.1) - half_space_V(1.0, 1.0, 0.2)
    assert near[0] - near[1] == pytest.approx(float(expected), rel=1e-3)


def test_far_field_in_shallow_water_is_flat() -> None:
    # E -> rho I/(2 pi r D) far from a source in a layer of depth D between two insulators (images, from memory).
    box = BoxField(60.0, 60.0, 1.0)
    source = np.array([30.0, 30.0, 0.3])
    slope = box.gradient(np.array([[33.0, 30.0, 0.8]]), source)[0]
    # The uniform return current removes the share of the area inside the circle.
    expected = (1 - math.pi * 3.0**2 / 3600) / (2 * math.pi * 3.0 * 1.0)
    assert -slope[0] == pytest.approx(expected, rel=1e-3)


def test_charge_is_conserved_through_any_closed_box_and_no_current_crosses_the_faces() -> None:
    box = BoxField(*SIZE)
    source = np.array([4.0, 2.0, 0.6])
    # Gauss points of a cube of 0.5 m around the source: outward flux = 1 - cube volume / water volume.
    node, weight = np.polynomial.legendre.leggauss(24)
    u, v = (0.25 * a.ravel() for a in np.meshgrid(node, node))
    w = 0.25**2 * np.outer(weight, weight).ravel()
    flux = 0.0
    for axis in range(3):
        for side in (-0.25, 0.25):
            at = np.insert(np.column_stack([u, v]), axis, side, axis=1) + source
            flux += -math.copysign(1, side) * float(np.sum(w * box.gradient(at, source)[:, axis]))
    assert flux == pytest.approx(1 - 0.5**3 / (10 * 5 * 1.5), abs=1e-6)
    faces = np.array(
        [[0.0, 2.2, 0.4], [10.0, 1.0, 1.0], [3.0, 0.0, 0.5], [3.0, 5.0, 0.5], [3.0, 1.0, 0.0], [3.0, 1.0, 1.5]]
    )
    slope = box.gradient(faces, source)
    assert np.abs(slope[np.arange(6), [0, 0, 1, 1, 2, 2]]).max() < 1e-8


def test_reciprocity_and_derivatives() -> None:
    rng = np.random.default_rng(3)
    box = BoxField(*SIZE, origin_m=(2.0, -1.0))
    a, b = (rng.uniform(0, 1, (20, 3)) * SIZE + [2.0, -1.0, 0.0] for _ in range(2))
    forth = np.array([box.green(p, q)[0] for p, q in zip(a, b, strict=True)])
    back = np.array([box.green(q, p)[0] for p, q in zip(a, b, strict=True)])
    assert forth == pytest.approx(back, abs=1e-10)
    h = 1e-5
    for axis in np.eye(3):
        by_point = (box.green(a + h * axis, b[0]) - box.green(a - h * axis, b[0])) / (2 * h)
        by_source = (box.green(a, b[0] + h * axis) - box.green(a, b[0] - h * axis)) / (2 * h)
        assert by_point == pytest.approx(box.gradient(a, b[0]) @ axis, abs=1e-6)
        assert by_source == pytest.approx(box.source_gradient(a, b[0]) @ axis, abs=1e-6)
