"""EMULATED pole head: how it is turned, what a sensor in it feels, and the magnetic field it passes through.

The attitude follows from where the electrodes are held. A hand is never quite still: the head wobbles by some tenths of
a degree. The earth's field is bent by reinforcement behind the liner, by ladders, and by the phone in the pocket of
whoever holds the pole. All of our own invention; nothing here knows how the attitude is worked out from it.
"""

from __future__ import annotations

import math
import threading
from dataclasses import dataclass

import numpy as np

from earthward.clock import Clock
from earthward.emulated.inertial import GRAVITY
from earthward.emulated.pool import Pose
from earthward.emulated.scenario import Scenario
from earthward.signal.types import FloatArray

#: wobble of a held pole: sines of these frequencies, the slow ones larger, make up this rms angle about each axis; and
#: this path of its middle
WOBBLE_HZ = (0.31, 0.67, 1.3, 2.1)
WOBBLE_DEG, SWAY_M = 0.35, 0.002
_SIZE = 1.0 / np.array(WOBBLE_HZ)
_SIZE *= math.sqrt(2.0 / float(_SIZE @ _SIZE))
#: reinforcing bars behind the liner: so far behind, so far apart, magnetic moment of a piece (lognormal about this)
BAR_BEHIND_M, BAR_APART_M, BAR_A_M2 = 0.12, 0.6, 0.5
LADDER_A_M2 = 8.0
#: what a phone's magnets add while it is near, about a metre away from the head
PHONE_T = np.array([4.0e-6, -3.0e-6, 2.0e-6])


@dataclass(frozen=True)
class _Move:
    """From one attitude and place to the next within (from_s, until_s)."""

    from_s: float
    until_s: float
    before: FloatArray
    vector: FloatArray  # rotation vector, in the axes before
    place: FloatArray
    way: FloatArray

    def share(self, t: float) -> float:
        if t >= self.until_s:
            return 1.0
        u = max(0.0, (t - self.from_s) / (self.until_s - self.from_s))
        return u * u * (3.0 - 2.0 * u)


