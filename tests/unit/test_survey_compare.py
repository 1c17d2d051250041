"""Before and after a patch or a cover: verdicts and error rates."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.errors import InputError
from earthward.survey.compare import StationPair, current_drop, judge_remeasure

SHARE = 0.1


def stations(left: float, rng: np.random.Generator, n: int = 8, noise: float = 5e-4) -> list[StationPair]:
    """Stations round a sink that takes a tenth of the current; fittings take the rest; the pole is never held twice
    the same way."""
    out = []
    for _ in range(n):
        sink = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.4))
        rest = float(rng.normal(0, 0.03))

        before, after = (
            float(((1 - s) * rest + s * sink) * rng.normal(1, 0.08) + rng.normal(0, noise))
            for s in (SHARE, SHARE * left)
        )
        out.append(StationPair(before, noise, after, noise, sink * float(rng.normal(1, 0.05))))
    return out


def test_gone_still_there_and_smaller() -> None:
    rng = np.random.default_rng(5)
    outcomes = {
        left: [judge_remeasure(stations(left, rng), SHARE).outcome for _ in range(300)] for left in (0.0, 0.5, 1.0)
    }
    assert outcomes[0.0].count("gone") > 0.75 * 300 and outcomes[0.0].count("still there") == 0
    assert outcomes[1.0].count("still there") > 0.75 * 300 and outcomes[1.0].count("gone") == 0
    assert outcomes[0.5].count("smaller") > 0.6 * 300 and outcomes[0.5].count("gone") <= 1


def test_interval_of_what_is_left_holds_the_truth() -> None:
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(500):
        left = float(rng.uniform(0, 1))
        low, high = judge_remeasure(stations(left, rng), SHARE).left_interval
        held += low <= left <= high
    assert held / 500 > 0.92


def test_exact_readings_give_exactly_what_is_left() -> None:
    for left in (0.0, 0.3, 1.0):
        pairs = []
        for sink, rest in ((0.3, 0.02), (-0.2, 0.05), (0.1, -0.04)):
            s = SHARE * left
            before, after = (1 - SHARE) * rest + SHARE * sink, (1 - s) * rest + s * sink
            pairs.append(StationPair(before, 1e-6, after, 1e-6, sink))
        assert judge_remeasure(pairs, SHARE, pose_share=0.0).left == pytest.approx(left, abs=1e-9)


def test_far_stations_cannot_tell() -> None:
    pair = StationPair(1e-3, 5e-4, 1e-3, 5e-4, 4e-3)
    assert judge_remeasure([pair], SHARE).outcome == "cannot tell"
    with pytest.raises(InputError, match="do not see"):
        judge_remeasure([StationPair(1e-3, 1e-4, 1e-3, 1e-4, 1e-3)], SHARE)
    with pytest.raises(InputError, match="nothing to compare"):
        judge_remeasure([], SHARE)
    with pytest.raises(InputError, match="between 0 and 1"):
        judge_remeasure([pair], 1.5)


def test_current_drop_is_a_difference_with_its_error() -> None:
    drop = current_drop(0.010, 0.008, 2e-5, 2e-5)
    assert drop.current_A == pytest.approx(0.002) and drop.fraction == pytest.approx(0.2)
    assert drop.interval_A[0] < 0.002 < drop.interval_A[1] and drop.p_value < 1e-6
    assert current_drop(0.010, 0.00999, 2e-5, 2e-5).p_value > 0.1
    # Half the voltage, half the current: nothing changed.
    assert current_drop(0.010, 0.005, 2e-5, 1e-5, voltage_ratio=0.5).p_value == pytest.approx(0.5)
