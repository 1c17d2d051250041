"""Before and after a patch or a cover."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earthward.survey.compare import current_drop, sink_gone
from earthward.survey.types import KeptReading


def readings(
    strength: float, rng: np.random.Generator, background: float = 2e-4
) -> tuple[list[KeptReading], list[float]]:
    rows, signature = [], []
    for k in range(8):
        s = 3e-4 / (1 + k)
        spread = 0.05 * (s * strength + background)
        value = background + s * strength + rng.normal(0, spread) + rng.normal(0, 1e-6)
        rows.append(KeptReading((k, 1.0, 0.5), (k + 0.3, 1.0, 0.5), value, 1e-6, row=k))
        signature.append(s)
    return rows, signature


def test_gone_weaker_and_still_there() -> None:
    rng = np.random.default_rng(3)
    before, signature = readings(1.0, rng)
    assert "gone" in sink_gone(before, readings(0.0, rng)[0], signature).text
    weaker = sink_gone(
        before,
        readings(
            0.45,
            rng,
        )[0],
        signature,
        repeat_error=0.07,
    )
    assert "weaker" in weaker.text and 0.2 < weaker.remaining < 0.7
    assert "still there" in sink_gone(before, readings(1.0, rng)[0], signature).text


def test_p_values_are_honest_when_nothing_changed() -> None:
    """Under "unchanged" with the stated repeat error the p value is uniform or larger: few small ones."""
    small = 0
    for seed in range(300):
        rng = np.random.default_rng(seed)
        before, signature = readings(1.0, rng)
        after = readings(1.0, rng)[0]
        small += sink_gone(before, after, signature, repeat_error=0.08).p_unchanged < 0.05
    assert small <= 0.09 * 300


def test_readings_must_pair_up() -> None:
    before, signature = readings(1.0, np.random.default_rng(0))
    moved = [replace(r, front_m=(r.front_m[0], 3.0, 0.5), back_m=(r.back_m[0], 3.0, 0.5)) for r in before]
    with pytest.raises(ValueError, match="no reading"):
        sink_gone(before, moved, signature)


def test_current_drop_is_a_difference_with_its_error() -> None:
    drop = current_drop(0.010, 0.008, 2e-5, 2e-5)
    assert drop.current_A == pytest.approx(0.002) and drop.fraction == pytest.approx(0.2)
    assert drop.interval_A[0] < 0.002 < drop.interval_A[1] and drop.p_value < 1e-6
    assert current_drop(0.010, 0.00999, 2e-5, 2e-5).p_value > 0.1
    # Half the voltage, half the current: nothing changed.
    assert current_drop(0.010, 0.005, 2e-5, 1e-5, voltage_ratio=0.5).p_value == pytest.approx(0.5)