class EmulatedHead:
    """World axes: x, y of the pool, and up."""

    def __init__(self, scenario: Scenario, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        draw = np.random.default_rng([scenario.seed, 519])
        self._wobble = draw.uniform(0.0, 2 * math.pi, (6, len(WOBBLE_HZ)))
        north = draw.uniform(0.0, 2 * math.pi)
        dip = math.radians(draw.uniform(55.0, 70.0))
        strength = draw.uniform(45e-6, 52e-6)
        level = strength * math.cos(dip)
        self._earth_T = np.array([level * math.cos(north), level * math.sin(north), -strength * math.sin(dip)])
        self._magnets = _bars(scenario, draw)
        #: Since when it is in the water (as `depth_m` tells); None: it is not.
        self._wet_s: float | None = None
        self.phone = False
        """It is in the pocket of whoever holds the pole."""
        middle = np.array([scenario.length_m / 2, scenario.width_m / 2, -scenario.depth_m / 2])
        self._moves = [_Move(-math.inf, -1e18, np.eye(3), np.zeros(3), middle, np.zeros(3))]

    def move(self, pose: Pose, moving_s: float) -> None:
        """The head is held so that its electrodes come to lie there; out of the water it stays as it is."""
        now = self._clock.now()
        if pose.front_m is None or pose.back_m is None:
            with self._lock:
                self._wet_s = None
            return
        with self._lock:
            self._wet_s = now if self._wet_s is None else self._wet_s
            before, place = self._base(now)
            after = _attitude(pose, before)
            vector = _vector(before.T @ after)
            ends = np.array(pose.pairs[0]) * np.array([1.0, 1.0, -1.0])
            way = ends.mean(axis=0) - place
            self._moves = [*self._moves[-8:], _Move(now, now + max(moving_s, 1e-3), before, vector, place, way)]

    def _base(self, t: float) -> tuple[FloatArray, FloatArray]:
        """Attitude (head to world) and place without the wobble."""
        move = next(m for m in reversed(self._moves) if m.from_s <= t or m is self._moves[0])
        share = move.share(t)
        return move.before @ _matrix(share * move.vector), move.place + share * move.way

    def _at(self, t: float) -> tuple[FloatArray, FloatArray]:
        attitude, place = self._base(t)
        waves = np.sin(2 * math.pi * np.array(WOBBLE_HZ) * t + self._wobble)
        return (
            attitude @ _matrix(math.radians(WOBBLE_DEG) * (waves[:3] @ _SIZE)),
            place + SWAY_M * (waves[3:] @ _SIZE),
        )

    def depth_m(self, at_s: float) -> float | None:
        """Of the middle of its first pair, where its sensors sit; None: out of the water."""
        with self._lock:
            return None if self._wet_s is None or at_s < self._wet_s else -float(self._at(at_s)[1][2])

    def attitude(self, t: float) -> FloatArray:
        """(3, 3): columns are the head's axes ahead, left and up in the world."""
        with self._lock:
            return self._at(t)[0]

    def felt(self, start_s: float, end_s: float) -> tuple[FloatArray, FloatArray]:
        with self._lock:
            h = end_s - start_s
            (a, _), (b, _) = self._at(start_s), self._at(end_s)
            # Over a longer step, because differences of a short one would be all rounding.
            step, middle = max(h, 0.02), 0.5 * (start_s + end_s)
            p = [self._at(middle + k * step)[1] for k in (-1, 0, 1)]
        acceleration = (p[0] - 2 * p[1] + p[2]) / step**2 + np.array([0.0, 0.0, GRAVITY])
        return b.T @ acceleration, _vector(a.T @ b) / h

    def field_T(self, at_s: float) -> FloatArray:
        with self._lock:
            attitude, place = self._at(at_s)
        where, moment = self._magnets
        r = place - where
        d = np.linalg.norm(r, axis=1, keepdims=True)
        unit = r / d
        dipoles = 1e-7 * (3.0 * (moment * unit).sum(1, keepdims=True) * unit - moment) / d**3
        return np.asarray(attitude.T @ (self._earth_T + dipoles.sum(0) + self.phone * PHONE_T))


def _bars(s: Scenario, draw: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Places (n, 3) and moments (n, 3) of bars around and under the pool, and of its ladders."""
    xs = np.arange(0.3, s.length_m, BAR_APART_M)
    ys = np.arange(0.3, s.width_m, BAR_APART_M)
    zs = np.arange(0.3, s.depth_m, BAR_APART_M)
    out = BAR_BEHIND_M
    places = [(x, y, -s.depth_m - out) for x in xs for y in ys]
    places += [(x, y, -z) for x in xs for y in (-out, s.width_m + out) for z in zs]
    places += [(x, y, -z) for x in (-out, s.length_m + out) for y in ys for z in zs]
    strength = BAR_A_M2 * np.exp(draw.normal(0.0, 0.7, len(places)))
    ladders = [f.position_m for f in s.fittings if f.kind == "ladder"]
    places += [(x, y, -z) for x, y, z in ladders]
    direction = draw.normal(0.0, 1.0, (len(places), 3))
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    moment = np.concatenate([strength, np.full(len(ladders), LADDER_A_M2)])
    return np.array(places), direction * moment[:, None]


def _attitude(pose: Pose, before: FloatArray) -> FloatArray:
    """From the electrodes. What they do not tell (turning about a single pair's line) stays as near as can be to how it
    was before."""
    arms = [(np.array(front) - np.array(back)) * np.array([1.0, 1.0, -1.0]) for front, back in pose.pairs]
    ahead = arms[0] / np.linalg.norm(arms[0])
    if len(arms) > 1:
        left = arms[1]
    elif abs(ahead[2]) < 0.7:
        left = np.array([-ahead[1], ahead[0], 0.0])  # the pole is held upright
    else:
        left = before[:, 1]
    left = left - (left @ ahead) * ahead
    left = left / np.linalg.norm(left)
    return np.column_stack([ahead, left, np.cross(ahead, left)])


def _matrix(vector: FloatArray) -> FloatArray:
    """Rotation by a vector: its matrix exponential, by the unit quaternion."""
    angle = float(np.linalg.norm(vector))
    w = math.cos(angle / 2)
    x, y, z = vector * (math.sin(angle / 2) / angle if angle > 1e-9 else 0.5)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def _vector(matrix: FloatArray) -> FloatArray:
    """The rotation vector of a matrix."""
    twist = np.array([matrix[2, 1] - matrix[1, 2], matrix[0, 2] - matrix[2, 0], matrix[1, 0] - matrix[0, 1]])
    sine, cosine = 0.5 * float(np.linalg.norm(twist)), 0.5 * (float(np.trace(matrix)) - 1.0)
    angle = math.atan2(sine, cosine)
    if sine > 1e-6:
        return np.asarray(twist / (2.0 * sine) * angle)
    if cosine > 0:
        return np.asarray(0.5 * twist)
    axis = np.sqrt(np.maximum((np.diag(matrix) + 1.0) / 2.0, 0.0))  # half a turn
    k = int(np.argmax(axis))
    signs = np.sign(matrix[k])
    signs[k] = 1.0
    return np.asarray(math.pi * axis * signs)
