"""Per-hop influences on value and quadrature: the evidence by which the variance is calibrated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from earthward.signal.equations import Solution, hops_of, sum_windows
from earthward.signal.hops import WEIGHT
from earthward.signal.variance_calibration import Evidence

if TYPE_CHECKING:
    from earthward.signal.solving import WindowSolver

#: Hops that count as all there: effective number over number.
EVEN = 0.85


def examine(
    solver: WindowSolver, a: int, solutions: list[Solution | None], weights: list[float], sidebands: bool
) -> list[Evidence]:
    """For windows ending with rows a, a + 1, ...: the evidence by which sigma is calibrated.

    weights: sums of the windows' weights; sidebands: is mains so strong that its modulation must be checked?
    """
    n, st, poly = solver.n_hops, solver.store, solver.layout.poly
    size, r = solver.equations.size, len(solutions)
    free = [1.0 - 1.0 / n] * r
    if min(weights) < n * solver.slots:
        # A window that is empty in parts has fewer hops to scatter; their sum is held at nothing by the fit.
        counts = st.counts[a - n + 1 : a + r, WEIGHT]
        free = (1.0 - sum_windows(counts * counts, n) / np.maximum(np.square(weights), 1e-30)).tolist()
    even = [1.0 - x < 1.0 / (EVEN * n) for x in free]
    parameters, newest_rest = solver.parameters(solutions)
    per_hop = solver.equations.per_hop(parameters)
    whole, influence = solver.equations.leaving(per_hop[:, 0]), per_hop[:, 1:]
    for i, x in enumerate(solutions):
        if x is not None and x.breaks:
            for j, where in enumerate(x.breaks):
                whole[i, where:, poly] -= x.theta[size + j]
    products = hops_of(st.products[a - n + 1 : a + r], n)
    rest = np.matmul(products, whole[..., None])[..., 0]
    scores = np.add.reduce(influence * rest[:, None], axis=3)
    smooth = scores @ solver.kernel.smooth
    plain_sums = np.add.reduce(scores[:, 0] * scores[:, 0], axis=1).tolist()
    smooth *= smooth
    smooth_sums = np.add.reduce(smooth, axis=2).tolist()
    scatter, across, plain = [], [], []
    for i, x in enumerate(solutions):
        unit, unit_across = 1.0, 1.0
        if x is not None and x.influence is not None:
            noise2 = x.noise**2 * max(free[i], 0.1)
            unit, unit_across = noise2 * x.unit_value + 1e-300, noise2 * x.unit_quadrature + 1e-300
        plain.append(plain_sums[i] / unit)
        scatter.append(smooth_sums[i][0] / unit if even[i] else plain[i])
        across.append(smooth_sums[i][1] / unit_across)
    if sidebands:
        false_V = solver.sideband_monitor.estimate(a, solutions, whole, plain, solver.tracker, newest_rest)
    else:
        solver.sideband_monitor.pause()
        false_V = [0.0] * r
    return [Evidence(*one) for one in zip(scatter, across, false_V, even, strict=True)]
