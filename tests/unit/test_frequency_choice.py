"""What the daemon makes of samples with the source off: made even, a frequency chosen only when it is worth it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import default_rng

from earthward.daemon.frequency_choice import choose, evenly, seconds_needed
from earthward.signal.types import FloatArray, SampleBlock, SampleFlag

RATE_HZ, WINDOW_S = 860.0, 0.5


def block(v_V: FloatArray, keep: slice | None = None) -> SampleBlock:
    index = np.arange(v_V.size, dtype=np.int64)
    t = index / RATE_HZ
    if keep is not None:
        mask = np.ones(v_V.size, dtype=bool)
        mask[keep] = False
        index, t, v_V = index[mask], t[mask], v_V[mask]
    return SampleBlock(index, t, v_V, np.zeros(index.size, dtype=np.uint8), 0.256)


def quiet(seconds: float = 4.0) -> FloatArray:
    return default_rng(3).normal(0, 8e-6, int(seconds * RATE_HZ))


def with_tone(frequency_Hz: float, amplitude_V: float) -> FloatArray:
    v = quiet()
    return v + amplitude_V * np.sin(2 * np.pi * frequency_Hz * np.arange(v.size) / RATE_HZ)


def test_quiet_water_changes_nothing() -> None:
    choice = choose([block(quiet())], "coded", 36.0, WINDOW_S)
    assert choice is not None
    assert not choice.changed
    assert choice.frequency_Hz == 36.0
    assert "36.0 Hz stays" in choice.text


def test_a_pump_on_a_strong_line_moves_the_frequency_away() -> None:
    # A square of 36 Hz has all its strength at 36 Hz and odd multiples: a tone there spoils it.
    choice = choose([block(with_tone(36.3, 2e-3))], "square", 36.0, WINDOW_S)
    assert choice is not None
    assert choice.changed
    assert abs(choice.frequency_Hz - 36.3) > 1.0 / WINDOW_S
    assert "instead of 36.0 Hz" in choice.text
    assert "interference" in choice.text


def test_the_pair_that_fares_worst_decides() -> None:
    """The first pair hears nothing, the second a pump on a strong line of the waveform."""
    pump = block(with_tone(36.3, 2e-3))
    for blocks in ([block(quiet()), pump], [pump, block(quiet())]):
        choice = choose(blocks, "square", 36.0, WINDOW_S)
        assert choice is not None and choice.changed
        assert abs(choice.frequency_Hz - 36.3) > 1.0 / WINDOW_S


def test_a_tone_between_the_lines_changes_nothing() -> None:
    choice = choose([block(with_tone(54.0, 2e-3))], "square", 36.0, WINDOW_S)
    assert choice is not None
    assert not choice.changed


def test_few_holes_are_filled_many_are_refused() -> None:
    even = evenly(block(with_tone(50.0, 1e-3), keep=slice(1000, 1020)))
    assert even is not None
    assert even[1] == pytest.approx(RATE_HZ, rel=1e-6)
    assert even[0].size == quiet().size
    assert evenly(block(quiet(), keep=slice(1000, 1200))) is None


def test_clipped_or_short_says_nothing() -> None:
    clipped = block(quiet())
    clipped.flags[17] = SampleFlag.SATURATED
    assert choose([clipped], "coded", 36.0, WINDOW_S) is None
    assert choose([block(quiet(0.8 * seconds_needed(WINDOW_S)))], "coded", 36.0, WINDOW_S) is None


def test_only_what_follows_a_change_of_range_is_heard() -> None:
    changed = block(quiet())
    changed.flags[500] = SampleFlag.RANGE_CHANGED
    even = evenly(changed)
    assert even is not None
    assert even[0].size == quiet().size - 501
