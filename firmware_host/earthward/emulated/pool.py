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
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from earthward.clock import Clock
from earthward.emulated.load import Drive, Injection
from earthward.emulated.output import OutputTimeline
from earthward.emulated.scenario import COVERED_OHM, Point3, Scenario
from earthward.errors import InputError
from earthward.pool.box import BoxField
from earthward.signal.types import FloatArray

#: below this the board calls its electrode circuit open
OPEN_A = 15e-6
#: pick-up out of the water, relative to that in it
AIR_PICKUP = 40.0


class Potential(Protocol):
    """The part of a pool field that is needed here."""

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        """1/m at points (m, 3) of a unit source at (3,): liner and surface insulating, evenly balanced."""
        ...


class BoxPotential:
    """Exact potential of a box pool."""

    def __init__(self, length_m: float, width_m: float, depth_m: float) -> None:
        self._box = BoxField(length_m, width_m, depth_m)

    def potential(self, points_m: ArrayLike, source_m: ArrayLike) -> FloatArray:
        return self._box.green(points_m, source_m)


@dataclass(frozen=True)
class Sink:
    """A way from the water to earth."""

    name: str
    position_m: Point3
    ohm: float


class Network:
    """Who takes how much. Solved once per state of covers and repairs and per injection electrode."""

    def __init__(self, field: Potential, scenario: Scenario, sinks: list[Sink]) -> None:
        self.sinks = sinks
        self._scenario = scenario
        self._solved: dict[str, tuple[FloatArray, float]] = {}
        self._mutual: FloatArray = np.zeros((len(sinks), len(sinks)))
        positions = np.array([s.position_m for s in sinks], dtype=float).reshape(-1, 3)
        for k in range(len(sinks)):
            others = [j for j in range(len(sinks)) if j != k]
            if others:
                self._mutual[others, k] = field.potential(positions[others], positions[k])
        self._from_source = {
            name: field.potential(positions, where) if sinks else np.zeros(0)
            for name, where in (("A", scenario.electrode_A_m), ("B", scenario.electrode_B_m))
        }

    def shares(self, electrode: str) -> tuple[FloatArray, float]:
        """(share of the injected current per sink, ohms from the water to earth). No sink: (empty, inf).

        Unknowns: each sink's current for one ampere injected, and the water's mean potential p:
        p + rho (G(sink, source) - sum of other sinks' G) = current * ohm; currents add up to one.
        """
        known = self._solved.get(electrode)
        if known is None:
            known = self._solved[electrode] = self._solve(electrode)
        return known

    def _solve(self, electrode: str) -> tuple[FloatArray, float]:
        count = len(self.sinks)
        if count == 0:
            return np.zeros(0), float("inf")
        rho = self._scenario.water_ohm_m
        matrix = np.zeros((count + 1, count + 1))
        matrix[:count, :count] = np.diag([s.ohm for s in self.sinks]) + rho * self._mutual
        matrix[:count, count] = -1.0
        matrix[count, :count] = 1.0
        right = np.append(rho * self._from_source[electrode], 1.0)
        solved = np.linalg.solve(matrix, right)
        return solved[:count], float(solved[count])


@dataclass(frozen=True)
class Pose:
    """Where the pair is. None = out of the water."""

    front_m: Point3 | None
    back_m: Point3 | None
    crossed_front_m: Point3 | None = None
    crossed_back_m: Point3 | None = None

    @property
    def wet(self) -> bool:
        return self.front_m is not None and self.front_m[2] >= 0.0 and self.back_m is not None and self.back_m[2] >= 0.0


