"""Lead fields of the pole's electrodes: what each point of the liner would do to the electrodes near one station.

By reciprocity the potential at electrode x from a unit source at y is G(x, y) of the pool, in 1/m
(potential_V = resistivity_ohm_m * current_A * G). Near one station it is kept as

    G(x, y) = sum over images i of 1 / (4 pi |T_i x - y|)  +  sum over b of P_b(x - c) C_b(y)

The images are the electrode itself and its mirrors in the water surface, the floor under it and the walls near it;
what is left is smooth around the array's centre c and is held by a few harmonic polynomials P_b. So the field and its
slope at any pose of the array near c, to any point of the liner, cost a handful of multiplications: poses can be
re-estimated again and again without asking the field solver. A constant term that does not depend on y is without
effect (sources and sinks balance), and so is the r^2 term of the uniform balance; both are kept for accuracy's sake.

Mirror images: the method of images for insulating planes (Telford, Geldart and Sheriff, Applied Geophysics, ch. 8).
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, erfc

from earthward.pool import polygon
from earthward.pool.field import Field
from earthward.pool.shape import Pool

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Images up to this distance from the water are taken out before the smooth rest is learnt from the cosine series.
IMAGE_REACH_M = 2.0
#: Of these, the nearest few stay images; the others are smooth enough to be learnt with the rest.
KEEP_REACH_M = 1.6
KEEP_MOST = 9
_FOUR_PI = 4.0 * math.pi


class GreenRows(Protocol):
    """Whatever can give the pool's Green's function between points and targets."""

    def rows(self, points_m: FloatArray) -> FloatArray:
        """G (m, n) in 1/m from points (m, 3) in the water to the n targets, up to one constant per target."""
        ...


class FieldRows:
    """Rows of any pool's field: one back-substitution for all points of a station."""

    def __init__(self, field: Field, targets_m: FloatArray) -> None:
        self._field = field
        self._targets = targets_m

    def rows(self, points_m: FloatArray) -> FloatArray:
        return self._field.potentials(self._targets, points_m)


class BoxRows:
    """Green's function of a box pool to a fixed set of targets on its liner or in its water, as one matrix product.

    Ewald's split with a wide Gaussian: beyond `IMAGE_REACH_M` nothing is left of the image part, so the cosine
    series plus the images that `LeadField` lists anyway is everything. Targets (n, 3).
    """

    KAPPA = 1.6
    REACH = 3.1  # erfc(3.1) = 1.2e-5

    def __init__(self, size_m: FloatArray, targets_m: FloatArray, origin_m: FloatArray) -> None:
        self._origin = origin_m
        self._size = size_m
        volume = float(np.prod(size_m))
        k_max = 2 * self.KAPPA * self.REACH
        axes = [np.arange(int(k_max * s / math.pi) + 1) * math.pi / s for s in size_m]
        kx, ky, kz = np.meshgrid(*axes, indexing="ij")
        k2 = kx**2 + ky**2 + kz**2
        keep = (k2 > 0) & (k2 < k_max**2)
        self._index = np.nonzero(keep)
        self._axes = axes
        weight = np.exp(-k2[keep] / (4 * self.KAPPA**2)) / (k2[keep] * volume)
        for index in self._index:
            weight = weight * np.where(index > 0, 2.0, 1.0)
        self._mode_weight = weight
        # Single precision is plenty for what is smooth, and halves memory and time.
        self._weighted_targets = self._table(targets_m)

    def _table(self, targets_m: FloatArray) -> NDArray[np.float32]:
        return np.asarray((self._modes(targets_m - self._origin) * self._mode_weight).T, dtype=np.float32)

    def extended(self, targets_m: FloatArray) -> BoxRows:
        """The same with more targets (n, 3) behind those there are."""
        other = copy(self)
        other._weighted_targets = np.concatenate([self._weighted_targets, self._table(targets_m)], axis=1)
        return other

    def _modes(self, points: FloatArray) -> FloatArray:
        cos = [np.cos(points[:, a : a + 1] * self._axes[a]) for a in range(3)]
        result: FloatArray = cos[0][:, self._index[0]] * cos[1][:, self._index[1]] * cos[2][:, self._index[2]]
        return result

    def cosine_part(self, points_m: FloatArray, combine: FloatArray) -> FloatArray:
        """The damped cosine series, from points (m, 3) combined to rows (b, n) by a matrix (b, m) whose rows add up to
        nothing: what is the same at all points falls out."""
        modes = combine @ self._modes(points_m - self._origin)
        return np.asarray(modes.astype(np.float32) @ self._weighted_targets, dtype=np.float64)


