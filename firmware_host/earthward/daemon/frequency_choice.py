"""With the source off: scan what the water carries and choose the repetition frequency with least interference.

The scan itself is `earthward.signal.band_scan`; here its samples are made even and its ranking becomes a decision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from earthward.record.waveform import WaveformName
from earthward.signal.band_scan import CANDIDATES_HZ, BandScan, Candidate, scan_band
from earthward.signal.types import FloatArray, SampleBlock, SampleFlag

#: A change of frequency must promise at least this much less sigma: below that the ranking is the scan's own noise.
WORTH = 1.10
#: More holes than this and the spectrum is not that of the water.
MOST_LOST = 0.03


@dataclass(frozen=True)
class Choice:
    """What was heard and what follows. `frequency_Hz` is the one to use from now on."""

    frequency_Hz: float
    changed: bool
    text: str
    scan: BandScan


def seconds_needed(window_s: float) -> float:
    """How long the source must have been off before a scan is worth while."""
    return 4.5 * window_s + 0.5


def evenly(block: SampleBlock) -> tuple[FloatArray, float] | None:
    """(volts at even spacing, samples/s), few holes filled in straight lines; None if the block will not do."""
    # What came before a change of range has another step; the part after it is enough or it is not.
    changes = np.flatnonzero(block.flags & SampleFlag.RANGE_CHANGED)
    after = slice(int(changes[-1]) + 1 if changes.size else 0, None)
    index, t_s, v_V = block.index[after], block.t_s[after], block.v_V[after]
    bad = (block.flags[after] & (SampleFlag.SATURATED | SampleFlag.SUSPECT)) != 0
    if index.size < 16 or bad.any():
        return None
    count = int(index[-1] - index[0]) + 1
    if 1.0 - index.size / count > MOST_LOST:
        return None
    rate_Hz = (count - 1) / float(t_s[-1] - t_s[0])
    return np.interp(np.arange(count), index - index[0], v_V), rate_Hz


def choose(
    blocks: Sequence[SampleBlock],
    waveform: WaveformName,
    present_Hz: float,
    window_s: float,
    conversion_s: float | None = None,
) -> Choice | None:
    """Scan what every pair heard with the source off; None when that is too short, holed or clipped. One frequency
    serves all pairs: a candidate is as good as the pair that fares worst with it."""
    candidates = sorted({*CANDIDATES_HZ, present_Hz})
    scans = []
    for block in blocks:
        even = evenly(block)
        if even is None or even[0].size < seconds_needed(window_s) * even[1] * 0.9:
            return None
        scans.append(scan_band(even[0], even[1], candidates, waveform, window_s, conversion_s))
    ranking = _of_the_worst(scans)
    best = ranking[0]
    heard = next(scan for scan in scans if best in scan.ranking)
    present = next(c for c in ranking if c.frequency_Hz == present_Hz)
    worth = present.rejected or present.predicted_sigma_V > WORTH * best.predicted_sigma_V
    stays = f"{present.frequency_Hz:.1f} Hz stays ({present.why})."
    if best.rejected:
        return Choice(present_Hz, False, f"Band scan: no frequency is free of interference; {stays}", heard)
    if not worth:
        return Choice(present_Hz, False, f"Band scan: {stays}", heard)
    text = (
        f"Band scan: {best.frequency_Hz:.1f} Hz is chosen ({best.why}) instead of {present.frequency_Hz:.1f} Hz"
        f" ({present.why})."
    )
    return Choice(best.frequency_Hz, True, text, heard)


def _of_the_worst(scans: Sequence[BandScan]) -> list[Candidate]:
    """Each frequency as the pair that fares worst with it sees it, best first."""

    def order(c: Candidate) -> tuple[bool, float]:
        return c.rejected, c.predicted_sigma_V

    worst: dict[float, Candidate] = {}
    for c in (c for scan in scans for c in scan.ranking):
        if c.frequency_Hz not in worst or order(c) > order(worst[c.frequency_Hz]):
            worst[c.frequency_Hz] = c
    return sorted(worst.values(), key=order)
