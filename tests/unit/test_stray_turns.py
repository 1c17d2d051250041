"""Three holds of the stray-voltage check, with fields and an electrode offset of known size."""

from __future__ import annotations

import pytest

from earthward.daemon.stray_turns import StrayTurns
from earthward.safety.stray import StrayMeasurement

WINDOW_S, SPACING_M = 2.0, 0.3


def measured(t_s: float, mains: float = 0.001) -> StrayMeasurement:
    return StrayMeasurement(t_s=t_s, mains_V_per_m=mains, dc_V_per_m=9.9, electrode_ac_V=0.0, electrode_dc_V=0.0)


def test_offset_and_field_are_told_apart() -> None:
    """A field of 0.05 V/m along and 0.02 V/m across, electrodes 40 mV off each other."""
    turns = StrayTurns()
    outcome = None
    for k, (dc_V, mains) in enumerate(((0.04 + 0.015, 0.001), (0.04 - 0.006, 0.004), (0.04 - 0.015, 0.002))):
        turns.press(10.0 * k)
        assert turns.take(measured(10.0 * k + 1.9), dc_V, WINDOW_S, SPACING_M) is None  # window began before the press
        assert turns.done == k and turns.holding
        outcome = turns.take(measured(10.0 * k + 2.1, mains), dc_V, WINDOW_S, SPACING_M)
        assert turns.done == k + 1 and not turns.holding
    assert outcome is not None
    assert outcome.dc_V_per_m == pytest.approx(0.05)
    assert outcome.mains_V_per_m == 0.004 and outcome.directions == 2


def test_a_hold_that_the_source_cut_short_counts_for_nothing() -> None:
    turns = StrayTurns()
    turns.press(0.0)
    turns.interrupted()
    assert turns.take(measured(5.0), 0.0, WINDOW_S, SPACING_M) is None and turns.done == 0
    turns.take(measured(9.0), 0.0, WINDOW_S, SPACING_M)
    assert turns.done == 0  # nobody has pressed
