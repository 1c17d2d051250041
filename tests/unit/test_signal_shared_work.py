"""What the lock-in works out once and uses twice, against what it is when worked out for itself."""

from __future__ import annotations

import numpy as np
import pytest
from tests.physics.detection_tools import BOTH_MAINS, push_as_daemon

from earthward.emulated.pair_recording import PairScene, record
from earthward.record.reading import Reading
from earthward.signal import waveforms
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.mains import MainsTracker
from earthward.signal.solving import WindowSolver
from earthward.signal.types import PhaseReference

STEPS = PairScene(mains_V=BOTH_MAINS, step_V=3e-3, steps_per_s=0.5, transient_V=1e-3, transients_per_s=1.0)


def readings(scene: PairScene, hops: int) -> list[Reading]:
    detector = Detector(DetectorSettings(waveform=scene.waveform, frequency_Hz=scene.frequency_Hz))
    reference = PhaseReference(scene.start_s, scene.frequency_Hz, 0.1e-3)
    return push_as_daemon(detector, record(scene, 12.0, 3), reference, hops)[1]


@pytest.mark.parametrize("hops", [1, 2, 3])
@pytest.mark.parametrize("scene", [PairScene(mains_V=BOTH_MAINS), STEPS, PairScene(lost=0.1, mains_V=BOTH_MAINS)])
def test_undisturbed_windows_hand_on_what_each_solution_says(
    scene: PairScene, hops: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    shared, short = readings(scene, hops), []
    handed_on = WindowSolver.parameters

    def by_themselves(self: WindowSolver, solutions: list) -> tuple:
        if self._undisturbed is not None:
            short.append(len(self._undisturbed[0]) == len(solutions))
        self._undisturbed = None
        return handed_on(self, solutions)

    monkeypatch.setattr(WindowSolver, "parameters", by_themselves)
    alone = readings(scene, hops)
    assert sum(short) > 30, "nothing was shared: the comparison says nothing"
    assert len(shared) == len(alone) > 100
    for one, other in zip(shared, alone, strict=True):
        assert one.flags == other.flags and (one.value_V is None) == (other.value_V is None)
        if one.value_V is not None:
            assert one.value_V == other.value_V
            assert one.sigma_V == pytest.approx(other.sigma_V, rel=1e-9)


def test_power_of_mains_harmonics_is_that_of_each_by_itself() -> None:
    rng = np.random.default_rng(5)
    phase = np.cumsum(rng.uniform(0.3, 0.4, 430))
    rest = rng.normal(0, 1, 430)
    tracker = MainsTracker((50.0, 60.0))
    for family, count in ((0, 20), (1, 16)):
        power = tracker.harmonic_power(np.exp(1j * phase), rest, family)
        each = [abs(np.sum(rest * np.exp(-1j * k * phase))) ** 2 for k in range(1, count + 1)]
        assert power == pytest.approx(each, rel=1e-9)


def test_a_late_reference_takes_and_turns_what_the_waveform_says() -> None:
    """Correlation of the averaged waveform with itself and with its quadrature, moved by the delay."""
    phase = np.arange(20000) / 20000.0
    for name in ("square", "sine", "coded"):
        span, delay = 0.04, 0.006
        own = waveforms.averaged(name, phase, span)
        late, across = waveforms.averaged(name, phase - delay, span), waveforms.quadrature(name, phase, span)
        loss, turned = waveforms.delay_effect(name, delay, span)
        assert loss == pytest.approx(1.0 - late @ own / (own @ own), abs=2e-5)
        assert turned == pytest.approx(late @ across / (across @ across), abs=2e-4)
    assert waveforms.delay_effect("coded", 0.0, 0.04) == (0.0, 0.0)