# ---- images -----------------------------------------------------------------------------------------------


def _reflection(point: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mirror in a plane as x -> A x + b."""
    matrix = np.eye(3) - 2 * np.outer(normal, normal)
    return matrix, 2 * float(normal @ point) * normal


def images_at(pool: Pool, centre_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Affine maps A (k, 3, 3), b (k, 3) of the mirrors that matter for electrodes around `centre_m`; the first is none.

    An image is used only if it falls outside the water, where it does no harm.
    """
    horizontal: list[tuple[FloatArray, FloatArray]] = [(np.eye(3), np.zeros(3))]
    outline = pool.outline
    a, b = outline, np.roll(outline, -1, axis=0)
    distance, _, _ = _edge_feet(outline, centre_m[:2])
    if len(outline) > 12:
        # A curved wall: the nearest edge stands for it.
        order = [int(np.argmin(distance))]
    else:
        order = [int(k) for k in np.argsort(distance) if distance[k] < IMAGE_REACH_M]
    singles = []
    for k in order:
        direction = (b[k] - a[k]) / np.linalg.norm(b[k] - a[k])
        normal = np.array([direction[1], -direction[0], 0.0])
        mirror = _reflection(np.array([a[k, 0], a[k, 1], 0.0]), normal)
        if distance[k] < IMAGE_REACH_M:
            singles.append(mirror)
    singles = [one for one, out in zip(singles, _plan_outside(outline, singles, centre_m), strict=True) if out]
    horizontal += singles
    pairs_of = list(combinations(singles, 2))
    twice = [_compose(one, other) for one, other in pairs_of]
    for (one, other), both, out in zip(pairs_of, twice, _plan_outside(outline, twice, centre_m), strict=True):
        if out and abs(float(one[0][0] @ other[0][0]) - 1) > 1e-6:
            horizontal.append(both)
        elif out and pool.is_box:
            horizontal += [both, _compose(other, one)]
    surface = _reflection(np.zeros(3), np.array([0.0, 0.0, 1.0]))
    deep = float(pool.depth_at(centre_m[0], centre_m[1]))
    h = 0.1
    gx = float(pool.depth_at(centre_m[0] + h, centre_m[1]) - pool.depth_at(centre_m[0] - h, centre_m[1])) / (2 * h)
    gy = float(pool.depth_at(centre_m[0], centre_m[1] + h) - pool.depth_at(centre_m[0], centre_m[1] - h)) / (2 * h)
    if math.hypot(gx, gy) > 1.0:
        gx = gy = 0.0
    normal = np.array([-gx, -gy, 1.0]) / math.sqrt(1 + gx * gx + gy * gy)
    floor = _reflection(np.array([centre_m[0], centre_m[1], deep]), normal)
    none = (np.eye(3), np.zeros(3))
    vertical = [none, surface, floor, _compose(floor, surface), _compose(surface, floor)]
    if deep < 1.2:
        vertical += [_compose(surface, vertical[3]), _compose(floor, vertical[4])]
    pairs = [(_compose(v, g), g is not none) for v in vertical for g in horizontal]
    matrix, shift = np.array([m for (m, _), _ in pairs]), np.array([b for (_, b), _ in pairs])
    place = matrix @ centre_m + shift
    beyond_wall = np.array([level for _, level in pairs]) & ~polygon.inside(outline, place[:, :2])
    keep = (place[:, 2] < 0) | (place[:, 2] > deep) | beyond_wall
    keep[0] = True
    return matrix[keep], shift[keep]


def _edge_feet(outline: FloatArray, point: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    a, b = outline, np.roll(outline, -1, axis=0)
    along = b - a
    fraction = np.clip(((point - a) * along).sum(1) / np.maximum((along * along).sum(1), 1e-12), 0.0, 1.0)
    foot = a + fraction[:, None] * along
    return np.linalg.norm(point - foot, axis=1), fraction, foot


def _compose(
    outer: tuple[FloatArray, FloatArray], inner: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    return outer[0] @ inner[0], outer[0] @ inner[1] + outer[1]


def _plan_outside(outline: FloatArray, mirrors: list[tuple[FloatArray, FloatArray]], centre: FloatArray) -> list[bool]:
    """Which mirrors throw `centre` out of the outline."""
    if not mirrors:
        return []
    thrown = np.array([matrix @ centre + shift for matrix, shift in mirrors])
    return [not one for one in polygon.inside(outline, thrown[:, :2]).tolist()]


def image_sum(images_m: FloatArray, targets_m: FloatArray, kappa: float | None = None) -> FloatArray:
    """Sum over images (k, m, 3) of 1/(4 pi r) to targets (n, 3) -> (m, n); with `kappa`, of erf(kappa r)/(4 pi r)."""
    k, m, _ = images_m.shape
    if k == 0:
        return np.zeros((m, len(targets_m)))
    if kappa is not None:
        return _smooth_sum(images_m, targets_m, kappa)
    flat = images_m.reshape(-1, 3)
    r2 = (flat**2).sum(1)[:, None] + (targets_m**2).sum(1)[None] - 2 * (flat @ targets_m.T)
    r = np.sqrt(np.maximum(r2, 1e-6))
    return np.asarray((1 / r).reshape(k, m, -1).sum(axis=0) / _FOUR_PI)


def _smooth_sum(images_m: FloatArray, targets_m: FloatArray, kappa: float) -> FloatArray:
    """`image_sum` of erf(kappa r)/r: smooth even at no distance, so that single precision about a near origin is plenty
    and halves the time. Far away it is 1/r; only near couples need the error function."""
    origin = images_m[0].mean(0)
    targets = (targets_m - origin).astype(np.float32)
    square = (targets**2).sum(1)
    near_m2 = np.float32((BoxRows.REACH / kappa) ** 2)
    value = np.zeros((images_m.shape[1], len(targets)), dtype=np.float32)
    for image in (images_m - origin).astype(np.float32):  # one at a time: it stays in the processor's cache
        r2 = image @ (-2.0 * targets.T)
        r2 += (image**2).sum(1)[:, None]
        r2 += square
        np.maximum(r2, np.float32(1e-6), out=r2)
        near = np.flatnonzero(r2 < near_m2)
        r = np.sqrt(r2.ravel()[near])
        part = np.reciprocal(np.sqrt(r2, out=r2), out=r2)
        part.ravel()[near] = erf(np.float32(kappa) * r) / r
        value += part
    return np.asarray(value, dtype=np.float64) / _FOUR_PI


def damped_sum(images_m: FloatArray, targets_m: FloatArray, kappa: float, reach_m: float) -> FloatArray:
    """Sum over images (k, m, 3) of erfc(kappa r)/(4 pi r) to targets (n, 3) -> (m, n); nothing is left of it beyond
    `reach_m`, so only near couples are visited."""
    value = np.zeros((images_m.shape[1], len(targets_m)))
    for image in images_m:
        centre = image.mean(axis=0)
        wide = reach_m + float(np.sqrt(((image - centre) ** 2).sum(1).max()))
        d = targets_m - centre
        near = np.flatnonzero(np.einsum("nj,nj->n", d, d) < wide * wide)
        if near.size:
            part = targets_m[near]
            r2 = (image**2).sum(1)[:, None] + (part**2).sum(1)[None] - 2.0 * (image @ part.T)
            r = np.sqrt(np.maximum(r2, 1e-6))
            value[:, near] += erfc(kappa * r) / r
    return value / _FOUR_PI


# ---- the smooth rest --------------------------------------------------------------------------------------


def basis(u: FloatArray, degree: int) -> FloatArray:
    """Harmonic polynomials up to `degree` (2 or 3) and r^2 at offsets u (..., 3), in units of the array's radius."""
    return np.asarray(basis_and_slope(u[..., None], degree)[..., 0, :, 0])


def basis_and_slope(u: FloatArray, degree: int) -> FloatArray:
    """`basis` and its three slopes at once, u (..., 3, m) -> (..., 4, b, m): written in place, for many points."""
    x, y, z = u[..., 0, :], u[..., 1, :], u[..., 2, :]
    xx, yy, zz = x * x, y * y, z * z
    table = np.zeros((*u.shape[:-2], 4, 17 if degree >= 3 else 10, u.shape[-1]), dtype=u.dtype)
    table[..., 0, 0, :] = 1.0
    table[..., 0, 1:4, :] = u
    for j in range(3):
        table[..., 1 + j, 1 + j, :] = 1.0
    table[..., 0, 4, :], table[..., 1, 4, :], table[..., 2, 4, :] = x * y, y, x
    table[..., 0, 5, :], table[..., 2, 5, :], table[..., 3, 5, :] = y * z, z, y
    table[..., 0, 6, :], table[..., 1, 6, :], table[..., 3, 6, :] = z * x, z, x
    level = xx + yy
    table[..., 0, 7, :], table[..., 0, 8, :], table[..., 0, 9, :] = xx - yy, 2 * zz - level, zz + level
    table[..., 1, 7, :], table[..., 2, 7, :] = 2 * x, -2 * y
    table[..., 1, 8, :], table[..., 2, 8, :], table[..., 3, 8, :] = -2 * x, -2 * y, 4 * z
    table[..., 1:, 9, :] = 2 * u
    if degree >= 3:
        rho, apart = 4 * zz - level, table[..., 0, 7, :]
        xy, yz, zx = table[..., 0, 4, :], table[..., 0, 5, :], table[..., 0, 6, :]
        table[..., 0, 10, :] = xy * z
        table[..., 1, 10, :], table[..., 2, 10, :], table[..., 3, 10, :] = yz, zx, xy
        table[..., 0, 11, :], table[..., 0, 12, :] = x * (xx - 3 * yy), y * (3 * xx - yy)
        table[..., 1, 11, :], table[..., 2, 11, :] = 3 * apart, -6 * xy
        table[..., 1, 12, :], table[..., 2, 12, :] = 6 * xy, 3 * apart
        table[..., 0, 13, :] = z * apart
        table[..., 1, 13, :], table[..., 2, 13, :], table[..., 3, 13, :] = 2 * zx, -2 * yz, apart
        table[..., 0, 14, :], table[..., 0, 15, :] = x * rho, y * rho
        table[..., 1, 14, :], table[..., 2, 14, :], table[..., 3, 14, :] = rho - 2 * xx, -2 * xy, 8 * zx
        table[..., 1, 15, :], table[..., 2, 15, :], table[..., 3, 15, :] = -2 * xy, rho - 2 * yy, 8 * yz
        table[..., 0, 16, :] = z * (2 * zz - 3 * level)
        table[..., 1, 16, :], table[..., 2, 16, :], table[..., 3, 16, :] = -6 * zx, -6 * yz, 6 * zz - 3 * level
    return table


def _stencil(count: int) -> FloatArray:
    """`count` well spread offsets in the cube [-1, 1]^3: centre, corners of two shells, a golden spiral."""
    k = np.arange(count - 1) + 0.5
    polar = np.arccos(1 - 2 * k / (count - 1))
    turn = math.pi * (1 + math.sqrt(5.0)) * k
    shell = np.stack([np.cos(turn) * np.sin(polar), np.sin(turn) * np.sin(polar), np.cos(polar)], axis=1)
    shell *= np.where(np.arange(count - 1) % 3 == 0, 0.55, 1.0)[:, None]
    return np.concatenate([np.zeros((1, 3)), shell])


RADIUS_M = 0.32
#: Points at which the smooth rest is learnt, by the degree of its polynomials.
STENCIL = {2: 14, 3: 26}


@dataclass(frozen=True)
class LeadField:
    """Lead field of one station: images and the smooth rest for all targets. `coefficient` is (b, n)."""

    centre_m: FloatArray
    matrix: FloatArray
    shift_m: FloatArray
    coefficient: FloatArray
    degree: int


def stencil_points(pool: Pool, centre_m: FloatArray, count: int) -> FloatArray:
    """Points (count, 3) in the water around an array of electrodes, at which the smooth rest is learnt."""
    offsets = _stencil(count) * RADIUS_M
    points = centre_m + offsets
    deep = pool.depth_at(points[:, 0], points[:, 1])
    # Squeeze the cloud, rather than clip it, where it would leave the water through surface or floor.
    margin = 0.02
    up = max(min(centre_m[2] - margin, RADIUS_M), 0.01)
    down = max(min(float(deep.min()) - margin - centre_m[2], RADIUS_M), 0.01)
    points[:, 2] = centre_m[2] + offsets[:, 2] / RADIUS_M * np.where(offsets[:, 2] < 0, up, down)
    outline = pool.outline
    for _ in range(3):
        gap, edge, _ = polygon.nearest_edge(outline, points[:, :2])
        wet = polygon.inside(outline, points[:, :2])
        bad = (~wet) | (gap < margin)
        if not bad.any():
            break
        a = outline[edge[bad]]
        b = np.roll(outline, -1, axis=0)[edge[bad]]
        direction = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
        inward = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
        depth_in = ((points[bad, :2] - a) * inward).sum(1)
        # Mirror about the wall, and a little further in.
        points[bad, :2] += inward * (np.abs(depth_in) - depth_in + margin)[:, None]
    return points


def learn_lead_field(
    pool: Pool, rows: BoxRows | GreenRows, targets_m: FloatArray, centre_m: FloatArray, degree: int = 3
) -> LeadField:
    """Fit the smooth rest of the lead field around one station (least squares over the stencil)."""
    matrix, shift = images_at(pool, centre_m)
    points = stencil_points(pool, centre_m, STENCIL[degree])
    images = np.einsum("kij,mj->kmi", matrix, points) + shift[:, None]
    distance = distance_to_water(pool, np.einsum("kij,j->ki", matrix, centre_m) + shift)
    order = np.argsort(distance, kind="stable")
    keep = order[: max(1, min(KEEP_MOST, int((distance < KEEP_REACH_M).sum())))]
    # Only differences between electrodes are ever used: all values count from the first point's.
    table = basis((points - centre_m) / RADIUS_M, degree)
    combine: FloatArray = np.asarray(np.linalg.pinv(table, rcond=1e-4), dtype=np.float64)
    combine[:, 0] -= combine.sum(1)
    if isinstance(rows, BoxRows):
        # G = cosines + all images damped by erfc; taken out: the kept images whole.
        others = np.delete(images, keep, axis=0)
        rest = damped_sum(others, targets_m, BoxRows.KAPPA, BoxRows.REACH / BoxRows.KAPPA)
        rest -= image_sum(images[keep], targets_m, BoxRows.KAPPA)
        coefficient = combine @ rest + rows.cosine_part(points, combine)
    else:
        coefficient = combine @ (rows.rows(points) - image_sum(images[keep], targets_m))
    return LeadField(centre_m, matrix[keep], shift[keep], coefficient, degree)


def distance_to_water(pool: Pool, points: FloatArray) -> FloatArray:
    """Distance of images outside the water from it, roughly; the first entry (no mirror) counts as zero."""
    plan, _, _ = polygon.nearest_edge(pool.outline, points[:, :2])
    plan = np.where(polygon.inside(pool.outline, points[:, :2]), 0.0, plan)
    deep = pool.depth_at(points[:, 0], points[:, 1])
    vertical = np.maximum(np.maximum(-points[:, 2], points[:, 2] - deep), 0.0)
    distance = np.hypot(plan, vertical)
    distance[0] = -1.0
    return np.asarray(distance)