@dataclass(frozen=True)
class _Stretch:
    """From `from_s` on: volts at both pairs per unit waveform, by injection electrode, along a movement."""

    from_s: float
    times_s: FloatArray
    volts: dict[str, FloatArray]  # electrode -> (pairs, knots)
    wet: bool
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
        """The input of the converter on pair 0 (the pair) or 1 (the crossed pair)."""
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
        for where in (pose.front_m, pose.back_m, pose.crossed_front_m, pose.crossed_back_m):
            if where is not None:
                self._inside(where)
        with self._lock:
            before, self._pose = self._pose, pose
            steps = [pose]
            if moving_s > 0 and before.wet and pose.wet:
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
            (pair, k, back, front)
            for k, pose in enumerate(poses)
            for pair, (front, back) in enumerate(
                ((pose.front_m, pose.back_m), (pose.crossed_front_m, pose.crossed_back_m))
            )
            if front is not None and back is not None
        ]
        ends = np.array([(back, front) for _, _, back, front in wanted], dtype=float).reshape(-1, 3)
        # All places at once, and each sink's field once for both electrodes: moving must not hold up the bench.
        from_sinks = [self._field.potential(ends, s.position_m) for s in self._network.sinks] if len(ends) else []
        for name in ("A", "B"):
            volts[name] = np.zeros((2, len(poses)))
            if not from_sinks:
                continue
            amplitude = self._inject(self._drive, name).current_A
            shares, _ = self._network.shares(name)
            potential = self._field.potential(ends, self._electrode_m(name))
            for share, field in zip(shares, from_sinks, strict=True):
                potential = potential - share * field
            for (pair, k, _, _), (back_V, front_V) in zip(wanted, potential.reshape(-1, 2), strict=True):
                volts[name][pair, k] = amplitude * self.scenario.water_ohm_m * (back_V - front_V)
        return _Stretch(now, times, volts, poses[-1].wet, now + moving_s)

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
        wet, moving = _state_at(stretches, middle)
        volts = self._nuisance(pair, middle, end_s - start_s, wet, moving)
        if timeline is None:
            return volts
        segments = timeline.segments()
        for k, segment in enumerate(segments):
            if not segment.on:
                continue
            until = segments[k + 1].from_s if k + 1 < len(segments) else np.inf
            a, b = np.maximum(start_s, segment.from_s), np.minimum(end_s, until)
            hit = b > a
            if not hit.any():
                continue
            amplitude = _volts_at(stretches, segment.electrode, pair, middle[hit])
            share = (b[hit] - a[hit]) / (end_s[hit] - start_s[hit])
            volts[hit] += amplitude * share * segment.mean_over(a[hit], b[hit])
        return volts

    def _nuisance(
        self, pair: int, t: FloatArray, length: FloatArray, wet: FloatArray, moving: FloatArray
    ) -> FloatArray:
        s = self.scenario
        volts: FloatArray = s.offset_V * (1.0 if pair == 0 else -0.6) + self._drift_amplitude @ np.sin(
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
    """One converter's input: inputs 0-1 (and, on a single chip, 2-3 for the crossed pair)."""

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
        gain = self._pool.scenario.front_end_gain
        if (positive, negative) == (0, 1):
            return gain * self._pool.mean_V(self._number, start_s, end_s)
        if (positive, negative) == (2, 3) and self._number == 0:
            return gain * self._pool.mean_V(1, start_s, end_s)
        # Anything else is not wired: half the supply against ground, nothing between unused inputs.
        return np.full(start_s.shape, 1.65 if negative is None else 0.0)


def _between(a: Pose, b: Pose, share: float) -> Pose:
    def mix(p: Point3 | None, q: Point3 | None) -> Point3 | None:
        if p is None or q is None:
            return q
        x, y, z = (u + share * (v - u) for u, v in zip(p, q, strict=True))
        return (x, y, z)

    return Pose(
        mix(a.front_m, b.front_m),
        mix(a.back_m, b.back_m),
        mix(a.crossed_front_m, b.crossed_front_m),
        mix(a.crossed_back_m, b.crossed_back_m),
    )


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


def _state_at(stretches: list[_Stretch], t: FloatArray) -> tuple[FloatArray, FloatArray]:
    wet = _each(stretches, t, lambda s, at: np.full(at.shape, float(s.wet)))
    moving = _each(stretches, t, lambda s, at: (at < s.moving_until_s).astype(float))
    return wet, moving
