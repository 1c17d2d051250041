"""Water of two conductivities, one above the other, in a box pool: a small solver of the benchmark's own.

-div(sigma grad phi) = current density, all faces insulating. The potential is the exact field of uniform water as it is
at the source, plus what the other layer changes. That change is smooth; in each cosine mode across the plan it follows
from two conditions at the interface (the potential and sigma dphi/dz are continuous), so it is an exact sum, too.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from earthward.pool.box import BoxField

FloatArray = NDArray[np.float64]
#: Modes are cut where they have fallen by exp(-_FALLEN) for a source this far from the interface.
CLEAR_m = 0.12
_FALLEN = 8.0


class LayeredBox:
    """Box 0..length x 0..width x 0..depth (z down), `upper` S/m above half its depth, `lower` below."""

    def __init__(self, size_m: tuple[float, float, float], upper: float, lower: float) -> None:
        self._size = size_m
        self._sigma = (upper, lower)
        self._box = BoxField(*size_m)
        self.interface_m = 0.5 * size_m[2]
        most = _FALLEN / CLEAR_m
        self._kx, self._ky = (np.arange(math.ceil(most * s / math.pi)) * math.pi / s for s in size_m[:2])

    def ohms(self, points_m: FloatArray, sources_m: FloatArray) -> FloatArray:
        """(p, s): volts at points per ampere at each source; only balanced sums mean something."""
        return np.column_stack([self._one(np.asarray(points_m), source) for source in sources_m])

    def _one(self, points: FloatArray, source: FloatArray) -> FloatArray:
        above = source[2] < self.interface_m
        if abs(source[2] - self.interface_m) < 0.99 * CLEAR_m:
            raise ValueError("too near to the interface")
        here, other = self._sigma if above else self._sigma[::-1]
        uniform = self._box.green(points, source) / here
        return uniform + self.change(points, source, here, other, above)

    def change(self, points: FloatArray, source: FloatArray, here: float, other: float, above: bool) -> FloatArray:
        """What the other layer adds at points (m, 3), V/A. Depths are counted from the source layer's own face."""
        length, width, depth = self._size
        half = self.interface_m
        z = points[:, 2] if above else depth - points[:, 2]
        z_source = source[2] if above else depth - source[2]
        k = np.hypot(self._kx[:, None], self._ky[None, :])
        k[0, 0] = 1.0
        both = here * np.tanh(k * half) + other * np.tanh(k * half)
        fall = np.exp(-k * (half - z_source)) * (1 + np.exp(-2 * k * z_source)) * (1 - np.exp(-2 * k * half)) / 2
        strength = -(other - here) * fall / (1 - np.exp(-2 * k * depth)) / (here * k * both)
        weight = np.where(np.arange(len(self._kx)) > 0, 2.0, 1.0)[:, None] * np.where(
            np.arange(len(self._ky)) > 0, 2.0, 1.0
        )
        strength *= weight / (length * width) * np.cos(self._kx * source[0])[:, None] * np.cos(self._ky * source[1])
        strength[0, 0] = 0.0
        value = np.empty(len(points))
        for n, (x, y, _) in enumerate(points):
            # In either layer: cosh of the distance from its own face, one at the interface.
            own = z[n] if z[n] < half else depth - z[n]
            shape = np.exp(-k * (half - own)) * (1 + np.exp(-2 * k * own)) / (1 + np.exp(-2 * k * half))
            value[n] = np.cos(self._kx * x) @ (strength * shape) @ np.cos(self._ky * y)
        # The even mode: sigma dphi/dz is the same in any water, so the slope differs in the other layer only.
        beyond = np.maximum(z, half)
        even = -(1 / other - 1 / here) * (half**2 - (depth - beyond) ** 2) / (2 * depth * length * width)
        return value + even
