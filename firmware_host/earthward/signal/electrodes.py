"""What a pair of electrodes does by itself: offset, drift, noise, pick-up, from samples with the source off.

For the bench: electrodes in a glass of salted water, or the front end with its input shorted. Limits are this project's
own choice, from what the converter's smallest range and the lock-in need.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earthward.errors import InputError
from earthward.signal.band_scan import scan_band
from earthward.signal.stray import estimate_stray
from earthward.signal.types import FloatArray, SampleBlock, SampleFlag

#: shortest recording that says something about drift
SHORTEST_S = 4.0
#: supplies are measured in pieces of this length
PIECE_S = 4.0
#: (good, usable) for each quantity; worse than usable is poor
OFFSET_V = (0.02, 0.15)
DRIFT_V_PER_MIN = (1e-3, 1e-2)
READING_V = (1e-6, 5e-6)


@dataclass(frozen=True, slots=True)
class ElectrodeFigures:
    """Volts at the pair.

    offset_V: mean. drift_V_per_min: straight line through the means of each second. wander_V: rms of these means about
    that line. noise_V: rms of one conversion by the middle of the spectrum. mains_V: rms of the strongest supply while
    it was strongest. reading_V: standard error that a reading of 0.5 s would have at the quietest frequency.
    lost_fraction: conversions missing. saturated_fraction: at full scale.
    """

    duration_s: float
    sample_rate_Hz: float
    offset_V: float
    drift_V_per_min: float
    wander_V: float
    noise_V: float
    mains_Hz: float
    mains_V: float
    reading_V: float
    quietest_Hz: float
    lost_fraction: float
    saturated_fraction: float
    remarks: tuple[str, ...]


def electrode_figures(block: SampleBlock, mains_Hz: tuple[float, ...] = (50.0, 60.0)) -> ElectrodeFigures:
    """Figures of one channel. InputError if there is too little."""
    if len(block) < 64 or float(block.t_s[-1] - block.t_s[0]) < SHORTEST_S:
        raise InputError(f"at least {SHORTEST_S:g} s with the source off are needed to judge electrodes")
    index = np.asarray(block.index, dtype=float)
    # Conversions are evenly spaced; their stamps are late by a varying latency.
    slope, start = np.polyfit(index - index[0], block.t_s, 1)
    t = start + slope * (index - index[0])
    v = np.asarray(block.v_V, dtype=float)
    # Piece by piece: over a long stretch the supply's frequency wanders.
    size = len(block) // max(1, int((t[-1] - t[0]) / PIECE_S))
    parts = [slice(k, k + size) for k in range(0, len(block) - size + 1, size)]
    pieces = [estimate_stray(t[part], _part(block, part), mains_Hz) for part in parts]
    if not any(piece.usable for piece in pieces):
        raise InputError("nearly all samples are at full scale or suspect: check the pair's wires and the range")
    strongest = max((piece for piece in pieces if piece.usable), key=lambda piece: max(piece.mains_V))
    seconds = np.floor(t - t[0]).astype(int)
    whole = seconds < seconds[-1]
    means = np.bincount(seconds[whole], v[whole]) / np.maximum(np.bincount(seconds[whole]), 1)
    at = np.arange(len(means)) + 0.5
    drift, level = np.polyfit(at, means, 1)
    wander = float(np.std(means - (level + drift * at), ddof=min(2, len(means) - 1)))
    scan = scan_band(_even(index, v), 1.0 / float(slope))
    best = scan.best
    which = int(np.argmax(strongest.mains_V))
    count = index[-1] - index[0] + 1
    figures = {
        "offset": (abs(float(v.mean())), OFFSET_V),
        "drift": (abs(float(drift) * 60.0), DRIFT_V_PER_MIN),
        "noise": (best.predicted_sigma_V, READING_V),
    }
    return ElectrodeFigures(
        duration_s=float(t[-1] - t[0]),
        sample_rate_Hz=1.0 / float(slope),
        offset_V=float(v.mean()),
        drift_V_per_min=float(drift) * 60.0,
        wander_V=wander,
        noise_V=float(np.sqrt(np.median(scan.density_V2_per_Hz) * 0.5 * scan.sample_rate_Hz)),
        mains_Hz=strongest.mains_Hz[which],
        mains_V=strongest.mains_V[which],
        reading_V=best.predicted_sigma_V,
        quietest_Hz=best.frequency_Hz,
        lost_fraction=1.0 - len(block) / count,
        saturated_fraction=float(np.mean((np.asarray(block.flags) & SampleFlag.SATURATED) != 0)),
        remarks=tuple(_remark(name, value, limits) for name, (value, limits) in figures.items()),
    )


def _part(block: SampleBlock, part: slice) -> SampleBlock:
    scale = np.broadcast_to(np.asarray(block.full_scale_V, dtype=float), (len(block),))
    return SampleBlock(
        block.index[part], block.t_s[part], block.v_V[part], block.flags[part], scale[part], block.channel
    )


def _even(index: FloatArray, v: FloatArray) -> FloatArray:
    """Evenly spaced samples: what was lost is bridged."""
    return np.asarray(np.interp(np.arange(index[0], index[-1] + 1), index, v), dtype=np.float64)


_WORSE = {
    "offset": "let the electrodes soak together, clean them, or pair others that are more alike",
    "drift": "let them soak longer, and keep the sun and flowing water off",
    "noise": "look for a loose contact, unlike electrodes, or a lamp or charger near by",
}


def _remark(name: str, value: float, limits: tuple[float, float]) -> str:
    if value <= limits[0]:
        return f"{name}: good"
    if value <= limits[1]:
        return f"{name}: usable; {_WORSE[name]}"
    return f"{name}: poor; {_WORSE[name]}"
