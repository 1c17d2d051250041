"""Mains gradient and steady potential in the water with the source off: what the safety check is fed with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from earthward.signal.types import FloatArray, SampleBlock, SampleFlag

#: So far from its nominal frequency a supply is looked for, in such steps.
SEARCH_HZ, SEARCH_STEP_HZ = 1.0, 0.025


@dataclass(frozen=True, slots=True)
class StrayEstimate:
    """Volts at the pair. Mains as rms of each supply's fundamental and harmonics together, sigma of each.

    usable: enough good samples for a statement. saturated: some samples were at full scale, so that the true
    voltages are larger than these.
    """

    mains_Hz: tuple[float, ...]
    mains_V: tuple[float, ...]
    mains_sigma_V: tuple[float, ...]
    dc_V: float
    dc_sigma_V: float
    noise_V: float
    duration_s: float
    usable: bool
    saturated: bool

    @property
    def worst_mains_V(self) -> float:
        """Root sum of squares of all supplies' rms: what a person between the electrodes would meet."""
        return float(np.sqrt(sum(v * v for v in self.mains_V)))


def estimate_stray(
    t_s: FloatArray,
    block: SampleBlock,
    mains_Hz: tuple[float, ...] = (50.0, 60.0),
    conversion_s: float | None = None,
    harmonics: int = 7,
) -> StrayEstimate:
    """Least squares over one stretch of samples with the source off.

    t_s (n,): end of each conversion (de-jittered where possible). conversion_s: averaging time of a conversion;
    given, its attenuation of each line is undone. Lines above the sampling limit are met at their alias; one
    that falls within 2 / duration of another is skipped. Frequencies are searched within +-SEARCH_HZ.
    """
    bad = int(SampleFlag.SATURATED | SampleFlag.SUSPECT | SampleFlag.RANGE_CHANGED)
    good = (np.asarray(block.flags) & bad) == 0
    saturated = bool((np.asarray(block.flags) & SampleFlag.SATURATED).any())
    t, v = np.asarray(t_s, dtype=float)[good], np.asarray(block.v_V, dtype=float)[good]
    nothing = tuple(0.0 for _ in mains_Hz)
    endless = tuple(float("inf") for _ in mains_Hz)
    if t.size < 64 or t[-1] - t[0] < 0.2:
        return StrayEstimate(mains_Hz, nothing, endless, 0.0, float("inf"), 0.0, 0.0, False, saturated)
    duration = float(t[-1] - t[0])
    d = t - 0.5 * (t[0] + t[-1])
    rate = (t.size - 1) / duration
    taper = np.cos(np.pi * d / (duration * (1 + 1 / t.size))) ** 2
    taper /= taper.sum()
    frequencies = []
    centred = v - taper @ v
    # From each frequency to the next every sample turns by the same angle: far cheaper than so many exponentials.
    turn = np.exp(-2j * np.pi * SEARCH_STEP_HZ * d)
    for nominal in mains_Hz:
        mixed = taper * centred * np.exp(-2j * np.pi * (nominal - SEARCH_HZ) * d)
        strength = []
        for _ in range(round(2 * SEARCH_HZ / SEARCH_STEP_HZ) + 1):
            strength.append(abs(mixed.sum()))
            mixed *= turn
        frequencies.append(nominal - SEARCH_HZ + SEARCH_STEP_HZ * int(np.argmax(strength)))
    columns = [np.ones(t.size), d / duration]
    owner: list[tuple[int, float]] = []
    taken = [0.0]
    for k in range(1, harmonics + 1):
        for which, f in enumerate(frequencies):
            alias = abs((k * f + rate / 2) % rate - rate / 2)
            if any(abs(alias - other) < 2.0 / duration for other in taken):
                continue
            taken.append(alias)
            attenuation = float(np.sinc(k * f * conversion_s)) if conversion_s else 1.0
            if abs(attenuation) < 0.2:
                continue
            columns += [np.cos(2 * np.pi * k * f * d), np.sin(2 * np.pi * k * f * d)]
            owner.append((which, attenuation))
    x = np.column_stack(columns)
    gram = x.T @ x
    theta = np.linalg.solve(gram, x.T @ v)
    rest = v - x @ theta
    noise = float(np.sqrt(rest @ rest / max(t.size - x.shape[1], 1)))
    inverse = np.linalg.inv(gram)
    rms, sigma = [], []
    for which in range(len(mains_Hz)):
        power, variance = 0.0, 0.0
        for j, (whose, attenuation) in enumerate(owner):
            if whose != which:
                continue
            a = theta[2 + 2 * j : 4 + 2 * j] / attenuation
            own = noise**2 * np.diag(inverse)[2 + 2 * j : 4 + 2 * j] / attenuation**2
            power += 0.5 * float(a @ a)
            variance += 0.25 * float(4 * (a**2 @ own) + 2 * (own @ own))
        rms.append(float(np.sqrt(power)))
        # Of the square root: half the relative error of the power, and never less than what no line would give.
        floor = float(np.sqrt(np.sqrt(variance))) if variance > 0 else 0.0
        sigma.append(min(float(np.sqrt(variance)) / (2 * rms[-1]) if rms[-1] > 0 else floor, floor))
    dc_sigma = noise * float(np.sqrt(inverse[0, 0]))
    return StrayEstimate(
        tuple(frequencies), tuple(rms), tuple(sigma), float(theta[0]), dc_sigma, noise, duration, True, saturated
    )
