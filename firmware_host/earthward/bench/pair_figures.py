"""Figures of a pair in a jar, from the steps of its recording: what a person would read off the curves, as numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import welch

from earthward.bench import allan
from earthward.bench.driven import Driven, fit_driven
from earthward.bench.stretches import Drive, Steps
from earthward.errors import InputError
from earthward.kit import calibrating
from earthward.kit.calibrating import Known
from earthward.signal.electrodes import ElectrodeFigures, electrode_figures
from earthward.signal.types import FloatArray, SampleBlock

#: The Allan deviation is judged here: about so long lies between two readings of one station.
TAU_S = 8.0
#: ... and impedance and match at the drive nearest to the default repetition frequency.
WORKING_HZ = 36.0
HIGHEST_FOR_LAYER_HZ = 45.0
PIECE_S = 0.1
#: a jump of a mean over `PIECE_S` that no electrode makes by itself, and how many scatters it must be
STEP_V, STEP_SCATTERS = 150e-6, 10.0
#: after a knock the level has come back to within this, or so many scatters
BACK_V, BACK_SCATTERS = 200e-6, 6.0


@dataclass(frozen=True, slots=True)
class Impedance:
    """Of one electrode against the ring at one frequency."""

    frequency_Hz: float
    ohm: complex
    sigma_ohm: float


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Noise densities, V/sqrt(Hz); the floor is the same converter with its inputs joined (nan: not recorded)."""

    frequency_Hz: FloatArray
    pair_V: FloatArray
    floor_V: FloatArray


