"""Sensitivity test: verdicts and when it is wanted again. (Re-measurement: test_survey_compare.py.)"""

from __future__ import annotations

import pytest

from earthward.errors import InputError
from earthward.record.reading import KeptReading, TestLeakState
from earthward.survey.sensitivity import judge_sensitivity, sensitivity_wanted


def at_leak(value_V: float, sigma_V: float, state: TestLeakState) -> KeptReading:
    return KeptReading(
        front_m=(1.15, 1.0, 0.5), back_m=(0.85, 1.0, 0.5), value_V=value_V, sigma_V=sigma_V, purpose="test leak",
        test_leak=state,
    )  # fmt: skip


def readings(signal: float, sigma: float = 1e-6, background: float = 5e-6, jitter: float = 0.0) -> list[KeptReading]:
    return [
        at_leak(background, sigma, "disconnected"),
        at_leak(background + signal, sigma, "connected"),
        at_leak(background + jitter, sigma, "disconnected"),
    ]


def test_ratio_is_signal_over_the_band_of_the_background() -> None:
    result = judge_sensitivity(readings(20e-6), 0.5)
    assert result.ratio == pytest.approx(20 / 1.96)
    assert result.ok and "counts" in result.text
    # the square law: at the reach the ratio is just 3
    assert (0.5 / result.reach_m) ** 2 * result.ratio == pytest.approx(3.0)
    assert judge_sensitivity(readings(1.0), 0.5).reach_m == 1.5


def test_needs_three_times_the_background() -> None:
    assert judge_sensitivity(readings(3.01 * 1.96e-6), 0.5).ok
    weak = judge_sensitivity(readings(2.99 * 1.96e-6), 0.5)
    assert not weak.ok and "repeat" in weak.text
    # scatter beyond the stated sigma counts as noise
    assert not judge_sensitivity(readings(20e-6, jitter=8e-6), 0.5).ok
    # a reversed leak is as visible
    assert judge_sensitivity(readings(-20e-6), 0.5).ok


def test_what_a_sensitivity_test_needs() -> None:
    with pytest.raises(InputError, match="two disconnected"):
        judge_sensitivity(readings(1e-5)[:2], 0.5)
    with pytest.raises(InputError, match="tape"):
        judge_sensitivity(readings(1e-5), 0.0)


def test_when_a_sensitivity_test_is_wanted_again() -> None:
    settings = {"spacing_m": 0.3, "waveform": "coded", "frequency_Hz": 35.1, "current_limit_A": 0.010}
    assert sensitivity_wanted(settings, None, False, None) == "the test leak has not been read yet"
    assert "not seen" in str(sensitivity_wanted(settings, settings, False, 60))
    assert sensitivity_wanted(settings, settings, True, 60) is None
    assert sensitivity_wanted({**settings, "frequency_Hz": 35.2}, settings, True, 60) is None  # same within 2 %
    assert "spacing_m" in str(sensitivity_wanted({**settings, "spacing_m": 0.15}, settings, True, 60))
    assert "waveform" in str(sensitivity_wanted({**settings, "waveform": "sine"}, settings, True, 60))
    assert "once a day" in str(sensitivity_wanted(settings, settings, True, 20 * 3600))
    assert sensitivity_wanted({**settings, "colour": "red"}, settings, True, 60) is None
