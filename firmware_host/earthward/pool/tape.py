"""An outline from a tape: distances of points of the rim from two marks, by least squares with residuals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.pool import polygon
from earthward.pool.shape import Point2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class TapedPoint:
    """A point of the rim: its distances from mark A and mark B, in order round the pool."""

    from_a_m: float
    from_b_m: float
    name: str = ""


@dataclass(frozen=True)
class Chord:
    """A check measurement between two taped points (indices), for example a diagonal or a wall."""

    first: int
    second: int
    length_m: float


@dataclass(frozen=True)
class TapedOutline:
    """outline_m (n, 2) in a frame with mark A at the origin and mark B on +x; base_m the adjusted A-B distance.

    residual_m (n, 2): measured minus adjusted, from A and from B; chord_residual_m likewise; base_residual_m.
    sigma_m (n, 2): standard error of each point, for the tape error given. rms_m of all residuals; `doubtful`
    names what is off by more than three times the tape error.
    """

    outline_m: FloatArray
    base_m: float
    residual_m: FloatArray
    chord_residual_m: FloatArray
    base_residual_m: float
    sigma_m: FloatArray
    rms_m: float
    doubtful: tuple[str, ...]


def outline_from_tape(
    base_m: float,
    points: Sequence[TapedPoint],
    chords: Sequence[Chord] = (),
    side: int = 1,
    tape_sigma_m: float = 0.01,
    where: str = "tape",
) -> TapedOutline:
    """Adjust all points and the base together to all distances (a two-mark trilateration net).

    side: +1 if the pool lies to the left of the line from A to B, -1 if to the right; the marks must stand so
    that the pool is on one side of their line. Two distances fix a point without a check; chords (a few walls or
    diagonals) give the redundancy that lets mistakes be seen. InputError when distances cannot meet, when the
    outline crosses itself or has fewer than three points.
    """
    if not base_m > 0:
        raise InputError(f"{where}: the distance between the marks must be above zero, not {base_m:g} m.")
    if len(points) < 3:
        raise InputError(f"{where}: at least three points are needed for an outline, not {len(points)}.")
    start = np.array([_meet(base_m, p, n, side, where) for n, p in enumerate(points)])
    for c in chords:
        if not (0 <= c.first < len(points) and 0 <= c.second < len(points)) or c.first == c.second:
            raise InputError(f"{where}: a check distance names points {c.first + 1} and {c.second + 1}; check them.")
    measured = np.array([[p.from_a_m, p.from_b_m] for p in points])
    lengths = np.array([c.length_m for c in chords])
    first, second = (np.array([getattr(c, k) for c in chords], dtype=np.int64) for k in ("first", "second"))

    def computed(unknown: FloatArray) -> FloatArray:
        base, plan = unknown[0], unknown[1:].reshape(-1, 2)
        from_a = np.hypot(plan[:, 0], plan[:, 1])
        from_b = np.hypot(plan[:, 0] - base, plan[:, 1])
        gap = plan[first] - plan[second] if len(chords) else np.zeros((0, 2))
        return np.concatenate([[base], np.column_stack([from_a, from_b]).ravel(), np.hypot(gap[:, 0], gap[:, 1])])

    observed = np.concatenate([[base_m], measured.ravel(), lengths])

    def misfit(unknown: FloatArray) -> FloatArray:
        scaled: FloatArray = (computed(unknown) - observed) / tape_sigma_m
        return scaled

    from scipy.optimize import least_squares  # 10 MB that the daemon can do without

    fit = least_squares(misfit, np.concatenate([[base_m], start.ravel()]), method="trf")
    outline = fit.x[1:].reshape(-1, 2)
    residual = observed - computed(fit.x)
    crossing = polygon.crossing_edges(outline)
    if crossing is not None:
        i, j = crossing
        raise InputError(
            f"{where}: the outline crosses itself between points {i + 1} and {j + 1}: list the points in order"
            " round the pool, and keep the pool on one side of the line between the marks."
        )
    slope = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slope.T @ slope)
    sigma = np.sqrt(np.maximum(np.diag(covariance)[1:], 0.0)).reshape(-1, 2)
    at_points = residual[1 : 1 + 2 * len(points)].reshape(-1, 2)
    at_chords = residual[1 + 2 * len(points) :]
    # Spread of each residual itself, so that a mistake shows even where the net is weak.
    spread = np.sqrt(np.maximum(1 - np.einsum("ij,jk,ik->i", slope, covariance, slope), 1e-9))
    score = np.abs(residual) / tape_sigma_m / spread
    names = ["the distance between the marks"]
    names += [f"{points[n].name or f'point {n + 1}'} from mark {m}" for n in range(len(points)) for m in "AB"]
    names += [f"the check distance between points {c.first + 1} and {c.second + 1}" for c in chords]
    doubtful = [names[k] for k in np.argsort(-score) if score[k] > 3 and abs(residual[k]) > 0.2 * tape_sigma_m]
    return TapedOutline(
        outline, float(fit.x[0]), at_points, at_chords, float(residual[0]), sigma,
        float(np.sqrt(np.mean(residual**2))), tuple(doubtful),
    )  # fmt: skip


def _meet(base_m: float, point: TapedPoint, number: int, side: int, where: str) -> Point2:
    """Where the two tapes meet."""
    a, b = point.from_a_m, point.from_b_m
    name = point.name or f"point {number + 1}"
    if not (a > 0 and b > 0 and math.isfinite(a + b)):
        raise InputError(f"{where}: {name}: distances must be above zero, not {a:g} and {b:g} m.")
    x = (a * a - b * b + base_m * base_m) / (2 * base_m)
    square = a * a - x * x
    # Tapes that just fail to meet (by 5 cm over the base) are a point on the line; more is a mistake.
    if square < 0 and (a + b < base_m - 0.05 or abs(a - b) > base_m + 0.05):
        raise InputError(
            f"{where}: {name}: {a:g} m from A and {b:g} m from B cannot meet with marks {base_m:g} m apart;"
            " measure it again."
        )
    return x, side * math.sqrt(max(square, 1e-6))