@dataclass(frozen=True, slots=True)
class PairFigures:
    """Values by name of their band, and the curves behind them."""

    values: dict[str, float | None]
    quiet: ElectrodeFigures | None = None
    drift: allan.AllanCurve | None = None
    spectrum: Spectrum | None = None
    impedance: dict[str, list[Impedance]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


def pair_figures(steps: Steps, mains_Hz: tuple[float, ...] = (50.0, 60.0)) -> PairFigures:
    """Whatever the steps allow; a value whose step is missing is None. InputError if there is no step at all."""
    if not (steps.quiet or steps.drives or steps.joined):
        raise InputError("the recording has no quiet stretch and no drive: nothing can be said of the pair")
    values: dict[str, float | None] = {}
    remarks: list[str] = []
    quiet = max(steps.quiet, key=len) if steps.quiet else None
    joined = max(steps.joined, key=len) if steps.joined else None
    figures, curve = (None, None) if quiet is None else _quiet(quiet, mains_Hz, values, remarks)
    if joined is not None:
        values["zero_V"] = float(np.mean(joined.v_V))
        floor = _white(joined)
        values["floor_V"] = floor
        if figures is not None:
            values["noise_ratio"] = figures.noise_V / max(floor, 1e-12)
    if steps.divider and joined is not None:
        applied = steps.divider[0][1]
        zero = calibrating.zero(np.asarray(joined.v_V), 0.0)
        gain = calibrating.gain(np.asarray(steps.divider[0][0].v_V), zero, Known(applied, 1e-3 * abs(applied)), 0.0)
        values["gain_ratio"] = gain.value
    if steps.knock:
        values["settle_s"] = settling_s(steps.knock[0])
    impedance = _impedances(steps.drives, mains_Hz)
    values |= _of_impedance(impedance)
    spectrum = None if quiet is None else _spectrum(quiet, joined)
    return PairFigures(values, figures, curve, spectrum, impedance, tuple(remarks))


# ---- source off ----------------------------------------------------------------------------------------------------


def _quiet(
    block: SampleBlock, mains_Hz: tuple[float, ...], values: dict[str, float | None], remarks: list[str]
) -> tuple[ElectrodeFigures, allan.AllanCurve | None]:
    figures = electrode_figures(block, mains_Hz)
    values["offset_V"] = abs(figures.offset_V)
    values["drift_V_per_min"] = abs(figures.drift_V_per_min)
    values["mains_V"] = figures.mains_V
    values["steps_per_min"] = 60.0 * steps_in(block) / figures.duration_s
    curve = None
    if not allan.available():
        remarks.append("no Allan deviation: pip install 'earthward[bench]'")
    elif figures.duration_s >= 3.0 * TAU_S:
        curve = allan.allan_curve(means(block, 1.0))
        values["allan_V"] = curve.at(TAU_S)
    return figures, curve


def means(block: SampleBlock, interval_s: float) -> FloatArray:
    """Means over successive intervals; an interval without samples takes its neighbours' mean."""
    number = np.floor((block.t_s - block.t_s[0]) / interval_s).astype(int)
    whole = number < number[-1]
    count = np.bincount(number[whole])
    total = np.bincount(number[whole], np.asarray(block.v_V)[whole])
    there = np.flatnonzero(count)
    return np.asarray(np.interp(np.arange(len(count)), there, total[there] / count[there]))


def _scatter(values: FloatArray) -> float:
    """Standard deviation by the middle of the absolute values, which jumps do not raise."""
    return float(np.median(np.abs(values - np.median(values)))) / 0.6745


def steps_in(block: SampleBlock) -> int:
    """Jumps of the level. A drift has none, however steep: its rises are alike."""
    level = means(block, PIECE_S)
    rise = level[2:] - level[:-2]  # over two pieces, so that one in which the jump falls does not halve it
    rise = rise - np.median(rise)
    jumped = np.abs(rise) > max(STEP_V, STEP_SCATTERS * _scatter(rise))
    return int(np.count_nonzero(jumped[1:] & ~jumped[:-1]) + int(jumped[0])) if rise.size else 0


def settling_s(block: SampleBlock) -> float:
    """From the knock (the stretch's begin) until the level stays near its last fifth."""
    level = means(block, PIECE_S)
    tail = level[-max(3, len(level) // 5) :]
    near = max(BACK_V, BACK_SCATTERS * _scatter(np.diff(tail)))
    away = np.flatnonzero(np.abs(level - float(np.median(tail))) > near)
    return PIECE_S * float(away[-1] + 1) if away.size else 0.0


def _white(block: SampleBlock) -> float:
    """Noise of one conversion: rms of what differs from one to the next."""
    return _scatter(np.diff(np.asarray(block.v_V, dtype=float))) / math.sqrt(2.0)


def _spectrum(quiet: SampleBlock, joined: SampleBlock | None) -> Spectrum:
    rate = (len(quiet) - 1) / float(quiet.t_s[-1] - quiet.t_s[0])

    def density(block: SampleBlock) -> tuple[FloatArray, FloatArray]:
        size = min(1024, len(block))
        at, power = welch(np.asarray(block.v_V, dtype=float), rate, nperseg=size)
        return at[1:], np.sqrt(power[1:])

    at, pair = density(quiet)
    if joined is None or len(joined) < 1024:
        return Spectrum(at, pair, np.full_like(pair, math.nan))
    return Spectrum(at, pair, density(joined)[1])


# ---- source on -----------------------------------------------------------------------------------------------------


def _impedances(drives: list[Drive], mains_Hz: tuple[float, ...]) -> dict[str, list[Impedance]]:
    """By electrode: A drives the front one, B the back one, each through its resistor, the ring takes it back."""
    found: dict[str, list[Impedance]] = {}
    for drive in drives:
        value = fit_driven(drive.block, drive.reference, drive.waveform, mains_Hz)
        current = _current_A(drive, value)
        # The front electrode's voltage lowers V_back - V_front.
        ohm = (-1.0 if drive.electrode == "A" else 1.0) * value.complex_V / current
        one = Impedance(drive.reference.frequency_Hz, ohm, value.sigma_V / abs(current))
        found.setdefault(drive.electrode, []).append(one)
    for several in found.values():
        several.sort(key=lambda one: one.frequency_Hz)
    return found


def _current_A(drive: Drive, value: Driven) -> complex:
    """By the known resistor and the voltage that the board told: finer than its current sense at a tenth of a
    milliampere. Without a resistor the board's current must do."""
    if drive.series_ohm is not None and drive.volts is not None:
        return (drive.volts - abs(value.complex_V)) / drive.series_ohm + 0j
    if not drive.current_A:
        raise InputError("neither resistor and output voltage nor the current of a drive is known")
    return drive.current_A + 0j


def _of_impedance(found: dict[str, list[Impedance]]) -> dict[str, float | None]:
    values: dict[str, float | None] = {}
    names = {"A": "front", "B": "back"}
    near: dict[str, Impedance] = {}
    for electrode, several in found.items():
        if electrode not in names:
            continue
        near[electrode] = min(several, key=lambda one: abs(one.frequency_Hz - WORKING_HZ))
        values[f"{names[electrode]}_ohm"] = abs(near[electrode].ohm)
        # What lags is the double layer; beside its transfer resistance it looks larger than it is, least where that
        # matters least. At higher frequencies the stamps' latency would look like a capacity.
        slow = [one for one in several if one.frequency_Hz < HIGHEST_FOR_LAYER_HZ] or several[:1]
        values[f"{names[electrode]}_F"] = min(
            1.0 / (2 * math.pi * one.frequency_Hz * max(-one.ohm.imag, 1e-3)) for one in slow
        )
    if near:
        # By phase as well: where capacity rules, the real part is small but its sign still stands.
        values["polarity"] = 1.0 if all((one.ohm * _lead(one)).real > 0 for one in near.values()) else -1.0
    if len(near) == 2:
        a, b = abs(near["A"].ohm), abs(near["B"].ohm)
        values["match"] = abs(a - b) / (0.5 * (a + b))
    return values


def _lead(one: Impedance) -> complex:
    """An eighth of a period: an electrode lies between a resistance (0) and a capacity (-90 degrees)."""
    return complex(math.cos(math.pi / 4), math.sin(math.pi / 4))
