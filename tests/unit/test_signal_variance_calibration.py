"""How far a window's own hops are believed beside the average; which supplies' harmonics go together."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.signal.lines import ladders
from earthward.signal.variance_calibration import MOST_CREDIT, Evidence, VarianceCalibration

HOPS = 10


def fed(levels: np.ndarray, seed: int) -> VarianceCalibration:
    """Windows one after another whose noise has these variances: scores are chi-square of hops - 1 (Gaussian noise)."""
    rng = np.random.default_rng(seed)
    calibration = VarianceCalibration(HOPS)
    for level in levels:
        scatter = float(level * rng.chisquare(HOPS - 1) / (HOPS - 1))
        calibration.factor(Evidence(scatter), 0.0, float(rng.normal(0, level**0.5)), 1.0)
    return calibration


def test_steady_noise_gives_a_window_of_its_own_next_to_no_credit() -> None:
    assert fed(np.ones(3000), 1).credit < 0.2


def test_noise_that_differs_from_window_to_window_is_told_by_the_window() -> None:
    calibration = fed(np.random.default_rng(2).choice([0.1, 2.0], 3000), 3)
    assert 0.5 < calibration.credit <= MOST_CREDIT
    quiet = calibration.factor(Evidence(0.1), 0.0, 0.3, 1.0)
    loud = calibration.factor(Evidence(2.0), 0.0, 0.3, 1.0)
    assert quiet < 0.6 < loud


def test_a_window_with_hops_missing_is_judged_by_the_average() -> None:
    calibration = fed(np.random.default_rng(2).choice([0.1, 2.0], 3000), 3)
    assert calibration.factor(Evidence(0.1, even=False), 0.0, 0.3, 1.0) > 0.6


def test_factor_of_plain_noise_is_one() -> None:
    assert fed(np.ones(3000), 4).factor(Evidence(1.0), 0.0, 0.0, 1.0) == pytest.approx(1.0, abs=0.15)


def test_families_with_the_same_harmonics_climb_together() -> None:
    assert ladders([]) == []
    assert ladders([(0, 1), (0, 3), (1, 1), (1, 3)]) == [(slice(0, 2), [1, 3], slice(0, 4))]
    assert ladders([(0, 1), (0, 3), (1, 1)]) == [(slice(0, 1), [1, 3], slice(0, 2)), (slice(1, 2), [1], slice(2, 3))]
    assert ladders([(1, 5)]) == [(slice(1, 2), [5], slice(0, 1))]
