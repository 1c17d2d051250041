"""A whole recording at once, through the very same detector."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from earthward.errors import InputError
from earthward.record.reading import Reading
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import FloatArray, MainsEstimate, PhaseReference, SampleBlock


@dataclass(frozen=True)
class DetectResult:
    """What `earthward detect` prints. clock_offset: source frequency over nominal, minus one; None = not known."""

    sample_rate_Hz: float | None
    clock_offset: float | None
    mains: tuple[MainsEstimate, ...]
    readings: tuple[Reading, ...]


def detect(
    t_s: FloatArray,
    v_V: FloatArray,
    settings: DetectorSettings,
    start_s: float | None = None,
    every_s: float | None = None,
) -> DetectResult:
    """Readings over a recording.

    t_s (n,): when each finished conversion was read, not decreasing; v_V (n,): volts. start_s: a moment when a
    period of the waveform starts (needed for sync "known"). every_s: spacing of readings (default: half a window).
    Raises InputError for arrays that are no recording.
    """
    t, v = np.asarray(t_s, dtype=float), np.asarray(v_V, dtype=float)
    if t.ndim != 1 or t.shape != v.shape:
        raise InputError("times and voltages must be two lists of the same length")
    if t.size and not (np.isfinite(t).all() and np.isfinite(v).all()):
        raise InputError("the recording holds values that are not finite numbers")
    if t.size and np.any(np.diff(t) < 0):
        raise InputError("the recording's times run backwards")
    every = every_s if every_s is not None else 0.5 * settings.window_s
    if not (every > 0 and math.isfinite(every)):
        raise InputError("the spacing of readings must be positive")
    index, period = index_from_stamps(t)
    if t.size < 32 or period <= 0 or (t[-1] - t[0]) < settings.window_s:
        return DetectResult(1.0 / period if period > 0 else None, None, (), ())
    # Hops as near 50 ms as divide both spacing and window evenly.
    update = min(every, settings.window_s)
    update /= max(1, math.ceil(update / 0.055))
    per_reading = max(1, round(every / update))
    detector = Detector(replace(settings, update_s=update))
    reference = None
    if settings.sync == "known" and start_s is not None:
        reference = PhaseReference(start_s=start_s, frequency_Hz=settings.frequency_Hz)
    chunk = max(64, round(16.0 / period))
    full_scale = settings.full_scale_V if settings.full_scale_V is not None else math.inf
    readings: list[Reading] = []
    flags = np.zeros(t.size, dtype=np.uint8)
    for start in range(0, t.size, chunk):
        part = slice(start, start + chunk)
        readings += detector.push(SampleBlock(index[part], t[part], v[part], flags[part], full_scale), reference)
    return DetectResult(
        sample_rate_Hz=detector.sample_rate_Hz,
        clock_offset=detector.clock_offset,
        mains=detector.mains,
        readings=tuple(readings[::per_reading]),
    )
