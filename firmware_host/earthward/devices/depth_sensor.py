"""The depth sensor in the pole head: a thread that looks at an LPS28DFW through its Adafruit driver.

Conversions are started one by one and read once they are done, so that the driver, which reads a pressure in three
transfers, never puts bytes of two of them together. Optional: what is missing or in trouble is said, tried again, and
costs nothing but sigma.
"""

from __future__ import annotations

import logging
import math
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from earthward.clock import Clock, wait_event
from earthward.devices import registers
from earthward.devices.ads1115.chip import Bus, ChipError, DeadlineBus
from earthward.errors import InputError
from earthward.record.base import Point
from earthward.record.calibration import DepthZero
from earthward.record.place import Depth, Orientation
from earthward.signal.depth import STOPPED, DepthFilter, Pressed

log = logging.getLogger(__name__)

#: Time from look to look, each of the mean of so many conversions (some 40 ms by the data sheet, from memory).
LOOK_S, AVERAGED = 0.1, 64
RETRY_S = 1.0
TALK_S, SET_UP_S = 0.2, 1.0
#: A conversion that is not done after so many looks never will be.
PATIENCE_LOOKS = 10
#: A zero that is older than this says nothing of the air of today.
OLDEST_ZERO_S = 4 * 3600.0
SLOW = "The depth sensor does not answer in time: check the I2C wires in the pole's cable."
HELD = "The I2C bus is held by another program or thread, so the depth sensor cannot be read."


@dataclass(frozen=True, slots=True)
class DepthSettings:
    """Where the sensor is on the bus, and where its hole is from the head's middle: ahead, to the left, up."""

    address: int = 0x5C
    port_m: Point = (0.0, 0.0, 0.0)


class DepthSensor:
    """Context of one sensor. `zero`: that of before, if it is from today; `keep` gets each new one."""

    def __init__(
        self,
        bus: Bus,
        clock: Clock,
        settings: DepthSettings | None = None,
        zero: DepthZero | None = None,
        keep: Callable[[DepthZero], None] | None = None,
        wall_s: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self._settings = settings or DepthSettings()
        self._clock = clock
        self._bus = DeadlineBus(bus, clock, SLOW, HELD)
        self._filter = DepthFilter(self._settings.port_m)
        self._keep, self._wall_s = keep, wall_s
        if zero is not None and 0.0 <= wall_s() - zero.time_s <= OLDEST_ZERO_S:
            self._filter.use_zero(zero, clock.now() - (wall_s() - zero.time_s))
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._trouble = "The depth sensor is being set up."
        self._unit: Any = None
        self._waited = 0
        _driver()

    # ---- life -----------------------------------------------------------------------------------------------

    def start(self) -> None:
        if self._thread is None:
            self._stop.clear()
            self._thread = threading.Thread(target=self._run, name="depth-sensor", daemon=True)
            self._thread.start()

    def close(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
            self._thread = None

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with registers.ONE_AT_A_TIME:
                    self.open()
                while not self._stop.is_set():
                    self._clock.sleep(LOOK_S)
                    with registers.ONE_AT_A_TIME:
                        self.look()
            except (OSError, ValueError, RuntimeError, ChipError) as error:
                self._failed(error)
                wait_event(self._clock, self._stop, RETRY_S)
            except Exception:
                # A defect of ours must not end the sensor silently, nor the instrument at all.
                log.exception("the depth sensor's thread failed")
                self._trouble = "Reading the depth sensor failed inside the instrument; it is tried again."
                wait_event(self._clock, self._stop, RETRY_S)

    def _failed(self, error: Exception) -> None:
        address = self._settings.address
        text = f"The depth sensor at {address:#x} does not answer: depth is what people say."
        if isinstance(error, (ChipError, _Stopped)):
            text = str(error)
        if text != self._trouble:
            log.warning("%s", text)
        self._trouble = text

    # ---- what the thread does -------------------------------------------------------------------------------

    def open(self) -> None:
        """Set it up. Raises OSError, ValueError, RuntimeError or ChipError when it is not there."""
        self._bus.allow(SET_UP_S * max(1.0, self._clock.speed))
        unit = _driver()(self._bus, self._settings.address)
        unit.data_rate = 0
        unit.averaging = AVERAGED
        # The driver's own set-up lets it run for a moment: what came of that is old.
        _ = unit.pressure
        unit.trigger_one_shot = True
        self._unit, self._waited = unit, 0
        self._trouble = ""

    def look(self) -> None:
        """Read the conversion that was started, if it is done, and start the next."""
        self._bus.allow(TALK_S * max(1.0, self._clock.speed))
        if not self._unit.data_ready:
            self._waited += 1
            if self._waited > PATIENCE_LOOKS:
                raise _Stopped(STOPPED)
            return
        self._waited = 0
        seen = Pressed(self._clock.now(), self._unit.pressure * 100.0, self._unit.temperature)
        self._unit.trigger_one_shot = True
        with self._lock:
            self._filter.add(seen)

    # ---- from anywhere ----------------------------------------------------------------------------------------

    def now(self, held: Orientation | None = None, since_s: float = -math.inf) -> Depth | None:
        """How deep the head's middle is, by what was seen since it came there; None while nothing can be said (`text`
        says why)."""
        with self._lock:
            return None if self._trouble else self._filter.now(self._clock.now(), held, since_s)

    @property
    def text(self) -> str:
        """What is the matter with the sensor or with what it tells; empty if nothing is."""
        if self._trouble:
            return self._trouble
        with self._lock:
            return self._filter.note(self._clock.now())

    def at_surface(self) -> None:
        """A person holds the head at the water's surface. InputError if it cannot be taken."""
        if self._trouble:
            raise InputError(self._trouble.rstrip("."))
        with self._lock:
            why_not = self._filter.take_zero(self._wall_s())
            zero = self._filter.zero
        if why_not:
            raise InputError(why_not)
        if self._keep is not None and zero is not None:
            self._keep(zero)


class _Stopped(RuntimeError):
    """It answers, but converts no more."""


def _driver() -> Any:
    """The driver's class. Raises InputError without it."""
    try:
        from adafruit_lps28 import LPS28
    except ImportError as error:
        raise InputError(
            f"the library for the head's depth sensor is missing ({error}): install Earthward with its extra `head`, "
            "or leave [depth] out of the configuration"
        ) from error
    return LPS28
