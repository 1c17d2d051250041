"""Before and after a patch or a cover: verdicts. (How well what is left is measured: test_survey_again.py.)"""

from __future__ import annotations

import pytest

from earthward.errors import InputError
from earthward.inversion.compare import current_drop, judge_remeasure


@pytest.mark.parametrize(
    ("left", "sigma", "fit_p", "outcome"),
    [
        (0.0, 0.02, 0.5, "gone"),
        (-0.03, 0.05, None, "gone"),
        (0.08, 0.04, 0.5, "gone"),
        (0.0, 0.2, 0.5, "cannot tell"),
        (0.15, 0.02, 0.5, "smaller"),
        (0.5, 0.1, 0.5, "smaller"),
        (0.97, 0.1, 0.5, "still there"),
        (1.4, 0.1, 0.5, "still there"),
        (0.5, 0.4, 0.5, "cannot tell"),
        (0.0, 0.02, 1e-6, "cannot tell"),
    ],
)
def test_words_for_what_is_left(left: float, sigma: float, fit_p: float | None, outcome: str) -> None:
    result = judge_remeasure(left, sigma, fit_p)
    assert result.outcome == outcome
    assert result.left_interval == pytest.approx((left - 1.96 * sigma, left + 1.96 * sigma))


def test_a_test_without_an_error_is_none() -> None:
    with pytest.raises(InputError, match="do not see"):
        judge_remeasure(0.0, 0.0)


def test_current_drop_is_a_difference_with_its_error() -> None:
    drop = current_drop(0.010, 0.008, 2e-5, 2e-5)
    assert drop.current_A == pytest.approx(0.002) and drop.fraction == pytest.approx(0.2)
    assert drop.interval_A[0] < 0.002 < drop.interval_A[1] and drop.p_value < 1e-6
    assert current_drop(0.010, 0.00999, 2e-5, 2e-5).p_value > 0.1
    # Half the voltage, half the current: nothing changed.
    assert current_drop(0.010, 0.005, 2e-5, 1e-5, voltage_ratio=0.5).p_value == pytest.approx(0.5)
