"""What flows between the rooms: blocks of samples in, readings out.

Times are seconds on the host's monotonic clock unless said otherwise; voltages are at the electrode pair
(front-end gain already taken out); value = V_back - V_front at the injection electrode's positive phase, so
that > 0 means current flows in the water from back towards front.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class SampleFlag(IntFlag):
    """Bits of `SampleBlock.flags`, one byte per sample."""

    SATURATED = 1  # the converter was at or within one step of its full scale
    RANGE_CHANGED = 2  # first sample after a change of range, multiplexer or electrode: may hold old charge
    AFTER_GAP = 4  # conversions were lost just before this one (the index jumps)
    SUSPECT = 8  # the device was in trouble; do not use the value


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """A run of finished conversions of one channel.

    index: int64 (n,), conversion number, strictly increasing; a jump of k+1 means k lost conversions.
    t_s: float64 (n,), when each finished conversion was read: end of conversion plus a latency >= 0 that
        varies. The value is the mean over the conversion that ended just before.
    v_V: float64 (n,), volts at the pair. flags: uint8 (n,), `SampleFlag` bits. full_scale_V: float64 (n,) or
        scalar, volts at the pair that saturate the converter on the range in use.
    """

    index: IntArray
    t_s: FloatArray
    v_V: FloatArray
    flags: NDArray[np.uint8]
    full_scale_V: FloatArray | float
    channel: int = 0

    def __len__(self) -> int:
        return int(self.index.size)

    def part(self, first: int, stop: int) -> SampleBlock:
        """Samples first .. stop - 1 of it."""
        scale = self.full_scale_V
        if not isinstance(scale, float):
            scale = np.asarray(scale, dtype=float)
            scale = scale[first:stop] if scale.ndim else float(scale)
        rows = slice(first, stop)
        return SampleBlock(self.index[rows], self.t_s[rows], self.v_V[rows], self.flags[rows], scale, self.channel)


@dataclass(frozen=True, slots=True)
class BlockGrid:
    """Where blocks of samples had best end: just before the conversions number `first` + k `every`, k an integer."""

    first: int
    every: int

    def end_after(self, index: int) -> int:
        """The last conversion of the block that begins after conversion `index`."""
        return self.first + ((index + 1 - self.first) // self.every + 1) * self.every - 1


@dataclass(frozen=True, slots=True)
class PhaseReference:
    """What is known of the source's waveform in host time.

    A period starts at `start_s`; periods repeat at `frequency_Hz` (host seconds). `sigma_s` is the standard
    error of the mapped time at the moment of use and goes into each reading's sigma. `frequency_sigma` is
    the relative standard error of the frequency. None in place of a reference means: no shared clock.
    """

    start_s: float
    frequency_Hz: float
    sigma_s: float = 0.0
    frequency_sigma: float = 0.0


@dataclass(frozen=True, slots=True)
class MainsEstimate:
    """One tracked mains family: fundamental frequency and amplitude of the strongest line."""

    frequency_Hz: float
    amplitude_V: float
