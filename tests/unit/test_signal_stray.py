"""Stray mains and steady potential from one stretch with the source off; the band scan's choice."""

from __future__ import annotations

import numpy as np
import pytest

from earthward.errors import InputError
from earthward.signal.band_scan import CANDIDATES_HZ, scan_band
from earthward.signal.stray import StrayEstimate, estimate_stray
from earthward.signal.types import FloatArray, SampleBlock, SampleFlag

RATE = 885.8


def stretch(
    seconds: float, parts: list[tuple[float, float]], noise: float = 8e-6, dc: float = 0.0, seed: int = 1
) -> tuple[FloatArray, FloatArray]:
    """Times of conversion ends and volts: tones (Hz, peak volts) averaged over each conversion, noise, an offset."""
    rng = np.random.default_rng(seed)
    t = (1 + np.arange(int(seconds * RATE))) / RATE
    v = dc + noise * rng.standard_normal(t.size)
    for frequency, peak in parts:
        v = v + peak * np.sinc(frequency / RATE) * np.cos(2 * np.pi * frequency * (t - 0.5 / RATE) + rng.uniform(0, 6))
    return t, v


def estimate(t: FloatArray, v: FloatArray, flags: int = 0) -> StrayEstimate:
    block = SampleBlock(np.arange(t.size), t, v, np.full(t.size, flags, np.uint8), 0.256)
    return estimate_stray(t, block, conversion_s=1 / RATE)


def test_mains_of_both_supplies_and_the_steady_part() -> None:
    t, v = stretch(2.0, [(50.03, 20e-3), (59.9, 5e-3), (150.09, 4e-3)], dc=-30e-3)
    found = estimate(t, v)
    assert found.usable and not found.saturated
    # Root mean square of a peak amplitude is a half root of two of it; harmonics add in power.
    assert found.mains_V[0] == pytest.approx(np.hypot(20e-3, 4e-3) / np.sqrt(2), rel=0.005)
    assert found.mains_V[1] == pytest.approx(5e-3 / np.sqrt(2), rel=0.02)
    assert found.dc_V == pytest.approx(-30e-3, abs=1e-5)
    first_V, second_V = found.mains_V
    assert found.worst_mains_V == pytest.approx(np.hypot(first_V, second_V))


def test_nothing_there_is_said_with_its_uncertainty() -> None:
    t, v = stretch(2.0, [])
    found = estimate(t, v)
    assert found.usable
    assert found.worst_mains_V < 5e-6
    assert all(0 < s < 5e-6 for s in found.mains_sigma_V)
    assert abs(found.dc_V) < 5 * found.dc_sigma_V + 1e-6


def test_too_short_or_spoilt_is_not_usable() -> None:
    t, v = stretch(0.1, [(50.0, 20e-3)])
    assert not estimate(t, v).usable
    t, v = stretch(2.0, [(50.0, 20e-3)])
    spoilt = estimate(t, v, SampleFlag.SATURATED)
    assert not spoilt.usable and spoilt.saturated


def test_saturated_samples_are_left_out_and_told() -> None:
    t, v = stretch(2.0, [(50.0, 20e-3)])
    flags = np.zeros(t.size, np.uint8)
    flags[500:600] = SampleFlag.SATURATED
    v[500:600] = 0.256
    found = estimate_stray(t, SampleBlock(np.arange(t.size), t, v, flags, 0.256), conversion_s=1 / RATE)
    assert found.usable and found.saturated
    assert found.mains_V[0] == pytest.approx(20e-3 / np.sqrt(2), rel=0.01)


def test_the_scan_keeps_away_from_a_line_and_says_why() -> None:
    # An interference line on the second code line of 35.5 Hz.
    _, v = stretch(16.0, [(71.0, 200e-6)])
    scan = scan_band(v, RATE)
    spoilt = next(c for c in scan.ranking if c.frequency_Hz == 35.5)
    assert spoilt.rejected
    assert "71.0 Hz" in spoilt.why and "interference" in spoilt.why
    assert not scan.best.rejected
    assert min(abs(k * scan.best.frequency_Hz - 71.0) for k in (1, 2, 3)) > 2.0
    assert len(scan.ranking) == len(CANDIDATES_HZ)
    assert scan.lines[0][0] == pytest.approx(71.0, abs=0.1)
    assert scan.lines[0][1] == pytest.approx(200e-6, rel=0.1)


def test_the_scan_sees_aliases_where_they_fall() -> None:
    # 19 x 50 Hz is beyond half the sample rate and folds to 64.2 Hz.
    _, v = stretch(16.0, [(950.0, 3e-3)])
    scan = scan_band(v, RATE)
    assert scan.lines[0][0] == pytest.approx(950.0 - RATE, abs=0.1)


def test_predicted_sigma_is_the_readings_sigma_in_white_noise() -> None:
    """1 / sqrt(2 T sum 2 |c_k|^2 / S) is sigma / sqrt(N mean square) when S = 2 sigma^2 / rate (matched filter)."""
    _, v = stretch(30.0, [])
    scan = scan_band(v, RATE, candidates_Hz=(35.0,))
    assert scan.best.predicted_sigma_V == pytest.approx(8e-6 / np.sqrt(0.5 * RATE * 0.93), rel=0.08)


def test_too_little_for_a_band_scan() -> None:
    with pytest.raises(InputError, match="band scan needs at least"):
        scan_band(np.zeros(100), RATE)
