"""Test-leak proof and re-measurement: their verdicts and error rates."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.errors import InputError
from earthward.service.proof import (
    ProofReading,
    StationPair,
    judge_proof,
    judge_remeasure,
    proof_wanted,
)


def readings(signal: float, sigma: float = 1e-6, background: float = 5e-6, jitter: float = 0.0) -> list[ProofReading]:
    return [
        ProofReading(background, sigma, False),
        ProofReading(background + signal, sigma, True),
        ProofReading(background + jitter, sigma, False),
    ]


def test_ratio_is_signal_over_the_band_of_the_background() -> None:
    result = judge_proof(readings(20e-6), 0.5)
    assert result.ratio == pytest.approx(20 / 1.96)
    assert result.ok and "counts" in result.text
    # the square law: at the reach the ratio is just 3
    assert (0.5 / result.reach_m) ** 2 * result.ratio == pytest.approx(3.0)
    assert judge_proof(readings(1.0), 0.5).reach_m == 1.5


def test_needs_three_times_the_background() -> None:
    assert judge_proof(readings(3.01 * 1.96e-6), 0.5).ok
    weak = judge_proof(readings(2.99 * 1.96e-6), 0.5)
    assert not weak.ok and "repeat" in weak.text
    # scatter beyond the stated sigma counts as noise
    assert not judge_proof(readings(20e-6, jitter=8e-6), 0.5).ok
    # a reversed leak is as visible
    assert judge_proof(readings(-20e-6), 0.5).ok


def test_what_a_proof_needs() -> None:
    with pytest.raises(InputError, match="two disconnected"):
        judge_proof(readings(1e-5)[:2], 0.5)
    with pytest.raises(InputError, match="tape"):
        judge_proof(readings(1e-5), 0.0)


def test_when_a_proof_is_wanted_again() -> None:
    settings = {"spacing_m": 0.3, "waveform": "coded", "frequency_Hz": 35.1, "current_limit_A": 0.010}
    assert proof_wanted(settings, None, False, None) == "the test leak has not been read yet"
    assert "not seen" in str(proof_wanted(settings, settings, False, 60))
    assert proof_wanted(settings, settings, True, 60) is None
    assert proof_wanted({**settings, "frequency_Hz": 35.2}, settings, True, 60) is None  # same within 2 %
    assert "spacing_m" in str(proof_wanted({**settings, "spacing_m": 0.15}, settings, True, 60))
    assert "waveform" in str(proof_wanted({**settings, "waveform": "sine"}, settings, True, 60))
    assert "once a day" in str(proof_wanted(settings, settings, True, 20 * 3600))
    assert proof_wanted({**settings, "colour": "red"}, settings, True, 60) is None


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
