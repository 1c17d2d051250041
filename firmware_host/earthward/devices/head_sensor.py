"""The orientation sensor in the pole head: a thread that looks at it through the Adafruit drivers and feeds the filter.

LSM6DSOX (accelerometer and gyroscope) and, if it is there, LIS3MDL (magnetometer) on an I2C bus. Optional: what is
missing or in trouble is said, tried again, and costs nothing but sigma.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from earthward.clock import Clock, wait_event
from earthward.devices import registers
from earthward.devices.ads1115.chip import Bus, ChipError, DeadlineBus
from earthward.errors import InputError
from earthward.record.calibration import HeadCalibration
from earthward.record.place import Orientation
from earthward.signal.orientation import Motion, OrientationFilter

log = logging.getLogger(__name__)

#: Time from look to look; the magnetometer is asked at every tenth.
LOOK_S, FIELD_EVERY = 0.02, 10
RETRY_S = 1.0
#: Longest that one look may take, and setting up (the drivers wait for some tenths of a second).
TALK_S, SET_UP_S = 0.2, 3.0
SLOW = "The orientation sensor does not answer in time: check the I2C wires in the pole's cable."
HELD = "The I2C bus is held by another program or thread, so the orientation sensor cannot be read."
NO_COMPASS = "There is no magnetometer in the head: the bearing is the gyroscope's alone."


@dataclass(frozen=True, slots=True)
class HeadSettings:
    """Where the sensors are on the bus. magnetometer None: there is none."""

    address: int = 0x6A
    magnetometer: int | None = 0x1C


class HeadSensor:
    """Context of one sensor. `keep` gets the calibration whenever it is worth keeping."""

    def __init__(
        self,
        bus: Bus,
        clock: Clock,
        settings: HeadSettings | None = None,
        calibration: HeadCalibration | None = None,
        keep: Callable[[HeadCalibration], None] | None = None,
        wall_s: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self._settings = settings or HeadSettings()
        self._clock = clock
        self._bus = DeadlineBus(bus, clock, SLOW, HELD)
        self._filter = OrientationFilter(calibration)
        self._keep, self._wall_s = keep, wall_s
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._trouble = "The orientation sensor is being set up."
        self._compass = False
        self._looks = 0
        self._motion_unit: Any = None
        self._field_unit: Any = None
        _drivers()

    # ---- life -----------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is None:
            self._stop.clear()
            self._thread = threading.Thread(target=self._run, name="head-sensor", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
            self._thread = None
            self._keep_calibration()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with registers.ONE_AT_A_TIME:
                    self.open()
                while not self._stop.is_set():
                    with registers.ONE_AT_A_TIME:
                        self.look()
                    self._clock.sleep(LOOK_S)
            except (OSError, ValueError, RuntimeError, ChipError) as error:
                self._failed(error)
                wait_event(self._clock, self._stop, RETRY_S)
            except Exception:
                # A defect of ours must not end the sensor silently, nor the instrument at all.
                log.exception("the orientation sensor's thread failed")
                self._trouble = "Reading the orientation sensor failed inside the instrument; it is tried again."
                wait_event(self._clock, self._stop, RETRY_S)

    def _failed(self, error: Exception) -> None:
        if isinstance(error, ChipError):
            text = str(error)
        else:
            address = self._settings.address
            text = (
                f"The orientation sensor at {address:#x} does not answer: bearing and lean are as people hold a pole."
            )
        if text != self._trouble:
            log.warning("%s", text)
        self._trouble = text

    # ---- what the thread does -------------------------------------------------------------------------------

    def open(self) -> None:
        """Set both up. Raises OSError, ValueError, RuntimeError or ChipError when the sensor is not there."""
        sox, gyro_range, lis = _drivers()
        self._bus.allow(SET_UP_S * max(1.0, self._clock.speed))
        unit = sox(self._bus, self._settings.address)
        unit.gyro_range = gyro_range.RANGE_500_DPS
        self._motion_unit, self._field_unit = unit, None
        if self._settings.magnetometer is not None:
            try:
                self._field_unit = lis(self._bus, self._settings.magnetometer)
            except (OSError, ValueError, RuntimeError) as error:
                log.warning("no magnetometer at %#x: %s", self._settings.magnetometer, error)
        self._compass = self._field_unit is not None
        self._trouble = ""

    def look(self) -> None:
        """One look at the sensors, into the filter."""
        self._bus.allow(TALK_S * max(1.0, self._clock.speed))
        acceleration, rate = self._motion_unit.acceleration, self._motion_unit.gyro
        now_s = self._clock.now()
        field = None
        self._looks += 1
        if self._field_unit is not None and self._looks % FIELD_EVERY == 0:
            try:
                x, y, z = self._field_unit.magnetic
                field = (x * 1e-6, y * 1e-6, z * 1e-6)
            except OSError as error:
                log.warning("the magnetometer does not answer any more: %s", error)
                self._field_unit, self._compass = None, False
        with self._lock:
            self._filter.add(Motion(now_s, acceleration, rate, field))

    # ---- from anywhere ----------------------------------------------------------------------------------------

    def now(self) -> Orientation | None:
        """How the head is held; None while nothing can be said (`text` says why)."""
        with self._lock:
            return self._filter.now(self._clock.now())

    @property
    def moving_s(self) -> float:
        """When the head was last seen moving."""
        with self._lock:
            return self._filter.moving_s

    @property
    def text(self) -> str:
        """What is the matter with the sensor or with what it tells; empty if nothing is."""
        if self._trouble:
            return self._trouble
        told = self.now()
        with self._lock:
            note = self._filter.note if told is None else told.text
        return note or ("" if self._compass or self._settings.magnetometer is None else NO_COMPASS)

    def at_wall(self, bearing_deg: float) -> None:
        """A person holds the head square to a wall that lies in that bearing. InputError if it cannot be taken."""
        with self._lock:
            taken = self._filter.at_wall(bearing_deg)
        if not taken:
            raise InputError("the head is not held still and level against the wall; hold it there and say so again")

    def plumb(self) -> None:
        """A person holds the head plumb. InputError if it cannot be taken."""
        with self._lock:
            taken = self._filter.plumb()
        if not taken:
            raise InputError("the head is not held still; hold it plumb for a second and say so again")
        self._keep_calibration()

    def _keep_calibration(self) -> None:
        if self._keep is not None:
            with self._lock:
                calibration = self._filter.calibration(self._wall_s())
            self._keep(calibration)


def _drivers() -> tuple[Any, Any, Any]:
    """The drivers' classes. Raises InputError without them."""
    try:
        from adafruit_lis3mdl import LIS3MDL
        from adafruit_lsm6ds import GyroRange
        from adafruit_lsm6ds.lsm6dsox import LSM6DSOX
    except ImportError as error:
        raise InputError(
            f"the library for the head's orientation sensor is missing ({error}): install Earthward with its extra "
            "`head`, or leave [orientation] out of the configuration"
        ) from error
    return LSM6DSOX, GyroRange, LIS3MDL
