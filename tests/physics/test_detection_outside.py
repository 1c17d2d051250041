"""Facts from outside that the detector relies on: tapers, filters, quantisation, the converter's data sheet."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from scipy.integrate import quad

from earthward.devices.ads1115 import FULL_SCALE_V
from earthward.emulated import ads1115
from earthward.emulated.pair_recording import PairScene, record
from earthward.record.waveform import WAVEFORMS
from earthward.signal import waveforms
from earthward.signal.band_scan import scan_band
from earthward.signal.detector import Detector, DetectorSettings, quantisation_sigma
from earthward.signal.equations import WindowEquations, spline_products
from earthward.signal.hops import HopStore, Layout
from earthward.signal.mains import MainsTracker, hann_response
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import PhaseReference, SampleBlock
from earthward.signal.whitening import Colour


def noise_bandwidth_bins(window: str, n: int = 4096) -> float:
    w = scipy.signal.get_window(window, n)
    return float(n * np.sum(w**2) / np.sum(w) ** 2)


@pytest.mark.parametrize(("window", "bins"), [("boxcar", 1.00), ("hann", 1.50), ("hamming", 1.36), ("blackman", 1.73)])
def test_noise_bandwidths_of_tapers(window: str, bins: float) -> None:
    """Harris, On the Use of Windows for Harmonic Analysis with the DFT (1978), table 1 (from memory); scipy.signal."""
    assert noise_bandwidth_bins(window) == pytest.approx(bins, abs=0.006)


def test_the_mains_tapers_noise_is_that_of_a_hann_window() -> None:
    """Amplitude of a line under a Hann taper: variance 4 x 1.5 / (2 n) noise^2 per component (Harris: 1.50 bins)."""
    tracker = MainsTracker((50.0,))
    table = tracker.taper_table(4, 44, 1 / 880.0)  # (slots, hops * 2)
    gain = (table.reshape(44, 4, 2) ** 2).sum(axis=(0, 1))
    assert gain == pytest.approx(2 * 1.5 / 176, rel=0.01)


def test_hann_response_is_the_transform_of_the_window() -> None:
    n = 8192
    w = scipy.signal.get_window("hann", n)
    t = np.arange(n) - n / 2
    for bins in (0.0, 0.1, 0.3, 1.0, 1.9, 2.04, 3.5):
        direct = float(np.real(np.sum(w * np.exp(-2j * np.pi * bins * t / n))) / w.sum())
        assert hann_response(bins) == pytest.approx(direct, abs=2e-4)


@pytest.mark.parametrize(("poles", "share"), [(1, 1 / 4), (2, 1 / 8), (3, 3 / 32), (4, 5 / 64)])
def test_noise_bandwidth_of_identical_poles(poles: int, share: float) -> None:
    """Of n equal RC stages: 1/(4 tau), 1/(8 tau), 3/(32 tau), 5/(64 tau); integrated here with scipy."""
    area, _ = quad(lambda f: (1 + (2 * np.pi * f) ** 2) ** -poles, 0, np.inf)
    assert area == pytest.approx(share, rel=1e-6)


def test_listening_scan_tells_the_density_of_white_noise() -> None:
    """One-sided density of white noise: 2 sigma^2 / rate."""
    rng = np.random.default_rng(1)
    scan = scan_band(8e-6 * rng.standard_normal(16000), 885.8)
    middle = scan.density_V2_per_Hz[20:-20]
    assert middle.mean() == pytest.approx(2 * 8e-6**2 / 885.8, rel=0.03)


def test_spectra_and_mean_squares_of_the_waveforms() -> None:
    """Square: 4/(pi k) for odd k (Fourier); power of the code's ten chips; both through the averaging of a sample."""
    c = np.abs(waveforms.line_spectrum("square", 5)) * 2
    assert c == pytest.approx([4 / np.pi, 0, 4 / (3 * np.pi), 0, 4 / (5 * np.pi)], abs=1e-12)
    for name in WAVEFORMS:
        phase = (np.arange(20000) + 0.5) / 20000
        v = waveforms.averaged(name, phase, 0.04)
        q = waveforms.quadrature(name, phase, 0.04)
        assert float(np.mean(v**2)) == pytest.approx(waveforms.mean_square(name, 0.04), rel=2e-3)
        assert abs(float(np.mean(v * q))) < 1e-3
        assert abs(float(np.mean(v))) < 1e-6


def test_no_rotation_of_the_code_is_near_its_negative() -> None:
    chips = np.array(WAVEFORMS["coded"].levels)
    assert min(int(chips @ np.roll(chips, shift)) for shift in range(10)) == -2
    assert waveforms.polarity_margin("coded") == pytest.approx(0.2)
    assert waveforms.polarity_margin("square") == pytest.approx(1.0)
    levels = WAVEFORMS["coded"].levels
    assert levels is not None
    assert sum(levels) == 0


def test_quantisation_of_a_quiet_square() -> None:
    """Against rounding itself, averaged over all offsets: root mean square error of the value."""
    rng = np.random.default_rng(3)
    for noise in (0.02, 0.15, 0.3):
        errors = []
        for _ in range(3000):
            offset, amplitude = rng.uniform(0, 1), rng.uniform(0.2, 3.0)
            fine = np.linspace(-4 * noise, 4 * noise, 81)
            weight = np.exp(-0.5 * (fine / noise) ** 2)
            weight /= weight.sum()
            up, down = (float(weight @ np.round(offset + s * amplitude + fine)) for s in (1, -1))
            errors.append(0.5 * (up - down) - amplitude)
        measured = float(np.sqrt(np.mean(np.square(errors))))
        said = quantisation_sigma(float(np.hypot(noise, 1 / np.sqrt(12))), 0.0, 1.0)
        assert 0.7 * measured < said < 1.4 * measured + 1e-4


