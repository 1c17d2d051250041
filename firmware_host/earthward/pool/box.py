"""Exact field of a box pool: Neumann Green's function of a rectangular box, Ewald-split.

All six faces insulate (liner and water surface). A point source then needs somewhere for its current to go; the
function here balances each source with a uniform sink spread over the water, so that it has zero mean, is
symmetric in its two points, and any balanced set of sources and sinks gives the true potential (the uniform
parts cancel). Units: 1/m; potential_V = resistivity_ohm_m * current_A * green.

Method: mirror images in the six faces make a periodic lattice of cell 2L x 2W x 2D. Its sum converges only
conditionally, so it is split after Ewald (Ann. Phys. 369, 253, 1921): near images as erfc(kappa r)/(4 pi r), the
smooth rest as a cosine series damped by exp(-k^2 / 4 kappa^2).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfc

FloatArray = NDArray[np.float64]

# erfc(4.3) = 1.2e-9: both sums are cut where the rest is of that relative size.
_REACH = 4.3
_CHUNK = 2048


class BoxField:
    """Green's function of the box 0..length x 0..width x 0..depth (z = depth, positive down), metres.

    `origin_m` shifts the box in plan. Points outside the water give a number without meaning: check before.
    """

    def __init__(
        self, length_m: float, width_m: float, depth_m: float, origin_m: tuple[float, float] = (0.0, 0.0)
    ) -> None:
        size = np.array([length_m, width_m, depth_m], dtype=float)
        if not np.all(np.isfinite(size)) or np.any(size <= 0):
            raise ValueError("length, width and depth must be positive")
        self.size_m = size
        self.origin_m = np.array([origin_m[0], origin_m[1], 0.0])
        self.volume_m3 = float(np.prod(size))
        # Balance between images and cosines; the optimum is flat (see tests/benchmarks/bench_field.py).
        self._kappa = 5.0 / self.volume_m3 ** (1 / 3)
        self._cutoff_m = _REACH / self._kappa
        k_max = 2 * self._kappa * _REACH
        counts = np.floor(k_max * size / math.pi).astype(int) + 1
        self._k = [np.arange(c) * math.pi / s for c, s in zip(counts, size, strict=True)]
        kx, ky, kz = np.meshgrid(*self._k, indexing="ij")
        k2 = kx * kx + ky * ky + kz * kz
        k2[0, 0, 0] = 1.0
        weight = np.exp(-k2 / (4 * self._kappa**2)) / (k2 * self.volume_m3)
        for k in (kx, ky, kz):
            weight *= np.where(k > 0, 2.0, 1.0)
        weight[0, 0, 0] = 0.0
        weight[k2 > k_max**2] = 0.0
        self._weight = weight
        self._constant = -1.0 / (4 * self._kappa**2 * self.volume_m3)
        # Mirror images: shift 2 m L + sign * x. Those that can come within the cutoff of a point of the box.
        reach = [math.ceil(self._cutoff_m / (2 * s)) + 1 for s in size]
        self._images = [
            [(2 * m * s, sign) for m in range(-n, n + 1) for sign in (1.0, -1.0)]
            for s, n in zip(size, reach, strict=True)
        ]

    # --- public ------------------------------------------------------------------------------------------

    def green(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """Potential (m,) in 1/m at points (m, 3) of a unit source at source (3,); infinite at the source."""
        value, _ = self._evaluate(points_m, source_m, gradient=False)
        return value

    def gradient(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """Derivative (m, 3) in 1/m^2 of `green` with respect to the points."""
        points = self._local(points_m)
        source = self._local(source_m)[0]
        return self._gradient_at_points(points, source)

    def source_gradient(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """Derivative (m, 3) in 1/m^2 of `green` with respect to the source's position, at each of the points."""
        return self.green_and_source_gradient(points_m, source_m)[1]

    def green_and_source_gradient(self, points_m: ArrayLike, source_m: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """`green` and `source_gradient` together, for little more than the price of one."""
        value, slope = self._evaluate(points_m, source_m, gradient=True)
        assert slope is not None
        return value, slope

    # --- inside ------------------------------------------------------------------------------------------

    def _local(self, points_m: ArrayLike) -> FloatArray:
        local: FloatArray = np.atleast_2d(np.asarray(points_m, dtype=float)) - self.origin_m
        return local

    def _near_images(self, points: FloatArray, source: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (i, 3) and signs (i, 3) of the images that come within the cutoff of the points' bounds."""
        axes_position, axes_sign = [], []
        low, high = points.min(axis=0), points.max(axis=0)
        for axis in range(3):
            shift, sign = (np.array(column) for column in zip(*self._images[axis], strict=True))
            place = shift + sign * source[axis]
            keep = (place > low[axis] - self._cutoff_m) & (place < high[axis] + self._cutoff_m)
            axes_position.append(place[keep])
            axes_sign.append(sign[keep])
        position = np.stack(np.meshgrid(*axes_position, indexing="ij"), axis=-1).reshape(-1, 3)
        sign = np.stack(np.meshgrid(*axes_sign, indexing="ij"), axis=-1).reshape(-1, 3)
        return position, sign

    def _evaluate(
        self, points_m: ArrayLike, source_m: ArrayLike, gradient: bool
    ) -> tuple[FloatArray, FloatArray | None]:
        points = self._local(points_m)
        source = self._local(source_m)[0]
        value = np.empty(len(points))
        slope = np.empty((len(points), 3)) if gradient else None
        cos_s = [np.cos(k * s) for k, s in zip(self._k, source, strict=True)]
        modes = self._weight * cos_s[0][:, None, None] * cos_s[1][None, :, None] * cos_s[2][None, None, :]
        stacked = [modes]
        if gradient:
            sin_s = [-k * np.sin(k * s) for k, s in zip(self._k, source, strict=True)]
            stacked.append(self._weight * sin_s[0][:, None, None] * cos_s[1][None, :, None] * cos_s[2])
            stacked.append(self._weight * cos_s[0][:, None, None] * sin_s[1][None, :, None] * cos_s[2])
            stacked.append(self._weight * cos_s[0][:, None, None] * cos_s[1][None, :, None] * sin_s[2])
        for start in range(0, len(points), _CHUNK):
            part = slice(start, start + _CHUNK)
            chunk = points[part]
            cos_p = [np.cos(chunk[:, axis : axis + 1] * self._k[axis]) for axis in range(3)]
            sums = [_contract(one, cos_p) for one in stacked]
            images, signs = self._near_images(chunk, source)
            near, near_slope = self._image_sum(chunk, images, signs, gradient)
            value[part] = sums[0] + near + self._constant
            if slope is not None and near_slope is not None:
                slope[part] = np.column_stack(sums[1:]) + near_slope
        return value, slope

    def _image_sum(
        self, points: FloatArray, images: FloatArray, signs: FloatArray, gradient: bool
    ) -> tuple[FloatArray, FloatArray | None]:
        """Sum over images within the cutoff of erfc(kappa r)/(4 pi r), and its derivative by the source."""
        # (images, points) by the law of cosines would cancel badly near the source: keep differences.
        r2 = np.zeros((len(images), len(points)))
        for axis in range(3):
            d = points[None, :, axis] - images[:, None, axis]
            r2 += d * d
        i, p = np.nonzero(r2 < self._cutoff_m**2)
        r = np.sqrt(r2[i, p])
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = erfc(self._kappa * r)
            term = tail / (4 * math.pi * r)
            value = np.bincount(p, weights=term, minlength=len(points)).astype(float)
            if not gradient:
                return value, None
            # d/dr of the term, over r: times (point - image) gives the derivative by the point.
            bell = 2 * self._kappa / math.sqrt(math.pi) * np.exp(-((self._kappa * r) ** 2))
            slope_over_r = -(tail / r + bell) / (4 * math.pi * r * r)
        slope = np.empty((len(points), 3))
        for axis in range(3):
            # Moving the source moves its image by `sign`; moving the image is minus moving the point.
            d = -signs[i, axis] * (points[p, axis] - images[i, axis])
            slope[:, axis] = np.bincount(p, weights=slope_over_r * d, minlength=len(points))
        return value, slope

    def _gradient_at_points(self, points: FloatArray, source: FloatArray) -> FloatArray:
        slope = np.empty((len(points), 3))
        cos_s = [np.cos(k * s) for k, s in zip(self._k, source, strict=True)]
        modes = self._weight * cos_s[0][:, None, None] * cos_s[1][None, :, None] * cos_s[2][None, None, :]
        for start in range(0, len(points), _CHUNK):
            chunk = points[start : start + _CHUNK]
            cos_p = [np.cos(chunk[:, axis : axis + 1] * self._k[axis]) for axis in range(3)]
            sin_p = [-self._k[axis] * np.sin(chunk[:, axis : axis + 1] * self._k[axis]) for axis in range(3)]
            smooth = np.column_stack(
                [_contract(modes, [sin_p[a] if a == axis else cos_p[a] for a in range(3)]) for axis in range(3)]
            )
            images, signs = self._near_images(chunk, source)
            # With every sign -1 the "source derivative" is the derivative by the point.
            _, near = self._image_sum(chunk, images, -np.ones_like(signs), gradient=True)
            assert near is not None
            slope[start : start + _CHUNK] = smooth + near
        return slope


def _contract(modes: FloatArray, tables: list[FloatArray]) -> FloatArray:
    """Sum over (l, m, n) of modes[l, m, n] * tables[0][p, l] * tables[1][p, m] * tables[2][p, n], for each p."""
    nx, ny, nz = modes.shape
    first = (tables[0] @ modes.reshape(nx, ny * nz)).reshape(-1, ny, nz)
    result: FloatArray = np.einsum("pmn,pm,pn->p", first, tables[1], tables[2], optimize=False)
    return result
