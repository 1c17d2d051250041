"""How a reading's variance is calibrated; which supplies' harmonics go together."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from earthward.signal.lines import ladders
from earthward.signal.variance_calibration import FIRMEST, Evidence, InfluenceKernel, VarianceCalibration

HOPS, REACH = 10, 4
KERNEL = InfluenceKernel(HOPS, REACH)


def scatter_of(influences: NDArray[np.float64]) -> NDArray[np.float64]:
    """(windows,) variance by influences (windows, hops) of which each window's mean has been fitted away."""
    centred = influences - influences.mean(axis=1, keepdims=True)
    return np.asarray(((centred @ KERNEL.smooth) ** 2).sum(axis=1) / (HOPS - 1))


def fed(levels: NDArray[np.float64], seed: int, quadrature: float = 1.0) -> VarianceCalibration:
    """Windows one after another whose white noise has these variances; quadrature: its variance over the assumed."""
    rng = np.random.default_rng(seed)
    calibration = VarianceCalibration(HOPS, KERNEL)
    scatter = scatter_of(rng.standard_normal((levels.size, HOPS)) * np.sqrt(levels)[:, None])
    other = scatter_of(rng.standard_normal((levels.size, HOPS)) * np.sqrt(levels)[:, None])
    across = rng.standard_normal(levels.size) * np.sqrt(levels * quadrature)
    for one, two, q in zip(scatter.tolist(), other.tolist(), across.tolist(), strict=True):
        calibration.factor(Evidence(one, two), 0.0, q, 1.0)
    return calibration


def test_the_kernel_gives_the_variance_of_white_noise() -> None:
    scatter = scatter_of(np.random.default_rng(1).standard_normal((20_000, HOPS)))
    assert scatter.mean() == pytest.approx(1.0, abs=0.02)
    # Chi-square over its degrees of freedom has the variance 2 / freedom.
    assert scatter.var() == pytest.approx(2.0 / KERNEL.freedom, rel=0.05)


def test_the_kernel_is_that_of_newey_and_west() -> None:
    """Sum of squares plus twice the products of neighbours k apart times 1 - k / reach, but for one constant."""
    u = np.random.default_rng(2).standard_normal((50, HOPS))
    book = (u**2).sum(axis=1)
    for apart in range(1, REACH):
        book += 2.0 * (1.0 - apart / REACH) * (u[:, apart:] * u[:, :-apart]).sum(axis=1)
    ours = ((u @ KERNEL.smooth) ** 2).sum(axis=1)
    assert np.ptp(ours / book) < 1e-9 * float(np.mean(ours / book))


def test_the_logarithm_of_the_scatter_of_white_noise_is_as_computed() -> None:
    logs = np.log(scatter_of(np.random.default_rng(7).standard_normal((20_000, HOPS))))
    assert logs.mean() == pytest.approx(KERNEL.log_mean, abs=0.03)
    assert logs.var() == pytest.approx(KERNEL.log_variance, rel=0.06)


def test_the_kernel_sees_neighbours_that_cancel() -> None:
    """Moving differences x[k] - x[k - 1]: their sum has next to no variance, their squares have all of it."""
    x = np.random.default_rng(2).standard_normal((5000, HOPS + 1))
    influences = np.diff(x) / np.sqrt(2.0)
    assert (influences**2).mean() == pytest.approx(1.0, abs=0.05)
    assert scatter_of(influences).mean() < 0.6


def test_the_kernel_sees_neighbours_that_are_alike() -> None:
    x = np.random.default_rng(3).standard_normal((5000, HOPS + 1))
    assert scatter_of((x[:, 1:] + x[:, :-1]) / np.sqrt(2.0)).mean() > 1.3


def test_steady_noise_makes_a_firm_prior() -> None:
    scale, freedom = fed(np.ones(6000), 1).prior()
    assert scale == pytest.approx(1.0, abs=0.1)
    assert freedom > 5.0 * KERNEL.freedom


