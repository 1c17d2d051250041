"""From samples and known values to calibrated quantities with their uncertainty.

Uncertainties are combined as independent standard uncertainties (JCGM 100, the guide to the expression of uncertainty
in measurement, from memory): relative ones of a quotient add in squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.record.calibration import Calibrated

Floats = NDArray[np.float64]
LEAST_SAMPLES = 200
#: An electrode's reading wanders: the mean of a stretch is known no better than its blocks agree.
BLOCKS = 10


@dataclass(frozen=True, slots=True)
class Known:
    """A value that the person brings, with its standard uncertainty."""

    value: float
    sigma: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.sigma) and self.sigma > 0.0):
            raise InputError("a known value needs a finite value and an uncertainty above zero")


def mean_of(samples: Floats) -> Known:
    """Mean of a stretch and its standard uncertainty from the spread of block means."""
    if len(samples) < LEAST_SAMPLES:
        raise InputError(f"{len(samples)} samples are too few: {LEAST_SAMPLES} are needed, measure longer")
    usable = samples[: len(samples) // BLOCKS * BLOCKS].reshape(BLOCKS, -1).mean(axis=1)
    spread = float(usable.std(ddof=1)) / math.sqrt(BLOCKS)
    return Known(float(samples.mean()), max(spread, 1e-12))


def zero(samples: Floats, time_s: float) -> Calibrated:
    """Inputs joined at the plug: what is read then is the front end's own offset."""
    mean = mean_of(samples)
    return Calibrated(value=mean.value, sigma=mean.sigma, unit="V", method="inputs joined at the plug", time_s=time_s)


def divided(supply: Known, upper_ohm: Known, lower_ohm: Known) -> Known:
    """Voltage across the lower resistor of a divider."""
    if min(supply.value, upper_ohm.value, lower_ohm.value) <= 0.0:
        raise InputError("supply and both resistors of the divider must be above zero")
    total = upper_ohm.value + lower_ohm.value
    share = lower_ohm.value / total
    relative = math.hypot(
        supply.sigma / supply.value,
        (1.0 - share) * math.hypot(upper_ohm.sigma / upper_ohm.value, lower_ohm.sigma / lower_ohm.value),
    )
    value = supply.value * share
    return Known(value, value * relative)


def gain(samples: Floats, zero_V: Calibrated, applied_V: Known, time_s: float) -> Calibrated:
    """A known voltage at the plug, read with a gain of 1 set: volts at the converter per volt at the plug."""
    mean = mean_of(samples)
    if abs(applied_V.value) < 100.0 * abs(zero_V.sigma):
        raise InputError("the applied voltage is too small to tell a gain from: use 50 to 200 mV")
    risen = mean.value - zero_V.value
    value = risen / applied_V.value
    relative = math.hypot(math.hypot(mean.sigma, zero_V.sigma) / risen, applied_V.sigma / applied_V.value)
    return Calibrated(
        value=value,
        sigma=max(abs(value) * relative, 1e-9),
        unit="V/V",
        method="known divider at the plug",
        time_s=time_s,
    )


def converter_rate(times_s: Floats, index: Floats, time_s: float) -> Calibrated:
    """Conversions per second of the host's clock: slope of a line through the moments at which they were read."""
    if len(times_s) < LEAST_SAMPLES:
        raise InputError(f"{len(times_s)} samples are too few: {LEAST_SAMPLES} are needed, measure longer")
    t, k = times_s - times_s.mean(), index - index.mean()
    slope = float(t @ k / (t @ t))
    left = k - slope * t
    sigma = math.sqrt(float(left @ left) / (len(t) - 2) / float(t @ t))
    return Calibrated(
        value=slope, sigma=max(sigma, 1e-9), unit="1/s", method="counted against the host's clock", time_s=time_s
    )


def current_sense(told_A: Floats, told_V: Floats, load_ohm: Known, time_s: float) -> Calibrated:
    """A known resistor between injection and earth electrode: true current per reported current.

    The board reports current and voltage of every half cycle; its voltage over the resistor is the true current.
    """
    current, volts = mean_of(told_A), mean_of(told_V)
    if current.value < 1e-3:
        raise InputError("less than 1 mA was reported: is about 1 kohm between A and E, and the source on?")
    value = volts.value / load_ohm.value / current.value
    relative = math.hypot(math.hypot(volts.sigma / volts.value, current.sigma / current.value),
                          load_ohm.sigma / load_ohm.value)  # fmt: skip
    return Calibrated(value=value, sigma=value * relative, unit="A/A", method="known resistor A to E", time_s=time_s)


def spacing(measured: Known, time_s: float) -> Calibrated:
    if not 0.05 <= measured.value <= 2.0:
        raise InputError(f"a spacing of {measured.value:g} m is not possible: measure between centres, in metres")
    return Calibrated(
        value=measured.value,
        sigma=measured.sigma,
        unit="m",
        method="rule between the electrodes' centres",
        time_s=time_s,
    )