def test_window_equations_are_the_sum_over_samples() -> None:
    """The fast sums against the plain thing: every window's columns written out in full."""
    rng = np.random.default_rng(4)
    layout, hops, slots = Layout(8, 2), 6, 12
    equations = WindowEquations(layout, hops)
    store = HopStore(16, slots, 2, 2)
    s = (np.arange(slots, dtype=np.float64) - 0.5 * (slots - 1)) / (0.5 * slots)
    store.lay_out(layout, s ** np.arange(4)[:, None])
    x = store.columns
    x[:, : layout.turn] = rng.standard_normal((16, layout.turn, slots))
    x[:, layout.turn : layout.bend] = rng.standard_normal((16, 2, slots))
    x[:, layout.bend : layout.poly] = x[:, layout.turn : layout.bend] * s
    store.products[:] = np.matmul(x, x.transpose(0, 2, 1))
    store.spline_rows[:] = spline_products(store.products, layout.poly)
    fast = equations.normal(store, 8, 12)
    for i, last in enumerate(range(8, 12)):
        part = x[last - hops + 1 : last + 1]
        full = np.einsum("phc,hcs->hps", equations.spread, part)
        plain = np.einsum("hps,hqs->pq", full, full)
        assert np.allclose(fast[i], plain, rtol=1e-9, atol=1e-9)
        assert np.allclose(equations.normal(store, last, last + 1)[0], plain, rtol=1e-9, atol=1e-9)


def test_whitening_of_a_known_colour() -> None:
    """An AR(1) process of 0.6 (Yule-Walker): first coefficient 0.6, the others nothing."""
    rng = np.random.default_rng(5)
    e = scipy.signal.lfilter([1.0], [1.0, -0.6], rng.standard_normal(20000))
    colour = Colour()
    assert colour.add_window(e, np.ones(e.size, dtype=bool), np.zeros(5), float(e.std()))
    assert colour.whitener().coefficients[-1] == pytest.approx([0.6, 0, 0, 0], abs=0.03)


@pytest.mark.parametrize("lost", [0.0, 0.1])
def test_numbering_of_late_stamps(lost: float) -> None:
    """200 us of jitter, stalls of some conversions, losses: every conversion gets its number."""
    rng = np.random.default_rng(6)
    n = 20000
    end = (1 + np.arange(n)) / 885.8
    t = end + np.abs(rng.normal(0, 200e-6, n))
    for at in rng.integers(0, n, 60):
        over = end[at] + rng.exponential(4e-3)
        bunch = (end >= end[at]) & (end < over)
        t[bunch] = over + 1e-5 * np.arange(np.count_nonzero(bunch))
    t = np.maximum.accumulate(t)
    keep = rng.random(n) >= lost
    index, period = index_from_stamps(t[keep])
    true = np.flatnonzero(keep)
    assert period == pytest.approx(1 / 885.8, rel=1e-4)
    wrong = np.count_nonzero(index - index[-1] != true - true[-1])
    assert wrong <= (0 if lost == 0 else 0.01 * true.size)


# Texas Instruments SBAS444 (ADS111x data sheet).
RATES_HZ = (8, 16, 32, 64, 128, 250, 475, 860)
STEPS_V = {6.144: 187.5e-6, 4.096: 125e-6, 2.048: 62.5e-6, 1.024: 31.25e-6, 0.512: 15.625e-6, 0.256: 7.8125e-6}


def test_the_converters_facts() -> None:
    """Rates, steps, and input resistance by range: what the driver, the emulation and the detector's floor assume."""
    assert ads1115.RATES_ADS1115 == RATES_HZ
    assert sorted(FULL_SCALE_V.values()) == sorted(STEPS_V)
    for full_scale, step in STEPS_V.items():
        assert full_scale / 32768 == pytest.approx(step, rel=1e-12)
    assert ads1115.INPUT_OHM[:6] == (22e6, 15e6, 4.9e6, 2.4e6, 710e3, 710e3)
    # Loading: 10 kohm in series with 710 kohm (differential, the two highest gains) costs 1.39 %.
    assert 10e3 / (ads1115.INPUT_OHM[5] + 10e3) == pytest.approx(0.0139, abs=5e-5)


def test_a_quiet_converter_is_never_believed_to_be_finer_than_its_step() -> None:
    """Noise of the converter is about one step at +-0.256 V (from memory): floor 0.29 step, uniform error's sigma."""
    step = STEPS_V[0.256]
    scene = PairScene(noise_V=1e-9, amplitude_V=40e-6, step_of_converter_V=step)
    detector = Detector(DetectorSettings(frequency_Hz=scene.frequency_Hz))
    recording = record(scene, 4, 1)
    index, _ = index_from_stamps(recording.t_s)
    block = SampleBlock(index, recording.t_s, recording.v_V, np.zeros(index.size, np.uint8), 0.256)
    detector.push(block, PhaseReference(scene.start_s, scene.frequency_Hz))
    assert detector.noise_V is not None
    assert detector.noise_V >= 0.28 * step
