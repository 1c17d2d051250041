"""EMULATED pool: the board's current goes in, volts come out at the pair where the technician holds it.

Current: the board's drive, its series resistors and limiter, injection electrode, the water, every sink to earth in
parallel (a hole with its soil, a fitting, a bond), earth electrode. The sinks share the current by solving the
network with the water's own spreading resistance in it, so that a bonded fitting starves a leak, covering it gives
the leak its current back, and a near injection electrode feeds a low-ohmic fitting a little more.

Voltage: the field of a unit source and of each sink (`potential`, insulating liner and surface), times resistivity,
times current, at both electrodes of the pair, back minus front. Then the instrument's enemies: mains pick-up
with harmonics that wanders, electrode offset and 1/f drift, bumps while the pole moves, and far more pick-up while
the pair is out of the water.

All voltages are means over a conversion, not samples: exact for the waveform, by the sinc for mains. Everything
is a function of time that can be evaluated again, so the converter may look ahead.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from earthward.clock import Clock
from earthward.emulated.load import Drive, Injection
from earthward.emulated.network import BoxPotential, Network, Potential, Sink
from earthward.emulated.output import OutputTimeline
from earthward.emulated.scenario import COVERED_OHM, Point3, Scenario
from earthward.errors import InputError
from earthward.signal.types import FloatArray

#: below this the board calls its electrode circuit open
OPEN_A = 15e-6
#: pick-up out of the water, relative to that in it
AIR_PICKUP = 40.0
#: most pairs of one head
PAIRS = 3
#: Of the water's swing against earth, what an input shows against the receiver's 0 V: with the reference contact, and
#: with its lead broken (hardware/receiver_front_end, 2 nF from receiver to earth and 20 pF); what the clamps leave.
SWING_SEEN, SWING_UNSEEN, CLAMPED_V = 0.0064, 0.15, 2.15
#: ... and what a pair of unlike contacts then shows of the swing as false signal (same table, 200 pF and 1 kohm).
SWING_FALSE = 8e-6


@dataclass(frozen=True)
class Pose:
    """Where the pair is, and further pairs (front, back) of the same head. None = out of the water."""

    front_m: Point3 | None
    back_m: Point3 | None
    others_m: tuple[tuple[Point3, Point3], ...] = ()

    @property
    def pairs(self) -> tuple[tuple[Point3, Point3], ...]:
        """(front, back) of every pair; empty out of the water."""
        if self.front_m is None or self.back_m is None:
            return ()
        return ((self.front_m, self.back_m), *self.others_m)

    @property
    def wet(self) -> tuple[bool, ...]:
        """Of each pair that there may be: are both ends in the water?"""
        known = [front[2] >= 0.0 and back[2] >= 0.0 for front, back in self.pairs]
        return (*known, *([False] * (PAIRS - len(known))))


@dataclass(frozen=True)
class _Stretch:
    """From `from_s` on: volts at both pairs per unit waveform, by injection electrode, along a movement."""

    from_s: float
    times_s: FloatArray
    volts: dict[str, FloatArray]  # electrode -> (pairs, knots)
    wet: tuple[bool, ...]
    moving_until_s: float


class VirtualPool:
    """See the module's text. `inject` and `idle` are the board's load; `pair(k)` is a converter's input.

    Args:
        scenario: what there is. clock: bench time. field: default, an exact box.
    """

    def __init__(self, scenario: Scenario, clock: Clock, field: Potential | None = None) -> None:
        self.scenario = scenario
        self._clock = clock
        self._field = field or BoxPotential(scenario.length_m, scenario.width_m, scenario.depth_m)
        self._lock = threading.RLock()
        self.generation = 0
        self._covered: set[str] = set()
        self._repaired: set[str] = set()
        self._test_leak: Sink | None = None
        self._dry: set[int] = set()
        self._ring_broken = False
        self._timeline: OutputTimeline | None = None
        self._drive = Drive()
        self._network = self._build()
        self._pose = Pose(None, None)
        self._still = self._knots([self._pose], clock.now(), 0.0)
        self._stretches: list[_Stretch] = [self._still]
        draw = np.random.default_rng([scenario.seed, 77])
        # 1/f wander: two lines an octave from 0.002 to 4 Hz, amplitude ~ f^-1/2.
        frequency = 0.002 * 2.0 ** (np.arange(22) / 2) * draw.uniform(0.9, 1.1, 22)
        self._drift_omega = 2 * np.pi * frequency
        self._drift_amplitude = scenario.drift_V * np.sqrt(0.01 / frequency) * draw.normal(1.0, 0.2, 22)
        self._drift_phase = draw.uniform(0, 2 * np.pi, (2, 22))
        bump = draw.uniform(0.6, 6.0, 8)
        self._bump_omega = 2 * np.pi * bump
        self._bump_amplitude = scenario.motion_V / np.sqrt(4.0) / np.sqrt(bump / 0.6)
        self._bump_phase = draw.uniform(0, 2 * np.pi, (2, 8))
        self._mains_phase = draw.uniform(0, 2 * np.pi, (2, 1 + len(scenario.mains_harmonics)))
        self._wander_phase = draw.uniform(0, 2 * np.pi, 3)
        # Drawn last, so that the other heads' pools stay as they are.
        self._drift_phase = np.vstack([self._drift_phase, draw.uniform(0, 2 * np.pi, (1, 22))])
        self._bump_phase = np.vstack([self._bump_phase, draw.uniform(0, 2 * np.pi, (1, 8))])
        self._mains_phase = np.vstack([self._mains_phase, draw.uniform(0, 2 * np.pi, (1, self._mains_phase.shape[1]))])

    # ---- wiring -------------------------------------------------------------------------------------------

    def connect(self, timeline: OutputTimeline, drive: Drive) -> None:
        """The board's output is this pool's input from now on."""
        with self._lock:
            self._timeline = timeline
            self._drive = drive
        timeline.listeners.append(self._changed)
        self._restart_stretch()

    def _changed(self) -> None:
        self.generation += 1

    def pair(self, number: int) -> PairVoltage:
        """The inputs of the converter on pair 0 (the pair, or all of a three-axis head) or 1 (the crossed pair)."""
        return PairVoltage(self, number)

    # ---- the world changes --------------------------------------------------------------------------------

    def set_covered(self, name: str, covered: bool = True) -> None:
        """Cover or plug a fitting, or uncover it."""
        self._known(name, [f.name for f in self.scenario.fittings], "fitting")
        (self._covered.add if covered else self._covered.discard)(name)
        self._rebuild()

    @property
    def repaired(self) -> frozenset[str]:
        """The leaks that are patched."""
        return frozenset(self._repaired)

    def set_repaired(self, name: str, repaired: bool = True) -> None:
        """Patch a leak, or take the patch off."""
        self._known(name, [leak.name for leak in self.scenario.leaks], "leak")
        (self._repaired.add if repaired else self._repaired.discard)(name)
        self._rebuild()

    def set_test_leak(self, position_m: Point3 | None, ohm: float = 0.0) -> None:
        """Join a test leak (an insulated wire to earth with a bare end in the water) of `ohm`, or None: take it off."""
        if position_m is not None:
            self._inside(position_m)
        self._test_leak = None if position_m is None else Sink("test leak", position_m, ohm)
        self._rebuild()

    def set_dry(self, inputs: Iterable[int]) -> None:
        """Air is trapped at the electrodes on these inputs of the first converter."""
        self._dry = set(inputs)
        self._restart_stretch()

    def set_reference_broken(self, broken: bool = True) -> None:
        """The lead of the reference contact breaks, or is whole again."""
        self._ring_broken = broken
        self._restart_stretch()

    def _pair_inputs(self, pair: int) -> tuple[int, int]:
        """Inputs (positive, negative) of a pair on the first converter."""
        return (pair, 3) if self.scenario.head == "three-axis" else (2 * pair, 2 * pair + 1)

    @staticmethod
    def _known(name: str, names: list[str], what: str) -> None:
        if name not in names:
            raise InputError(f"The emulated pool has no {what} {name!r}: it has {names or 'none'}.")

    def _build(self) -> Network:
        s = self.scenario
        sinks = [Sink(x.name, x.position_m, s.leak_ohm(x)) for x in s.leaks if x.name not in self._repaired]
        for f in s.fittings:
            sinks.append(Sink(f.name, f.position_m, f.ohm + (COVERED_OHM if f.name in self._covered else 0.0)))
        if self._test_leak is not None:
            sinks.append(self._test_leak)
        return Network(self._field, s, sinks)

    def _rebuild(self) -> None:
        with self._lock:
            self._network = self._build()
        self._restart_stretch()

    def move(self, pose: Pose, moving_s: float = 0.0) -> None:
        """Take the pair to a place, in a straight line that lasts `moving_s`; 0 = it is there at once."""
        for ends in pose.pairs:
            for where in ends:
                self._inside(where)
        with self._lock:
            before, self._pose = self._pose, pose
            steps = [pose]
            if moving_s > 0 and before.wet[0] and pose.wet[0] and len(before.pairs) == len(pose.pairs):
                count = 9
                steps = [_between(before, pose, k / (count - 1)) for k in range(count)]
            self._add(self._knots(steps, self._clock.now(), moving_s))

    def _inside(self, where: Point3) -> None:
        s = self.scenario
        slack = 1e-9
        if not (
            -slack <= where[0] <= s.length_m + slack
            and -slack <= where[1] <= s.width_m + slack
            and where[2] <= s.depth_m + slack
        ):
            raise InputError(f"The place {where} is outside the emulated pool: hold the pair inside its walls.")

    def _restart_stretch(self) -> None:
        with self._lock:
            self._add(self._knots([self._pose], self._clock.now(), 0.0))

    def _knots(self, poses: list[Pose], now: float, moving_s: float) -> _Stretch:
        times = now + np.linspace(0.0, moving_s, len(poses))
        volts: dict[str, FloatArray] = {}
        wanted = [
            (pair, k, back, front) for k, pose in enumerate(poses) for pair, (front, back) in enumerate(pose.pairs)
        ]
        ends = np.array([(back, front) for _, _, back, front in wanted], dtype=float).reshape(-1, 3)
        # All places at once, and each sink's field once for both electrodes: moving must not hold up the bench.
        from_sinks = [self._field.potential(ends, s.position_m) for s in self._network.sinks] if len(ends) else []
        for name in ("A", "B"):
            volts[name] = np.zeros((PAIRS, len(poses)))
            if not from_sinks:
                continue
            amplitude = self._inject(self._drive, name).current_A
            shares, _ = self._network.shares(name)
            potential = self._field.potential(ends, self._electrode_m(name))
            for share, field in zip(shares, from_sinks, strict=True):
                potential = potential - share * field
            for (pair, k, _, _), (back_V, front_V) in zip(wanted, potential.reshape(-1, 2), strict=True):
                volts[name][pair, k] = amplitude * self.scenario.water_ohm_m * (back_V - front_V)
        touching = [not self._dry.intersection(self._pair_inputs(pair)) for pair in range(PAIRS)]
        for name, values in volts.items():
            values *= np.array(touching, dtype=float)[:, None]
            if self._ring_broken:
                values += SWING_FALSE * self._swing_V(name)
        wet = tuple(a and b for a, b in zip(poses[-1].wet, touching, strict=True))
        return _Stretch(now, times, volts, wet, now + moving_s)

    def _swing_V(self, electrode: str) -> float:
        """Amplitude of the water's voltage against earth with the source on."""
        _, sinks_ohm = self._network.shares(electrode)
        if not np.isfinite(sinks_ohm):
            return self._drive.voltage_V  # a tight liner: the water goes all the way with the electrode
        return self._inject(self._drive, electrode).current_A * (sinks_ohm + self.scenario.earth_electrode_ohm)

    def _add(self, stretch: _Stretch) -> None:
        self._stretches = [*(s for s in self._stretches[-12:] if s.from_s < stretch.from_s), stretch]
        self.generation += 1

    # ---- physics ------------------------------------------------------------------------------------------

    def transfer_ohm(self, front_m: Point3, back_m: Point3, electrode: str) -> float:
        """V_back - V_front per ampere injected at an electrode."""
        shares, _ = self._network.shares(electrode)
        where = self._electrode_m(electrode)
        ends = np.array([back_m, front_m], dtype=float)
        potential = self._field.potential(ends, where)
        for share, sink in zip(shares, self._network.sinks, strict=True):
            potential = potential - share * self._field.potential(ends, sink.position_m)
        if not len(self._network.sinks):
            return 0.0
        return self.scenario.water_ohm_m * float(potential[0] - potential[1])

    def _electrode_m(self, name: str) -> Point3:
        return self.scenario.electrode_A_m if name == "A" else self.scenario.electrode_B_m

    def true_volts(self, electrode: str = "A", pair: int = 0) -> float:
        """What a perfect instrument would read at the present pose with the source on."""
        with self._lock:
            return float(self._stretches[-1].volts[electrode][pair, -1])

    def sink_currents_A(self, electrode: str = "A") -> dict[str, float]:
        """Current of each sink with the source on (amplitude)."""
        with self._lock:
            shares, _ = self._network.shares(electrode)
            total = self._inject(self._drive, electrode).current_A
            return {s.name: float(total * f) for s, f in zip(self._network.sinks, shares, strict=True)}

    def _inject(self, drive: Drive, electrode: str) -> Injection:
        s = self.scenario
        _, sinks_ohm = self._network.shares(electrode)
        outside = s.electrode_ohm + sinks_ohm + s.earth_electrode_ohm
        wanted = drive.voltage_V / (drive.series_ohm + outside) if np.isfinite(outside) else 0.0
        current = min(wanted, drive.limit_A)
        if current < OPEN_A:
            return Injection(current, drive.voltage_V, open_circuit=True)
        return Injection(current, current * outside, limiting=wanted > drive.limit_A)

    def inject(self, drive: Drive, electrode: str) -> Injection:
        with self._lock:
            return self._inject(drive, electrode)

    def idle(self, electrode: str, at_s: float) -> tuple[float, float]:
        s = self.scenario
        slow = 1.0 + 0.05 * np.sin(0.07 * at_s)
        return s.idle_dc_V * float(slow), s.idle_ac_V * float(slow)

    def mean_V(self, pair: int, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean open-circuit volts at a pair over each interval."""
        with self._lock:
            stretches = list(self._stretches)
            timeline = self._timeline
        middle = 0.5 * (start_s + end_s)
        wet, moving = _state_at(stretches, middle, pair)
        volts = self._nuisance(pair, middle, end_s - start_s, wet, moving)
        return volts + self._driven(start_s, end_s, lambda e, t: _volts_at(stretches, e, pair, t), timeline)

    def input_V(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean volts of an input against the receiver's 0 V: mid-supply, and what the water's swing does to it."""
        with self._lock:
            timeline = self._timeline
            share = SWING_UNSEEN if self._ring_broken else SWING_SEEN
        swing = self._driven(start_s, end_s, lambda e, t: np.full(t.shape, self._swing_V(e)), timeline)
        return np.asarray(1.65 + np.clip(share * swing, -CLAMPED_V, CLAMPED_V))

    @staticmethod
    def _driven(
        start_s: FloatArray,
        end_s: FloatArray,
        amplitude_V: Callable[[str, FloatArray], FloatArray],
        timeline: OutputTimeline | None,
    ) -> FloatArray:
        """Mean over each interval of what follows the source's waveform with that amplitude."""
        volts: FloatArray = np.zeros(start_s.shape)
        if timeline is None:
            return volts
        middle = 0.5 * (start_s + end_s)
        segments = timeline.segments()
        for k, segment in enumerate(segments):
            if not segment.on:
                continue
            until = segments[k + 1].from_s if k + 1 < len(segments) else np.inf
            a, b = np.maximum(start_s, segment.from_s), np.minimum(end_s, until)
            hit = b > a
            if not hit.any():
                continue
            amplitude = amplitude_V(segment.electrode, middle[hit])
            share = (b[hit] - a[hit]) / (end_s[hit] - start_s[hit])
            volts[hit] += amplitude * share * segment.mean_over(a[hit], b[hit])
        return volts

    def _nuisance(
        self, pair: int, t: FloatArray, length: FloatArray, wet: FloatArray, moving: FloatArray
    ) -> FloatArray:
        s = self.scenario
        volts: FloatArray = s.offset_V * (1.0, -0.6, 0.4)[pair] + self._drift_amplitude @ np.sin(
            self._drift_omega[:, None] * t + self._drift_phase[pair][:, None]
        )
        if moving.any():
            volts += moving * (
                self._bump_amplitude @ np.sin(self._bump_omega[:, None] * t + self._bump_phase[pair][:, None])
            )
        # The grid's frequency wanders by some hundredths of a hertz within minutes, its level by a tenth.
        wander = 0.02 / 0.05 * np.sin(0.05 * t + self._wander_phase[0]) + 0.01 / 0.31 * np.sin(
            0.31 * t + self._wander_phase[1]
        )
        phase = 2 * np.pi * (s.mains_Hz * t + wander)
        level = s.mains_V * (1.0 + 0.1 * np.sin(0.23 * t + self._wander_phase[2])) * np.where(wet > 0, 1.0, AIR_PICKUP)
        for k, (order, share) in enumerate(((1, 1.0), *s.mains_harmonics)):
            volts += (
                level
                * share
                * np.sinc(order * s.mains_Hz * length)
                * np.sin(order * phase + self._mains_phase[pair, k])
            )
        return volts


class PairVoltage:
    """One converter's inputs: 0 and 1 (2 and 3 for a crossed pair on the same chip), or 0, 1, 2 against 3."""

    def __init__(self, pool: VirtualPool, number: int) -> None:
        self._pool = pool
        self._number = number

    @property
    def generation(self) -> int:
        return self._pool.generation

    @property
    def source_ohm(self) -> float:
        return self._pool.scenario.pair_ohm

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        gain, head = self._pool.scenario.front_end_gain, self._pool.scenario.head
        if negative is None:
            return self._pool.input_V(start_s, end_s)
        if head == "three-axis":
            if negative == 3:
                return gain * self._pool.mean_V(positive, start_s, end_s)
        elif (positive, negative) == (0, 1):
            return gain * self._pool.mean_V(self._number, start_s, end_s)
        elif (positive, negative) == (2, 3) and self._number == 0:
            return gain * self._pool.mean_V(1, start_s, end_s)
        return np.zeros(start_s.shape)  # not wired


def _between(a: Pose, b: Pose, share: float) -> Pose:
    def mix(p: Point3, q: Point3) -> Point3:
        x, y, z = (u + share * (v - u) for u, v in zip(p, q, strict=True))
        return (x, y, z)

    pairs = [(mix(f, g), mix(h, k)) for (f, h), (g, k) in zip(a.pairs, b.pairs, strict=True)]
    return Pose(*pairs[0], tuple(pairs[1:]))


def _each(stretches: list[_Stretch], t: FloatArray, value: Callable[[_Stretch, FloatArray], FloatArray]) -> FloatArray:
    starts = [s.from_s for s in stretches]
    which = np.maximum(np.searchsorted(starts, t, side="right") - 1, 0)
    result = np.empty(t.shape)
    for k in np.unique(which):
        at = which == k
        result[at] = value(stretches[int(k)], t[at])
    return result


def _volts_at(stretches: list[_Stretch], electrode: str, pair: int, t: FloatArray) -> FloatArray:
    return _each(stretches, t, lambda s, at: np.interp(at, s.times_s, s.volts[electrode][pair]))


def _state_at(stretches: list[_Stretch], t: FloatArray, pair: int) -> tuple[FloatArray, FloatArray]:
    wet = _each(stretches, t, lambda s, at: np.full(at.shape, float(s.wet[pair])))
    moving = _each(stretches, t, lambda s, at: (at < s.moving_until_s).astype(float))
    return wet, moving