def test_noise_that_differs_from_window_to_window_is_judged_by_the_window() -> None:
    """Variances drawn from a scaled inverse chi-square of 6 degrees of freedom: what the model assumes is found."""
    levels = 6.0 / np.random.default_rng(2).chisquare(6.0, 3000)
    scales, freedoms = [], []
    calibration = fed(levels, 3)
    rng = np.random.default_rng(4)
    for level in 6.0 / rng.chisquare(6.0, 3000):
        one = scatter_of(rng.standard_normal((1, HOPS)) * level**0.5)
        calibration.factor(Evidence(float(one[0]), level), 0.0, float(rng.normal(0, level**0.5)), 1.0)
        scale, freedom = calibration.prior()
        scales.append(scale)
        freedoms.append(freedom)
    assert np.median(scales) == pytest.approx(1.0, rel=0.15)
    assert 4.0 < np.median(freedoms) < 9.0
    quiet = calibration.factor(Evidence(0.1), 0.0, 0.3, 1.0)
    loud = calibration.factor(Evidence(4.0), 0.0, 0.3, 1.0)
    assert loud > 1.8 * quiet


def test_a_window_far_louder_than_all_before_is_never_wholly_overruled() -> None:
    calibration = fed(np.ones(3000), 5)
    assert calibration.factor(Evidence(100.0), 0.0, 0.0, 1.0) > 100.0 / (1.5 * (1.0 + FIRMEST))


def test_a_window_with_hops_missing_is_judged_by_the_average() -> None:
    calibration = fed(6.0 / np.random.default_rng(2).chisquare(6.0, 3000), 3)
    assert calibration.factor(Evidence(0.1, even=False), 0.0, 0.3, 1.0) > 0.6


@pytest.mark.parametrize("truth", [0.25, 1.0, 4.0])
def test_correlation_beyond_a_window_is_taken_from_the_quadrature(truth: float) -> None:
    assert fed(np.ones(8000), 4, truth).factor(Evidence(1.0), 0.0, 0.0, 1.0) == pytest.approx(truth, rel=0.25)


def test_a_value_that_moves_does_not_pass_for_noise_in_the_quadrature() -> None:
    calibration = VarianceCalibration(HOPS, KERNEL)
    rng = np.random.default_rng(6)
    for k in range(2500):
        value = 100.0 * np.sin(k / 300.0)
        calibration.factor(Evidence(1.0), value, float(rng.normal(0, 1.0)) + 0.03 * value, 1.0)
    assert calibration.ratio < 1.2


@pytest.mark.parametrize(
    ("may", "does", "ratio"),
    [(0.0, 0.0, 1.0), (3.0, 0.0, 1.0), (3.0, 1.5, 1.0), (3.0, 3.0, 1.0), (0.5, 2.5, 3.0), (400.0, 0.0, 1.0)],
)
def test_a_reference_that_may_be_late_proves_no_quiet(may: float, does: float, ratio: float) -> None:
    """may, does: variance that a late reference may turn into the quadrature, and does, over the noise's own. Only what
    it cannot account for speaks of noise: 1 + 2.5 - 0.5."""
    rng = np.random.default_rng(11)
    calibration = VarianceCalibration(HOPS, KERNEL)
    one, two = (scatter_of(rng.standard_normal((6000, HOPS))).tolist() for _ in range(2))
    across = rng.standard_normal(6000) * np.sqrt(1.0 + does)
    for value, quadrature, q in zip(one, two, across.tolist(), strict=True):
        calibration.factor(Evidence(value, quadrature), 0.0, q, 1.0, may)
    assert calibration.ratio == pytest.approx(ratio, rel=0.15)


def test_families_with_the_same_harmonics_climb_together() -> None:
    assert ladders([]) == []
    assert ladders([(0, 1), (0, 3), (1, 1), (1, 3)]) == [(slice(0, 2), [1, 3], slice(0, 4))]
    assert ladders([(0, 1), (0, 3), (1, 1)]) == [(slice(0, 1), [1, 3], slice(0, 2)), (slice(1, 2), [1], slice(2, 3))]
    assert ladders([(1, 5)]) == [(slice(1, 2), [5], slice(0, 1))]
