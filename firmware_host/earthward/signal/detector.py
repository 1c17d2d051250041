"""The lock-in detector: blocks of samples in, signed readings with calibrated sigmas out. Streaming and causal."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from earthward.record.reading import Reading
from earthward.record.waveform import WAVEFORMS, WaveformName
from earthward.signal import waveforms
from earthward.signal.acquire import CodeTracker
from earthward.signal.core import Core
from earthward.signal.equations import Solution, sum_windows
from earthward.signal.hops import CHANGED, QUAD, REF, SATURATED, TRANSIENT, USABLE, WEIGHT
from earthward.signal.influence import examine
from earthward.signal.sampleclock import SampleClock
from earthward.signal.types import BlockGrid, MainsEstimate, PhaseReference, SampleBlock, SampleFlag
from earthward.signal.variance_calibration import Evidence, VarianceCalibration

#: A gap longer than this starts everything anew.
LONG_GAP_S = 5.0
_BAD = int(SampleFlag.SATURATED | SampleFlag.RANGE_CHANGED | SampleFlag.SUSPECT)


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
        if self.waveform not in WAVEFORMS:
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
        self._last_index = -(2**62)
        self._last_t = -math.inf
        self._core: Core | None = None
        self._slots = 0
        self._base = 0
        self._next = 0
        self._window_from = 0
        self._clock_offset: float | None = None
        self._code = CodeTracker(self.settings.waveform, self.settings.frequency_Hz)
        self._self_synced = False
        self._known: PhaseReference | None = None

    def reset(self) -> None:
        """Forget the signal (electrode switched, source on or off): no window reaches back over this moment.

        The sample clock, the mains and the noise stay as they were.
        """
        if self._core is None:
            self._start_over()
        else:
            # The hop under way holds samples from before: it is not used either.
            self._window_from = max(self._next, (self._last_index - self._base) // self._slots + 1)
            self._core.forget_signal()
            # A source switched off and on starts its code anew; without a link that must be acquired again.
            self._code.reset()
            self._known = None

    def exclude(self, start_s: float, end_s: float) -> None:
        """Samples whose conversion ended in [start_s, end_s] of host time are not to be used."""
        self._excluded = [(a, b) for a, b in self._excluded if b > start_s - 60.0][-64:]
        self._excluded.append((start_s, end_s))
        core = self._core
        if core is None:
            return
        stop = core.store.row(self._next)
        hit = (core.store.end_s[:stop] >= start_s) & (core.store.end_s[:stop] <= end_s) & core.store.usable[:stop]
        for row in np.flatnonzero(hit.any(axis=1)):
            core.store.usable[row] &= ~hit[row]
            core.store.weight[row] *= ~hit[row]
            core.store.counts[row, USABLE] = core.store.usable[row].sum()
            core.store.counts[row, WEIGHT] = core.store.weight[row].sum()
            if row >= 1 and core.store.columns.size:
                core.multiply(int(row), int(row) + 1)

    # ---- what is known ------------------------------------------------------------------------------------

    @property
    def sample_rate_Hz(self) -> float | None:
        """Measured conversion rate; None before enough samples came."""
        return self.clock.sample_rate_Hz

    @property
    def noise_V(self) -> float | None:
        """Standard deviation of one sample's (whitened) noise; None before the first reading."""
        return self._core.noise_V if self._core is not None and self._core.noise_V > 0 else None

    @property
    def hops(self) -> BlockGrid | None:
        """Where hops end; None before enough samples came. A block that ends there waits for no other."""
        return None if self._core is None else BlockGrid(self._base, self._slots)

    @property
    def clock_offset(self) -> float | None:
        """Source frequency over nominal frequency, minus one; None while unknown."""
        return self._clock_offset

    @property
    def mains(self) -> tuple[MainsEstimate, ...]:
        """Each tracked supply: frequency and amplitude of its strongest line (nominal frequency if too weak)."""
        core = self._core
        if core is None:
            return ()
        scale = core.period_s / self.clock.period_s
        return tuple(
            MainsEstimate(f.frequency_Hz * scale, max(core.levels[k], f.amplitude_V if f.locked else 0.0))
            for k, f in enumerate(core.tracker.families)
        )

    @property
    def _conversion_s(self) -> float:
        return self.settings.conversion_s or self.clock.period_s

    # ---- samples in ---------------------------------------------------------------------------------------

    def push(self, block: SampleBlock, reference: PhaseReference | None) -> list[Reading]:
        """Take in finished conversions; return the readings that became due, oldest first."""
        if len(block) == 0:
            return []
        v, flags = np.asarray(block.v_V, dtype=float), np.asarray(block.flags, dtype=np.uint8)
        full_scale = self.settings.full_scale_V
        scale = full_scale if full_scale is not None else block.full_scale_V
        size = np.abs(v)
        if not isinstance(scale, float) or not size.item(size.argmax()) < (0.9995 * scale if scale > 0 else math.inf):
            finite = np.isfinite(v)
            if not finite.all():
                flags = np.where(finite, flags, flags | SampleFlag.SUSPECT).astype(np.uint8)
                v = np.where(finite, v, 0.0)
            scale = np.asarray(scale, dtype=float)
            full = (scale > 0) & (size >= 0.9995 * scale)
            if full.any():
                flags = np.where(full, flags | SampleFlag.SATURATED, flags).astype(np.uint8)
        if block.index[0] <= self._last_index or block.t_s[0] - self._last_t > LONG_GAP_S:
            self._start_over()
        self._last_index, self._last_t = int(block.index[-1]), float(block.t_s[-1])
        if self._i.size:
            self._i = np.concatenate([self._i, block.index])
            self._t = np.concatenate([self._t, block.t_s])
            self._v = np.concatenate([self._v, v])
            self._f = np.concatenate([self._f, flags])
        else:
            self._i, self._t, self._v, self._f = block.index, block.t_s, v, flags
        if self._core is None:
            # The same first stretch however long the blocks are: nothing is learned from the future.
            warm = min(max(self.settings.window_s, 0.25), 1.0)
            head = max(int(np.searchsorted(self._t, self._t[0] + warm)) + 1, 64)
            if self._t.size < head:
                return []
            self._begin(head)
        readings: list[Reading] = []
        if reference is not None and self.settings.sync == "known":
            self._clock_offset = reference.frequency_Hz / self.settings.frequency_Hz - 1.0
            self._self_synced = False
        elif waveforms.tells_polarity(self.settings.waveform):
            # The link is down, or there never was one: the code itself must tell the phase.
            reference = None
            self._self_synced = True
        else:
            reference = None
            self._self_synced = False
        while (done := (self._last_index + 1 - self._base) // self._slots) > self._next:
            readings += self._run(min(done, self._boundary()), reference)
        return readings

    def _begin(self, head: int) -> None:
        """Start from the first `head` samples."""
        s = self.settings
        i, v = self._i[:head], self._v[:head]
        self.clock.start(i, self._t[:head])
        period = self.clock.period_s
        self._slots = max(8, round(s.update_s / period))
        n_hops = max(2, round(s.window_s / (self._slots * period)))
        self._base, self._next = int(self._i[0]), 0
        self._core = core = Core(s.waveform, n_hops, self._slots, period, s.mains_Hz)
        d = np.diff(np.unique(v))
        d = d[d > 0]
        self._calibration = VarianceCalibration(n_hops, core.kernel)
        self._steps = np.arange(self._slots, dtype=np.float64)
        self._full_counts = np.zeros(5)
        self._full_counts[[USABLE, WEIGHT]] = self._slots
        # The converter's step: quantisation noise is never believed to be less than that of a uniform error.
        core.step_V = float(d.min()) if d.size else 0.0
        core.floor_V = 0.29 * core.step_V
        good = (self._f[:head] & _BAD) == 0
        if good.sum() > 64:
            core.tracker.initialise((i[good] - self._base + 0.5) * period, v[good])

    def _boundary(self) -> int:
        """Number of the hop before which the next run must stop: slow parameters change there."""
        core = self._core
        assert core is not None
        if core.noise_V == 0.0:
            return max(core.n_hops, self._next + 1)
        step = core.n_hops if self._self_synced else core.block
        return (self._next // step + 1) * step

    # ---- a run of hops ------------------------------------------------------------------------------------

    def _run(self, stop: int, reference: PhaseReference | None) -> list[Reading]:
        """Hops self._next .. stop-1, all complete."""
        core = self._core
        assert core is not None
        if self._self_synced:
            if self._known is not None:
                # The link fell silent just now: go on from its last reference.
                self._code.seed(self._known)
                self._known = None
            reference = self._code.reference(self.clock.line(self._base + self._slots * stop)[0])
        elif reference is not None:
            self._known = reference
        newly = reference is not None and not core.referenced
        if reference is None:
            core.referenced = False
        a, b = self._load(stop, reference)
        core.lay(a, b)
        core.track(a, b)
        core.fill(a, b)
        core.multiply(a, b)
        number = self._next
        self._next = stop
        readings: list[Reading] = []
        if newly and reference is not None:
            self._rephase(reference, b)
            self._calibration.reset()
            if not core.reference_found(b - 1):
                return readings
            a = b - 1
        elif core.noise_V == 0.0:
            if stop < core.n_hops or not core.first_window(b - 1):
                return readings
            a = b - 1
        else:
            a = max(a, core.store.row(max(number, core.n_hops - 1)))
        solutions = core.solve(a, b)
        readings = self._readings(a, solutions, reference)
        if self._self_synced and stop % core.n_hops == 0:
            self._acquire(b, solutions[-1])
        if stop % core.block == 0:
            core.learn(b - 1)
        return readings

    def _rephase(self, reference: PhaseReference, stop: int) -> None:
        """Lay a newly found reference under the stored hops too."""
        core = self._core
        assert core is not None
        st = core.store
        st.phase[:stop] = (st.end_s[:stop] - reference.start_s) * reference.frequency_Hz
        st.span[:stop] = self._conversion_s * reference.frequency_Hz

    def _acquire(self, stop: int, solution: Solution | None) -> None:
        """Pass the window that ends before row `stop`, mains and drift subtracted, to the code tracker."""
        core = self._core
        assert core is not None
        if solution is None:
            return
        st = core.store
        rows = slice(stop - core.n_hops, stop)
        rest = core.residual(solution, stop - 1)
        if core.referenced:
            rest = rest + st.columns[rows, REF] * solution.value + st.columns[rows, QUAD] * solution.quadrature
        if self.clock.line(self._base + self._slots * self._window_from)[0] > float(st.end_s[rows][0, 0]):
            return
        self._code.add_window(st.end_s[rows], rest, st.weight[rows], self._conversion_s, solution.noise)
        self._clock_offset = self._code.offset
        if not self._code.locked:
            core.referenced = False

    def _load(self, stop: int, reference: PhaseReference | None) -> tuple[int, int]:
        """Move the pending samples of hops self._next .. stop-1 into the core's store; returns their rows."""
        core = self._core
        assert core is not None
        st, slots = core.store, self._slots
        begin = self._base + slots * self._next
        st.room(stop - 1, self._next - core.keep)
        a, b = st.row(self._next), st.row(stop)
        count = slots * (stop - self._next)
        if self._i[0] == begin and self._i.size >= count and self._i[count - 1] == begin + count - 1:
            bounds = list(range(0, count + 1, slots))
        else:
            bounds = np.searchsorted(self._i, begin + slots * np.arange(stop - self._next + 1)).tolist()
        lo, cut = bounds[0], bounds[-1]
        whole = cut - lo == count
        v, flags = self._v[lo:cut], self._f[lo:cut]
        clean = whole and not np.count_nonzero(flags)
        if clean:
            st.counts[a:b] = self._full_counts
            st.v[a:b] = v.reshape(b - a, slots)
            st.usable[a:b] = True
        else:
            bad = (flags & _BAD) != 0
            st.counts[a:b] = 0.0
            place = self._i[lo:cut] - begin
            st.v[a:b] = 0.0
            st.v[a:b].reshape(-1)[place] = v
            st.usable[a:b] = False
            st.usable[a:b].reshape(-1)[place] = ~bad
        many = whole and stop - self._next > 1
        earliest = self.clock.earliest(self._i[lo:cut], self._t[lo:cut], stop - self._next) if many else None
        for k in range(stop - self._next):
            if earliest is not None and self.clock.mature:
                self.clock.add_cell(*earliest[k])
            else:
                self.clock.push(self._i[bounds[k] : bounds[k + 1]], self._t[bounds[k] : bounds[k + 1]])
            first_s, period_s = self.clock.line(begin + slots * k)
            ended = np.multiply(self._steps, period_s, out=st.end_s[a + k])
            ended += first_s
        if not clean:
            usable = st.usable[a:b].reshape(-1)
            saturated = np.zeros(usable.size, dtype=bool)
            changed = np.zeros(usable.size, dtype=bool)
            place = self._i[lo:cut] - begin
            saturated[place] = (flags & SampleFlag.SATURATED) != 0
            changed[place] = (flags & SampleFlag.RANGE_CHANGED) != 0
            # A sample next to a saturated one may have been clipped for a part of its conversion.
            usable[1:] &= ~saturated[:-1]
            usable[:-1] &= ~saturated[1:]
            st.counts[a:b, SATURATED] = saturated.reshape(-1, slots).sum(axis=1)
            st.counts[a:b, CHANGED] = changed.reshape(-1, slots).any(axis=1)
            st.break_before[a:b] |= changed.reshape(-1, slots).any(axis=1)
        for start, end in self._excluded:
            hit = (st.end_s[a:b] >= start) & (st.end_s[a:b] <= end)
            st.usable[a:b] &= ~hit
            clean = clean and not hit.any()
        st.weight[a:b] = st.usable[a:b]
        if not clean:
            st.counts[a:b, USABLE] = st.counts[a:b, WEIGHT] = st.usable[a:b].sum(axis=1)
        if reference is not None:
            phase = np.subtract(st.end_s[a:b], reference.start_s, out=st.phase[a:b])
            phase *= reference.frequency_Hz
            st.span[a:b] = self._conversion_s * reference.frequency_Hz
        else:
            st.phase[a:b] = 0.0
            st.span[a:b] = self._conversion_s * self.settings.frequency_Hz
        self._i, self._t, self._v, self._f = self._i[cut:], self._t[cut:], self._v[cut:], self._f[cut:]
        return a, b

    # ---- readings -----------------------------------------------------------------------------------------

    def _readings(self, a: int, solutions: list[Solution | None], reference: PhaseReference | None) -> list[Reading]:
        """One reading for each window that ends with row a, a + 1, ..."""
        core = self._core
        assert core is not None
        st, n = core.store, core.n_hops
        b = a + len(solutions)
        windows = sum_windows(st.counts[a - n + 1 : b], n)
        strongest = max(
            (max(level, f.amplitude_V if f.locked else 0.0)
             for level, f in zip(core.levels, core.tracker.families, strict=True)), default=0.0,
        )  # fmt: skip
        evidence = [Evidence()] * (b - a)
        if reference is not None:
            evidence = examine(core, a, solutions, windows[:, WEIGHT].tolist(), strongest > 3.0 * core.noise_V > 0)
        # The same for all hops of a run: they were laid under one reference.
        late = (0.0, 0.0) if reference is None else self._late(reference, float(st.span[b - 1]))
        starts, ends = st.end_s[a - n + 1 : b - n + 1, 0].tolist(), st.end_s[a:b, -1].tolist()
        out = []
        for i, (solution, window) in enumerate(zip(solutions, windows.tolist(), strict=True)):
            if st.first + a + i - n + 1 >= self._window_from:
                out.append(
                    self._reading(
                        solution, reference, window, strongest, evidence[i], starts[i], ends[i], late
                    )
                )  # fmt: skip
        return out

    def _late(self, reference: PhaseReference, span: float) -> tuple[float, float]:
        """What a reference as late as it may be takes from a value (relative), and turns into the quadrature."""
        if not (reference.sigma_s > 0 or reference.frequency_sigma > 0):
            return 0.0, 0.0
        # An unknown delay takes from the value what the waveform's own correlation takes.
        delay = math.hypot(reference.sigma_s, reference.frequency_sigma * self.settings.window_s / math.sqrt(12))
        return waveforms.delay_effect(self.settings.waveform, delay * reference.frequency_Hz, span)

    def _reading(
        self,
        solution: Solution | None,
        reference: PhaseReference | None,
        window: list[float],
        strongest: float,
        evidence: Evidence,
        start_s: float,
        end_s: float,
        late: tuple[float, float],
    ) -> Reading:
        core, s = self._core, self.settings
        assert core is not None
        expected = core.n_hops * self._slots
        lost = 1.0 - window[USABLE] / expected
        flags: list[str] = []
        if lost > 0:
            if window[SATURATED]:
                flags.append("saturated")
            if lost > 0.01:
                flags.append("lost")
        if window[CHANGED]:
            flags.append("range changed")
        if window[TRANSIENT] > 0.005 * expected or (solution is not None and solution.breaks):
            flags.append("transient")
        value = quadrature = sigma = snr = p_sign = None
        if reference is None:
            flags.insert(0, "acquiring")
        elif solution is None or lost > 0.7 or not (solution.unit_value > 0 and solution.unit_quadrature > 0):
            flags.insert(0, "no sign")
        else:
            # A window far quieter than the pool's ordinary noise is more likely a failed fit than a quiet moment.
            noise = max(solution.noise, 0.5 * core.noise_V, core.floor_V)
            value, quadrature = solution.value, solution.quadrature
            across = noise**2 * solution.unit_quadrature
            loss, turned = abs(value) * late[0], (value * late[1]) ** 2
            factor = self._calibration.factor(evidence, value, quadrature, across, turned)
            sigma = noise * math.sqrt(solution.unit_value * factor)
            if loss > 0.3 * sigma:
                flags.append("clock old")
            sigma = math.hypot(sigma, loss)
            sigma = math.hypot(sigma, quantisation_sigma(solution.noise, strongest, core.step_V))
            if strongest > 30 * noise:
                flags.append("mains")
            if evidence.false_V > sigma:
                flags.append("modulated")
            sigma = math.hypot(sigma, evidence.false_V)
            if abs(quadrature) > max(5 * math.sqrt(across * factor), 0.35 * abs(value)):
                flags.append("quadrature")
                if abs(quadrature) > abs(value):
                    # Whatever makes it is not the signal alone, and may be as large in phase.
                    sigma = math.hypot(sigma, quadrature)
            snr = abs(value) / sigma if sigma > 0 else 0.0
            p_sign = 0.5 * math.erfc(-snr / math.sqrt(2.0))
            if snr < 2.0:
                flags.append("no sign")
        return Reading(
            t_s=0.5 * (start_s + end_s - self._conversion_s),
            value_V=value,
            quadrature_V=quadrature,
            sigma_V=sigma,
            snr=snr,
            p_sign=p_sign,
            lost_fraction=lost,
            window_s=expected * self.clock.period_s,
            flags=tuple(flags),
            channel=s.channel,
            newest_s=end_s,
        )


def quantisation_sigma(noise_V: float, mains_V: float, step_V: float) -> float:
    """What a converter's step does to a value when neither noise nor mains move the samples across it.

    Each level is wrong by at most step / pi exp(-2 pi^2 (noise / step)^2) (Widrow and Kollar, Quantization Noise,
    from memory: first term of the characteristic function's series); a value is half the difference of two levels.
    """
    if step_V <= 0 or mains_V > step_V or noise_V > 1.5 * step_V:
        return 0.0
    dither2 = max((noise_V / step_V) ** 2 - 1.0 / 12.0, 0.0)
    return step_V / (2.0 * math.pi) * math.exp(-2.0 * math.pi**2 * dither2)
