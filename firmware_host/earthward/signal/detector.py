"""The lock-in detector: blocks of samples in, signed readings with honest sigmas out. Streaming and causal."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from earthward.signal import waveforms
from earthward.signal.core import BEND, OUTLIER_SIGMA, POLY, REF, Core, Hop, Solution
from earthward.signal.mains import TAPER_S, harmonics_in_reach
from earthward.signal.sampleclock import SampleClock
from earthward.signal.types import MainsEstimate, PhaseReference, Reading, SampleBlock, SampleFlag, WaveformName
from earthward.signal.whitening import ORDER

#: A gap longer than this starts everything anew.
LONG_GAP_S = 5.0
#: Mains harmonics (folded ones included) are looked for up to here.
MAINS_LIMIT_HZ = 1000.0
#: How much past is kept for finding lines, seconds.
MEMORY_S = 2.0


@dataclass(frozen=True)
class DetectorSettings:
    """What the detector must know beforehand.

    waveform, frequency_Hz: the source's waveform and repetition frequency (nominal when sync is "none").
    window_s: length of data behind one reading; update_s: a new reading every so often. mains_Hz: supplies to
    track. full_scale_V: volts at the pair that saturate the converter (else each block's own figure is used).
    conversion_s: averaging time of one conversion (default: the whole sample period). sync: "known" when a
    `PhaseReference` comes with the samples, "none" when phase and frequency must be acquired (coded only).
    """

    waveform: WaveformName = "coded"
    frequency_Hz: float = 35.0
    window_s: float = 0.5
    update_s: float = 0.05
    mains_Hz: tuple[float, ...] = (50.0, 60.0)
    full_scale_V: float | None = None
    conversion_s: float | None = None
    channel: int = 0
    sync: Literal["known", "none"] = "known"

    def __post_init__(self) -> None:
        if self.waveform not in waveforms.WAVEFORMS:
            raise ValueError(f"unknown waveform {self.waveform!r}")
        if not (self.frequency_Hz > 0 and math.isfinite(self.frequency_Hz)):
            raise ValueError("frequency_Hz must be positive")
        if not 0 < self.update_s <= self.window_s < 60:
            raise ValueError("need 0 < update_s <= window_s < 60 s")


class Detector:
    """Feed `push` with blocks as they come; each call returns the readings that became due."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self.clock = SampleClock()
        self._excluded: list[tuple[float, float]] = []
        self._start_over()

    # ---- life ---------------------------------------------------------------------------------------------

    def _start_over(self) -> None:
        self.clock.reset()
        self._i: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._t: NDArray[np.float64] = np.zeros(0)
        self._v: NDArray[np.float64] = np.zeros(0)
        self._f: NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        self._core: Core | None = None
        self._hop_n = 0
        self._base = 0
        self._next = 0
        self._window_from = 0
        self._solution: Solution | None = None
        self._full_scale = self.settings.full_scale_V
        self._clock_offset: float | None = None
        self._tone_up = False

    def reset(self) -> None:
        """Forget the signal (electrode switched, source on or off): no window reaches back over this moment.

        The sample clock, the mains and the noise are as they were.
        """
        if self._core is not None:
            done = int(self._i[-1]) if self._i.size else self._base + self._next * self._hop_n - 1
            # The hop under way is spoilt too.
            self._window_from = max(self._next, (done - self._base) // self._hop_n + 1)
        else:
            self._start_over()

    def exclude(self, start_s: float, end_s: float) -> None:
        """Samples whose conversion ended in [start_s, end_s] of host time are not to be used."""
        self._excluded = [(a, b) for a, b in self._excluded if b > start_s - 60.0][-64:]
        self._excluded.append((start_s, end_s))
        if self._core is None:
            return
        for hop in self._core.hops:
            end = hop.mid_s[ORDER:] + 0.5 * self._conversion_s
            hit = (end >= start_s) & (end <= end_s)
            if hit.any():
                hop.usable[ORDER:] &= ~hit
                hop.weight = np.where(hit, 0.0, hop.weight)
                self._core.multiply(hop)

    # ---- what is known ------------------------------------------------------------------------------------

    @property
    def sample_rate_Hz(self) -> float | None:
        """Measured conversion rate; None before enough samples came."""
        return self.clock.sample_rate_Hz

    @property
    def noise_V(self) -> float | None:
        """Standard deviation of one sample's noise after whitening; None before the first reading."""
        return self._core.noise_V if self._core is not None and self._core.noise_V > 0 else None

    @property
    def clock_offset(self) -> float | None:
        """Source frequency over nominal frequency, minus one; None while unknown."""
        return self._clock_offset

    @property
    def mains(self) -> tuple[MainsEstimate, ...]:
        """Each tracked supply's frequency and its strongest line's amplitude (0 frequency offset if too weak)."""
        if self._core is None:
            return ()
        out = []
        memory = self._core.memory
        for f, family in enumerate(self._core.tracker.families):
            levels = [
                math.hypot(memory.mean[2 * j], memory.mean[2 * j + 1])
                for j, (which, _) in enumerate(memory.lines)
                if which == f
            ]
            strongest = max([*levels, family.amplitude_V if family.locked else 0.0])
            out.append(MainsEstimate(family.frequency_Hz, strongest))
        return tuple(out)

    @property
    def _conversion_s(self) -> float:
        return self.settings.conversion_s or self.clock.period_s

    # ---- samples in ---------------------------------------------------------------------------------------

    def push(self, block: SampleBlock, reference: PhaseReference | None) -> list[Reading]:
        """Take in finished conversions; return the readings that became due, oldest first."""
        if len(block) == 0:
            return []
        flags = np.asarray(block.flags, dtype=np.uint8)
        flags = np.where(np.isfinite(block.v_V), flags, flags | SampleFlag.SUSPECT).astype(np.uint8)
        v = np.where(np.isfinite(block.v_V), block.v_V, 0.0)
        full_scale = self.settings.full_scale_V
        scale = np.broadcast_to(
            np.asarray(full_scale if full_scale is not None else block.full_scale_V, dtype=float), v.shape
        )
        full = (scale > 0) & (np.abs(v) >= 0.9995 * scale)
        flags = np.where(full, flags | SampleFlag.SATURATED, flags).astype(np.uint8)
        if scale.size and np.isfinite(scale[-1]) and scale[-1] > 0:
            self._full_scale = float(scale[-1])
        if self._i.size and (block.index[0] <= self._i[-1] or block.t_s[0] - self._t[-1] > LONG_GAP_S):
            self._start_over()
        self._i = np.concatenate([self._i, block.index])
        self._t = np.concatenate([self._t, block.t_s])
        self._v = np.concatenate([self._v, v])
        self._f = np.concatenate([self._f, flags])
        self.clock.push(block.index, block.t_s)
        if self._core is None:
            warm = min(max(self.settings.window_s, 0.25), 1.0)
            if self._t[-1] - self._t[0] < warm or not self.clock.ready:
                return []
            self._begin()
        readings = []
        while self._i[-1] >= self._base + (self._next + 1) * self._hop_n - 1:
            reading = self._hop_due(reference)
            if reading is not None:
                readings.append(reading)
        return readings

    def _begin(self) -> None:
        s = self.settings
        self._hop_n = max(8, round(s.update_s / self.clock.period_s))
        n_hops = max(2, round(s.window_s / (self._hop_n * self.clock.period_s)))
        self._base = int(self._i[0])
        self._next = 0
        self._core = Core(s.waveform, n_hops, s.mains_Hz)
        d = np.diff(np.unique(self._v))
        d = d[d > 0]
        # The converter's step: quantisation noise is never believed to be less than that of a uniform error.
        self._core.floor_V = 0.29 * float(d.min()) if d.size else 0.0
        good = self._f & (SampleFlag.SATURATED | SampleFlag.SUSPECT | SampleFlag.RANGE_CHANGED) == 0
        if good.sum() > 64:
            mid = self.clock.time_of(self._i[good]) - 0.5 * self._conversion_s
            self._core.tracker.initialise(mid, self._v[good])

    # ---- a hop --------------------------------------------------------------------------------------------

    def _make_hop(self, reference: PhaseReference | None) -> Hop:
        first = self._base + self._next * self._hop_n
        lo, hi = np.searchsorted(self._i, [first, first + self._hop_n])
        before = min(ORDER, int(lo))
        take = slice(int(lo) - before, int(hi))
        pad = ORDER - before
        index = np.concatenate([np.full(pad, first - 10**9), self._i[take]])
        v = np.concatenate([np.zeros(pad), self._v[take]])
        bad = int(SampleFlag.SATURATED | SampleFlag.RANGE_CHANGED | SampleFlag.SUSPECT)
        flags = self._f[take]
        usable = np.concatenate([np.zeros(pad, dtype=bool), (flags & bad) == 0])
        end = self.clock.time_of(index)
        end[:pad] = end[pad] if end.size > pad else self.clock.time_of(np.array([first]))[0]
        for a, b in self._excluded:
            usable &= ~((end >= a) & (end <= b))
        # A sample next to a saturated one may have been clipped for part of its conversion.
        saturated = np.concatenate([np.zeros(pad, dtype=bool), (flags & SampleFlag.SATURATED) != 0])
        if saturated.any():
            near = saturated.copy()
            near[1:] |= saturated[:-1]
            near[:-1] |= saturated[1:]
            usable &= ~near
        conversion = self._conversion_s
        if reference is not None:
            phase_end = (end - reference.start_s) * reference.frequency_Hz
            span = conversion * reference.frequency_Hz
        else:
            phase_end, span = np.zeros(end.size), conversion * self.settings.frequency_Hz
        hop = Hop(
            number=self._next,
            index=index,
            s=np.clip((index - (first + 0.5 * (self._hop_n - 1))) / (0.5 * self._hop_n), -2.0, 2.0),
            mid_s=end - 0.5 * conversion,
            phase_end=phase_end,
            span=span,
            v=v,
            usable=usable,
            expected=self._hop_n,
            newest_s=float(end[-1]) if hi > lo else float(self.clock.time_of(np.array([first + self._hop_n - 1]))[0]),
            saturated=int(saturated[ORDER:].sum()),
            range_changed=bool((flags[before:] & SampleFlag.RANGE_CHANGED).any()),
        )
        hop.weight = usable[ORDER:].astype(float)
        # Samples of this hop are done with, but for the context of the next.
        cut = max(0, int(hi) - ORDER)
        self._i, self._t, self._v, self._f = self._i[cut:], self._t[cut:], self._v[cut:], self._f[cut:]
        return hop

    def _hop_due(self, reference: PhaseReference | None) -> Reading | None:
        core = self._core
        assert core is not None
        hop = self._make_hop(reference)
        self._next += 1
        core.hops.append(hop)
        keep = max(core.n_hops, round(MEMORY_S / (self._hop_n * self.clock.period_s)))
        del core.hops[:-keep]
        if core.tracker.families:
            recent = core.hops[-max(2, round(TAPER_S / (self._hop_n * self.clock.period_s))) :]
            core.tracker.step(
                np.concatenate([h.mid_s[ORDER:] for h in recent]),
                np.concatenate([h.v[ORDER:] for h in recent]),
                np.concatenate([h.weight for h in recent]),
                core.noise_V or core.tracker.first_noise_V,
            )
        hop.bases = [np.exp(1j * f.phase(hop.mid_s)) for f in core.tracker.families]
        core.fill(hop)
        if hop.range_changed:
            hop.break_before = True
        if self._solution is not None:
            self._mistrust(hop, self._solution)
        window = core.hops[-core.n_hops :]
        if len(window) < core.n_hops:
            return None
        if self._solution is None and core.noise_V == 0.0:
            self._first_window(window)
        if self._next % core.n_hops == 0:
            self._learn(window)
        solution = core.solve(window)
        if solution is not None:
            self._solution = solution
        if window[0].number < self._window_from:
            return None
        return self._reading(window, solution, reference)

    def _mistrust(self, hop: Hop, last: Solution) -> None:
        """Lower the weight of transients in a new hop, and notice steps of the electrode voltage.

        The hop's samples less the mains as last seen are fitted by reference, quadrature and a straight line;
        what stands out of that is no electrode noise. A lasting jump becomes a break.
        """
        core = self._core
        assert core is not None
        noise = max(core.noise_V, core.floor_V)
        good = hop.weight > 0
        if noise <= 0 or good.sum() < 12:
            return
        lines_at = BEND + len(core.tracker.families)
        x = hop.columns[ORDER:]
        y = x[:, -1] - x[:, lines_at:-1] @ last.lines if last.lines.size == x.shape[1] - 1 - lines_at else x[:, -1]
        few = x[:, [REF, REF + 1, POLY, POLY + 1]]
        rest, _ = _robust_rest(few[good], y[good], noise)
        worst = np.abs(rest) > OUTLIER_SIGMA * noise
        if not worst.any():
            return
        a = np.flatnonzero(good)
        step = _find_step(few[good], y[good], noise)
        if step is not None:
            cut = a[step]
            if step * 2 >= a.size:
                hop.weight[cut:] = 0.0
                hop.break_after = True
            else:
                hop.weight[:cut] = 0.0
                hop.break_before = True
            hop.transients += 1
        elif worst.mean() < 0.4:
            u = np.minimum(np.abs(rest) / (2 * OUTLIER_SIGMA * noise), 1.0)
            hop.weight[a] *= np.where(worst, (1 - u**2) ** 2, 1.0)
            hop.transients += int(worst.sum())
        else:
            hop.transients += int(worst.sum())
            return
        core.multiply(hop)

    def _first_window(self, window: list[Hop]) -> None:
        """No past yet: find the lines, the noise and the outliers from this window alone."""
        core = self._core
        assert core is not None
        for _ in range(8):
            solution = core.solve(window, use_memory=False)
            if solution is None:
                return
            found = self._new_lines(window, solution, 30.0, most=3)
            if not found:
                break
            self._carry(sorted({*core.memory.lines, *found}))
            self._remember_means(window)
        for _ in range(3):
            solution = core.solve(window, use_memory=False)
            if solution is None:
                return
            rests = [core.residual(solution, hop, k)[ORDER:] for k, hop in enumerate(window)]
            used = np.concatenate([r[h.weight > 0] for r, h in zip(rests, window, strict=True)])
            scale = 1.4826 * float(np.median(np.abs(used - np.median(used)))) if used.size else 0.0
            changed = False
            for rest, hop in zip(rests, window, strict=True):
                u = np.abs(rest) / max(OUTLIER_SIGMA * scale, 1e-15)
                weight = np.where(u > 1, np.maximum(1 - (u / 2) ** 2, 0.0) ** 2, 1.0) * hop.usable[ORDER:]
                if np.abs(weight - hop.weight).max(initial=0.0) > 0.05:
                    hop.weight = weight
                    hop.transients = int((weight[hop.usable[ORDER:]] < 1).sum())
                    core.multiply(hop)
                    changed = True
            if not changed:
                break
        solution = core.solve(window, use_memory=False)
        if solution is not None:
            core.noise_V = max(solution.noise, core.floor_V)
            if solution.n_lines and core.memory.windows == 0:
                core.memory.mean = solution.lines.copy()

    def _remember_means(self, window: list[Hop]) -> None:
        core = self._core
        assert core is not None
        solution = core.solve(window, use_memory=False)
        if solution is not None and solution.n_lines == core.memory.mean.size:
            core.memory.mean = solution.lines.copy()
            for hop in core.hops:
                core.fill(hop)

    def _carry(self, lines: list[tuple[int, int]]) -> None:
        core = self._core
        assert core is not None
        core.memory.set_lines(lines)
        for hop in core.hops:
            core.fill(hop)

    def _new_lines(self, hops: list[Hop], solution: Solution, threshold: float, most: int = 4) -> list[tuple[int, int]]:
        """Mains harmonics that stand out of the window's residual, strongest first."""
        core = self._core
        assert core is not None
        if not core.tracker.families:
            return []
        rest = np.concatenate([core.residual(solution, hop, k)[ORDER:] * hop.weight for k, hop in enumerate(hops)])
        count = float(sum(hop.count for hop in hops))
        if count < 50:
            return []
        variance = float(rest @ rest) / count
        found: list[tuple[float, tuple[int, int]]] = []
        for f, family in enumerate(core.tracker.families):
            base = np.concatenate([np.conj(hop.bases[f][ORDER:]) for hop in hops])
            power = np.ones_like(base)
            for k in harmonics_in_reach(family.nominal_Hz, MAINS_LIMIT_HZ):
                power = power * base
                if (f, int(k)) in core.memory.lines or not (family.locked or k == 1):
                    continue
                strength = float(abs(np.sum(rest * power)) ** 2) / (count * variance + 1e-300)
                if strength > threshold / 2:
                    found.append((strength, (f, int(k))))
        found.sort(reverse=True)
        return [line for _, line in found[:most]]

    def _learn(self, window: list[Hop]) -> None:
        """Once per window: noise level and colour, mains lines come and gone, their long averages."""
        core = self._core
        assert core is not None
        solution = core.solve(window)
        if solution is None:
            return
        if core.noise_V > 0:
            # Quick to fall, slow to rise: a disturbance must not pass for the pool's ordinary noise.
            ratio = solution.noise / core.noise_V
            core.noise_V = max(core.noise_V * float(np.clip(ratio, 0.7, 1.15)) ** 0.5, core.floor_V)
        else:
            core.noise_V = max(solution.noise, core.floor_V)
        core.learn_noise(window, solution)
        information = core.line_information(window)
        if information is not None:
            core._pending.append((window[-1].number, *information))
        while core._pending and core._pending[0][0] <= window[0].number:
            _, matrix, vector = core._pending.pop(0)
            if matrix.shape[0] == core.memory.mean.size:
                core.memory.learn(matrix, vector)
        found = self._new_lines(window, solution, 32.0)
        gone = []
        if core.memory.windows > 8:
            for j, line in enumerate(core.memory.lines):
                power = core.memory.mean[2 * j] ** 2 + core.memory.mean[2 * j + 1] ** 2
                if power < 4.0 * (core.memory.covariance[2 * j, 2 * j] + core.memory.excess[j]):
                    gone.append(line)
        if found or gone:
            core._pending.clear()
            self._carry(sorted(({*core.memory.lines} - {*gone}) | {*found}))

    # ---- a reading ----------------------------------------------------------------------------------------

    def _reading(self, window: list[Hop], solution: Solution | None, reference: PhaseReference | None) -> Reading:
        core = self._core
        s = self.settings
        assert core is not None
        expected = sum(h.expected for h in window)
        usable = sum(int(h.usable[ORDER:].sum()) for h in window)
        lost = 1.0 - usable / expected
        flags: list[str] = []
        if any(h.saturated for h in window):
            flags.append("saturated")
        if lost > 0.01:
            flags.append("lost")
        if any(h.range_changed for h in window):
            flags.append("range changed")
        if sum(h.transients for h in window) > 0.005 * expected:
            flags.append("transient")
        period = self.clock.period_s
        first = self._base + window[0].number * self._hop_n
        middle = float(self.clock.time_of(np.array([first + 0.5 * (expected - 1)]))[0]) - 0.5 * self._conversion_s
        blank = Reading(
            t_s=middle,
            value_V=None,
            quadrature_V=None,
            sigma_V=None,
            snr=None,
            p_sign=None,
            lost_fraction=lost,
            window_s=expected * period,
            channel=s.channel,
            newest_s=window[-1].newest_s,
        )
        if reference is None:
            return replace(blank, flags=("acquiring", *flags))
        if solution is None or lost > 0.7:
            return replace(blank, flags=("no sign", *flags))
        noise = max(solution.noise, core.floor_V)
        sigma = noise * math.sqrt(solution.unit_value)
        # Clock map: an unknown delay takes from the value what the waveform's own correlation takes.
        delay = math.hypot(reference.sigma_s, reference.frequency_sigma * s.window_s / math.sqrt(12))
        clock = abs(solution.value) * waveforms.delay_loss(s.waveform, delay * reference.frequency_Hz, window[-1].span)
        if clock > 0.3 * sigma:
            flags.append("clock old")
        sigma = math.hypot(sigma, clock)
        strong = [m.amplitude_V for m in self.mains]
        if strong and max(strong) > 30 * noise:
            flags.append("mains")
        q_sigma = noise * math.sqrt(solution.unit_quadrature)
        if abs(solution.quadrature) > 5 * q_sigma and abs(solution.quadrature) > 0.35 * abs(solution.value):
            flags.append("quadrature")
        snr = abs(solution.value) / sigma if sigma > 0 else 0.0
        p_sign = float(ndtr(snr))
        if snr < 2.0:
            flags.append("no sign")
        return replace(
            blank,
            value_V=solution.value,
            quadrature_V=solution.quadrature,
            sigma_V=sigma,
            snr=snr,
            p_sign=p_sign,
            flags=tuple(flags),
        )


def _robust_rest(x: NDArray[np.float64], y: NDArray[np.float64], noise: float) -> tuple[NDArray[np.float64], float]:
    """Residual of a small fit; refitted without what stands out, if anything does."""
    gram, right = x.T @ x, x.T @ y
    ridge = 1e-6 * np.eye(x.shape[1]) * x.shape[0]
    rest = y - x @ np.linalg.solve(gram + ridge, right)
    for _ in range(4):
        out = np.abs(rest) > OUTLIER_SIGMA * noise
        if not out.any():
            break
        scale = max(1.4826 * float(np.median(np.abs(rest))), noise)
        w = 1.0 / (1.0 + (rest / (2 * scale)) ** 2) ** 2
        rest = y - x @ np.linalg.solve(x.T @ (w[:, None] * x) + ridge, x.T @ (w * y))
    return np.asarray(rest), float(np.abs(rest).max())


def _find_step(x: NDArray[np.float64], y: NDArray[np.float64], noise: float) -> int | None:
    """Position of a lasting jump in a hop (first sample after it), or None."""
    d = np.abs(np.diff(y))
    k = int(np.argmax(d)) + 1
    if d[k - 1] < 5.0 * noise:
        return None
    lo, hi = y[max(0, k - 6) : k], y[k : k + 6]
    if lo.size < 3 or hi.size < 3:
        return None
    jump = abs(float(np.median(hi) - np.median(lo)))
    return k if jump > 0.5 * d[k - 1] and jump > 5.0 * noise else None
