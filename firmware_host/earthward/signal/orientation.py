"""How the pole head is held, from an accelerometer, a gyroscope and a magnetometer in it. Pure; time is an argument.

Axes of the head: ahead, to the left, up (right-handed). The gyroscope carries the whole attitude on from look to look.
At rest gravity sets how the head leans. The bearing is counted from the last contact with a wall whose direction is
known; the magnetometer has a say only where its field looks as it did there, because reinforcement, ladders and pockets
bend it. What is not known makes sigma larger and is said; nothing here is ever a guess.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from earthward.record.base import Point
from earthward.record.calibration import HeadCalibration
from earthward.record.place import Orientation
from earthward.signal.types import FloatArray

GRAVITY = 9.80665
#: Still: for so long no rate about any axis above this, and gravity within this part of itself (own estimate of a
#: hand's tremor on a pole in water).
STILL_S, STILL_RAD_PER_S, STILL_PART = 0.4, math.radians(8.0), 0.05
#: How well gravity tells the lean at rest, degrees about each axis: once a person held the head plumb, and before, when
#: the accelerometer's level offset (data sheet LSM6DSOX, from memory: 20 mg) and the mounting are not known.
TILT_SIGMA_DEG, TILT_SIGMA_RAW_DEG = 0.7, 1.6
#: So much of what gravity says goes into the lean at each look (0.02 s apart: over some 0.4 s).
LEAN_PART = 0.05
#: ... and while it moves, when gravity and the hand's acceleration cannot be told apart.
TILT_MOVING_DEG = 3.0
#: The rate's offset: how well it is known from the data sheet (from memory: 1 degree/s), from an earlier day's rests
#: (own estimate: another temperature), how it wanders (degree/s per square root of a second, own estimate).
OFFSET_RAW, OFFSET_KEPT, OFFSET_WALK = math.radians(1.0), math.radians(0.2), math.radians(0.002)
#: A hand at rest wobbles to and fro by this angle, so that a rest of T seconds tells the offset to sqrt(2) wobble / T;
#: shorter ones than this tell nothing (own estimates).
WOBBLE_RAD, LEAST_REST_S = math.radians(0.6), 1.0
#: Of the angle turned through from the wall, the gyroscope's scale takes this part (data sheet, from memory: 1 %); of
#: all turning to and fro, what crossed axes and late looks take (own estimate).
SCALE_SIGMA, PATH_SIGMA = 0.01, 0.003
#: A wall tells the bearing this well (own estimate: the head is held square to it by hand).
WALL_SIGMA_DEG = 2.0
#: The field is as it was at the wall: strength within this part, dip within so many degrees; then it tells the bearing
#: this well (own estimate for the neighbourhood of reinforced concrete).
FIELD_PART, DIP_DEG, COMPASS_SIGMA_DEG = 0.06, 4.0, 5.0
#: A bearing less well known than this is not told at all: people hold a pole better by eye.
LOST_DEG = 10.0
#: Numbers that do not move at all for so long come from a sensor that has stopped: noise always moves the last digit.
FROZEN_S = 0.5
#: Without a look for so long the gyroscope has not seen what the head did; so long while it was being turned.
UNSEEN_S, UNSEEN_TURNING_S = 0.3, 0.2
#: While it is turned, a look that comes later than this leaves room for what the hand does in between, with so much
#: acceleration (own estimate: a quarter turn in 0.7 s).
LATE_S, HAND_RAD_PER_S2 = 0.05, 20.0
#: The gyroscope's range (the one that the reader sets); a rate near its end is clipped.
RANGE_RAD_PER_S = math.radians(500.0)

DISTURBED = "The magnetic field is disturbed here: the bearing is the gyroscope's alone."
DISAGREES = "Compass and gyroscope disagree: the bearing is the gyroscope's alone."
NO_WALL = "The bearing is not known: hold the head square to a wall, front toward it, and say so."
TOO_LONG = "The bearing has been counted on for too long: hold the head square to a wall again."
TOO_FAST = "The head was turned faster than its gyroscope can follow: hold it square to a wall again."
NOT_SEEN = "The orientation sensor was away for a moment: hold the head square to a wall again."
STOPPED = "The orientation sensor has stopped (its numbers do not change): bearing and lean are as people hold a pole."


@dataclass(frozen=True, slots=True)
class Motion:
    """One look at the sensors, in their own axes: m/s2 (at rest +g upwards), rad/s, tesla (None: no new field)."""

    t_s: float
    acceleration: Point
    rate: Point
    field: Point | None = None


@dataclass(slots=True)
class _RestBegan:
    """A rest under way: since when, what the raw rates have added up to, the offset as it was known before, and the sum
    of so many looks at the acceleration."""

    t_s: float
    turned: FloatArray
    offset: FloatArray
    variance: float
    force: FloatArray
    looks: int = 0


class OrientationFilter:
    """Takes every look; tells the orientation now. Not thread-safe: one owner."""

    def __init__(self, calibration: HeadCalibration | None = None) -> None:
        known = calibration or HeadCalibration()
        self._plumb = known.plumb
        self._level = _onto_up(np.array(known.up))
        self._offset: FloatArray = np.array(known.rate_offset_rad_per_s)
        self._offset_known = any(known.rate_offset_rad_per_s)
        self._offset_variance = (OFFSET_KEPT if self._offset_known else OFFSET_RAW) ** 2
        self._rest_from: _RestBegan | None = None
        self._recent: deque[Motion] = deque()
        self._last: Motion | None = None
        self._changed_s = -math.inf
        #: Head to world (x, y, up).
        self._attitude: FloatArray = np.eye(3)
        self._leaning_known = False
        #: Bearing: standard deviation when it was last set (None: not known), time and turning since.
        self._set_sigma_rad: float | None = None
        self._net_rad = self._path_rad = self._drift_rad = self._unseen_rad2 = 0.0
        #: The field's direction, strength and dip at the wall.
        self._wall_field: tuple[float, float, float] | None = None
        self._bearing_note = NO_WALL
        self._field_note = ""
        self.moving_s = -math.inf
        """When the head was last seen moving."""

    # ---- looks ----------------------------------------------------------------------------------------------

    def add(self, motion: Motion) -> None:
        """Take a look; looks come in the order of time."""
        last, self._last = self._last, motion
        if last is None or (motion.acceleration, motion.rate) != (last.acceleration, last.rate):
            self._changed_s = motion.t_s
        elif motion.t_s - self._changed_s > FROZEN_S:
            self._lose(STOPPED)
            return
        if last is not None:
            self._carry_on(last, motion)
        self._recent.append(motion)
        while motion.t_s - self._recent[0].t_s > STILL_S:
            self._recent.popleft()
        if self._still():
            self._rest()
        else:
            self._rest_from = None
            self.moving_s = motion.t_s

    def _carry_on(self, last: Motion, motion: Motion) -> None:
        """Attitude over one step, by the mean of both rates."""
        step_s = motion.t_s - last.t_s
        fastest = max(np.abs(last.rate).max(), np.abs(motion.rate).max())
        turning = fastest > STILL_RAD_PER_S
        if step_s > (UNSEEN_TURNING_S if turning else UNSEEN_S):
            self._recent.clear()
            self._leaning_known = False
            self._lose(NOT_SEEN)
            return
        ends = [self._level @ (np.array(m.rate) - self._offset) for m in (last, motion)]
        if fastest > 0.97 * RANGE_RAD_PER_S:
            self._lose(TOO_FAST)
        self._offset_variance = min(self._offset_variance + OFFSET_WALK**2 * step_s, OFFSET_RAW**2)
        self._drift_rad += math.sqrt(self._offset_variance) * step_s
        if self._rest_from is not None:
            self._rest_from.turned += 0.5 * (np.array(last.rate) + np.array(motion.rate)) * step_s
        turned = 0.5 * (ends[0] + ends[1]) * step_s
        about_up = float((self._attitude @ turned)[2])
        self._net_rad += about_up
        self._path_rad += abs(about_up)
        # A change of the rate within a long step leaves room for what lies between.
        self._unseen_rad2 += (float(np.abs(ends[1] - ends[0]).max()) * step_s / 6.0) ** 2
        if turning and step_s > LATE_S:
            self._unseen_rad2 += (HAND_RAD_PER_S2 * step_s**2 / 12.0) ** 2
        self._attitude = self._attitude @ _rotation(turned)

    def _still(self) -> bool:
        recent = self._recent
        if len(recent) < 4 or recent[-1].t_s - recent[0].t_s < 0.8 * STILL_S:
            return False
        rates = np.array([m.rate for m in recent])
        forces = np.linalg.norm([m.acceleration for m in recent], axis=1)
        # Before the offset is known only the rate's swing tells a rest.
        base = self._offset if self._offset_known else rates.mean(axis=0)
        quiet = float(np.abs(rates - base).max()) < STILL_RAD_PER_S
        return quiet and float(np.abs(forces / GRAVITY - 1.0).max()) < STILL_PART

    def _mean_acceleration(self) -> FloatArray:
        return np.asarray(np.mean([m.acceleration for m in self._recent], axis=0))

    def _rest(self) -> None:
        up = self._level @ self._mean_acceleration()
        # The gyroscope follows the hand's wobble, gravity sets the mean: a little at each look, all of it at first.
        part = LEAN_PART if self._leaning_known else 1.0
        self._attitude = _onto_up(self._attitude @ (up / np.linalg.norm(up)), part) @ self._attitude
        self._leaning_known = True
        self._learn_offset()
        self._ask_compass()

    def _learn_offset(self) -> None:
        """The gyroscope's offset from the whole of this rest, weighed with what was known before it."""
        now_s = self._recent[-1].t_s
        if self._rest_from is None:
            self._rest_from = _RestBegan(now_s, np.zeros(3), self._offset, self._offset_variance, np.zeros(3))
        rest = self._rest_from
        rest.force += self._recent[-1].acceleration
        rest.looks += 1
        lasted_s = now_s - rest.t_s
        if lasted_s < LEAST_REST_S:
            return
        own = 2.0 * (WOBBLE_RAD / lasted_s) ** 2
        share = rest.variance / (rest.variance + own)
        self._offset = rest.offset + share * (rest.turned / lasted_s - rest.offset)
        self._offset_variance = rest.variance * (1.0 - share)
        self._offset_known = True

    # ---- what a person says -----------------------------------------------------------------------------------

    def at_wall(self, bearing_deg: float) -> bool:
        """The head is held square to a wall: this is its bearing now. False while it moves, or does not point level."""
        ahead = self._attitude[:, 0]
        if self._last is None or not self._still() or math.hypot(ahead[0], ahead[1]) < 0.7:
            return False
        off = math.radians(bearing_deg) - math.atan2(float(ahead[1]), float(ahead[0]))
        self._turn_about_up(off)
        self._set(math.radians(WALL_SIGMA_DEG))
        self._wall_field = self._field()
        self._bearing_note = self._field_note = ""
        return True

    def plumb(self) -> bool:
        """The head is held plumb: what the accelerometer has seen in this rest is up. False without a rest."""
        rest = self._rest_from
        if rest is None or self._recent[-1].t_s - rest.t_s < LEAST_REST_S:
            return False
        before, self._level = self._level, _onto_up(rest.force / rest.looks)
        self._attitude = self._attitude @ before @ self._level.T
        self._plumb = True
        self._rest()
        return True

    def calibration(self, time_s: float) -> HeadCalibration:
        """To be kept, and given to the next filter."""
        up = self._level.T @ np.array([0.0, 0.0, 1.0])
        return HeadCalibration(
            up=_plain(up), plumb=self._plumb, rate_offset_rad_per_s=_plain(self._offset), time_s=time_s
        )

    # ---- what is known of the bearing -----------------------------------------------------------------------

    def _set(self, sigma_rad: float) -> None:
        self._set_sigma_rad = sigma_rad
        self._net_rad = self._path_rad = self._drift_rad = self._unseen_rad2 = 0.0

    def _lose(self, why: str) -> None:
        if self._set_sigma_rad is not None or why == STOPPED:
            self._bearing_note = why
        self._set_sigma_rad = self._wall_field = None
        self._field_note = ""

    def _turn_about_up(self, angle: float) -> None:
        c, s = math.cos(angle), math.sin(angle)
        self._attitude = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ self._attitude

    def _variance(self) -> float | None:
        """Of the bearing, rad2; None: not known."""
        if self._set_sigma_rad is None or self._last is None:
            return None
        scale, path = SCALE_SIGMA * self._net_rad, PATH_SIGMA * self._path_rad
        return self._set_sigma_rad**2 + self._drift_rad**2 + scale**2 + path**2 + self._unseen_rad2

    def _field(self) -> tuple[float, float, float] | None:
        """Direction of the field's level part in the world as the attitude has it, strength, dip; rad and tesla."""
        fields = [m.field for m in self._recent if m.field is not None]
        if not fields:
            return None
        x, y, up = (float(v) for v in self._attitude @ self._level @ np.mean(fields, axis=0))
        strength = math.sqrt(x * x + y * y + up * up)
        return None if strength <= 0.0 else (math.atan2(y, x), strength, math.asin(up / strength))

    def _ask_compass(self) -> None:
        here, there, variance = self._field(), self._wall_field, self._variance()
        if here is None or there is None or variance is None:
            return
        if abs(here[1] / there[1] - 1.0) > FIELD_PART or abs(math.degrees(here[2] - there[2])) > DIP_DEG:
            self._field_note = DISTURBED
            return
        off, own = math.remainder(there[0] - here[0], 2.0 * math.pi), math.radians(COMPASS_SIGMA_DEG) ** 2
        if off**2 > 9.0 * (variance + own):
            self._field_note = DISAGREES
            return
        self._field_note = ""
        # At one place it says the same again and again: it holds the bearing, but makes it no better than itself.
        if variance > own:
            self._turn_about_up(off * variance / (variance + own))
            self._set(math.sqrt(own))

    # ---- the answer -----------------------------------------------------------------------------------------

    def now(self, t_s: float) -> Orientation | None:
        """None while nothing can be said: no look lately, a stopped sensor, never yet at rest."""
        last = self._last
        if last is None or t_s - last.t_s > UNSEEN_S or self.stopped or not self._leaning_known:
            return None
        still = self._still()
        x, y, up = (self._attitude[k] for k in range(3))
        ahead, left, above = ((float(x[k]), float(y[k]), -float(up[k])) for k in range(3))
        level = math.hypot(ahead[0], ahead[1]) > 0.7
        variance = self._variance()
        sigma = None if variance is None else math.degrees(math.sqrt(variance))
        note = self.note
        if sigma is not None and sigma > LOST_DEG:
            sigma, note = None, TOO_LONG
        tilt = TILT_SIGMA_DEG if self._plumb else TILT_SIGMA_RAW_DEG
        return Orientation(
            ahead=ahead,
            left=left,
            up=above,
            bearing_deg=math.degrees(math.atan2(ahead[1], ahead[0])) % 360.0 if level else None,
            bearing_sigma_deg=sigma,
            tilt_sigma_deg=tilt if still else math.hypot(tilt, TILT_MOVING_DEG),
            still=still,
            text=note,
        )

    @property
    def note(self) -> str:
        """What is the matter with the bearing or the field."""
        return self._bearing_note or self._field_note

    @property
    def stopped(self) -> bool:
        """The sensor answers, but its numbers stand still."""
        return self._last is not None and self._last.t_s - self._changed_s > FROZEN_S


def _rotation(vector: FloatArray) -> FloatArray:
    """Matrix of a rotation vector (Rodrigues)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    k = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.asarray(np.eye(3) + math.sin(angle) * k + (1.0 - math.cos(angle)) * (k @ k))


def _onto_up(direction: FloatArray, part: float = 1.0) -> FloatArray:
    """The smallest rotation that takes a direction to (0, 0, 1), or that part of it."""
    x, y, z = direction / np.linalg.norm(direction)
    level = math.hypot(x, y)
    if level < 1e-12:
        return np.eye(3) if z > 0 else np.diag([1.0, -1.0, -1.0])
    return _rotation(np.array([y, -x, 0.0]) / level * math.atan2(level, z) * part)


def _plain(v: FloatArray) -> Point:
    return float(v[0]), float(v[1]), float(v[2])
