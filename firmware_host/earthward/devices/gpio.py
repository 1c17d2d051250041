"""The pins at the pool side: emergency stop, hand-held enable, beacon, switches, ready and sync inputs.

Everything goes through gpiozero; on a Pi its lgpio factory, on the emulated bench a mock factory that is handed
in. Contacts that permit something are closed to ground with the Pi's pull-up, so that a broken wire, a pulled
plug or an undriven pin reads as "not permitted". These inputs let the instrument see and say what happens; the
same contacts cut the source board's output by themselves, whatever this program does.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from queue import Empty, SimpleQueue
from types import TracebackType
from typing import Any, Self

import gpiozero
from gpiozero.exc import BadPinFactory, GPIOZeroError

from earthward.clock import Clock
from earthward.devices.pins_library import load_lgpio
from earthward.errors import InputError

log = logging.getLogger(__name__)


def _open(what: str, pin: int, make: Callable[[], Any]) -> Any:
    try:
        load_lgpio()
        return make()
    except BadPinFactory as error:
        raise InputError(
            f"The pin GPIO{pin} for the {what} cannot be opened, because this machine has no usable GPIO: "
            "run on a Raspberry Pi with the lgpio library and a user of the group gpio."
        ) from error
    except GPIOZeroError as error:
        raise InputError(
            f"The pin GPIO{pin} for the {what} cannot be used ({type(error).__name__}: {error}): "
            "check the pin numbers in the configuration."
        ) from error
    except (ImportError, OSError, RuntimeError) as error:
        raise InputError(
            f"The pin GPIO{pin} for the {what} cannot be opened ({error}): this needs a Raspberry Pi with the "
            "lgpio library and a user of the group gpio."
        ) from error


class EdgePin(gpiozero.InputDevice):  # type: ignore[misc]
    """An input whose edges are numbered and stamped: the converter's ready pin, the optional sync pin.

    Args:
        pin: GPIO number. clock: host time.
        falling: which edge counts; the ready pin pulses low.
        sink: called with (number, time) in gpiozero's thread for each edge; default: kept for `wait`.

    On a Pi the stamp is the kernel's own (same clock as the host's monotonic one), so that it does not depend
    on how late the callback runs; a stamp of an unknown origin is replaced by the time of the callback. Keep the
    object: gpiozero holds callbacks weakly, and a forgotten pin tells nothing.
    """

    def __init__(
        self,
        pin: int,
        clock: Clock,
        *,
        falling: bool = True,
        sink: Callable[[int, float], None] | None = None,
        pin_factory: Any = None,
    ) -> None:
        self._clock = clock
        self.edges = 0
        self._queue: SimpleQueue[tuple[int, float]] = SimpleQueue()
        self._sink = sink
        super().__init__(pin, pull_up=falling, pin_factory=pin_factory)
        try:
            self.pin.edges = "falling" if falling else "rising"
            self.pin.bounce = None
            self.pin.when_changed = self._edge
        except Exception:
            self.close()
            raise

    def _edge(self, ticks: float, state: bool) -> None:
        now = self._clock.now()
        at = ticks if 0 <= now - ticks < 0.5 else now
        self.edges = number = self.edges + 1
        if self._sink is None:
            self._queue.put((number, at))
        else:
            self._sink(number, at)

    def wait(self, timeout_s: float) -> tuple[int, float] | None:
        """(number, time) of the newest edge that was not given yet; None if there is none in so many real seconds."""
        queue = self._queue
        try:
            edge = queue.get(timeout=timeout_s)
            while not queue.empty():
                edge = queue.get_nowait()
        except Empty:
            return None
        return edge


def open_edge_pin(pin: int, clock: Clock, what: str = "converter's ready line", **options: Any) -> EdgePin:
    """An `EdgePin`, or InputError with one sentence."""
    opened: EdgePin = _open(what, pin, lambda: EdgePin(pin, clock, **options))
    return opened


def open_sync_pin(pin: int, clock: Clock, edge: Callable[[float], object], **options: Any) -> EdgePin:
    """The optional sync wire: the source board raises it at each period start; `edge` is `SourceLink.sync_edge`."""
    options.setdefault("falling", False)
    return open_edge_pin(pin, clock, "sync wire", sink=lambda _number, at_s: edge(at_s), **options)


class PoolSide:
    """Emergency stop, enable, beacon and switches.

    Args:
        emergency_stop, enable: GPIO numbers of contacts to ground (closed = permitted / held).
        beacon: output that is on while the source may be energised, or None.
        switches: name -> GPIO number of push buttons to ground (keep, map, next, off ...).
        on_change: called as (name, active) in gpiozero's thread: "emergency_stop" (True = closed), "enable"
            (True = held), or a switch's name (True = pressed).
        pin_factory: None = gpiozero's default (a real Pi).
    """

    def __init__(
        self,
        *,
        emergency_stop: int,
        enable: int,
        beacon: int | None = None,
        switches: Mapping[str, int] | None = None,
        on_change: Callable[[str, bool], None] | None = None,
        pin_factory: Any = None,
    ) -> None:
        self._on_change = on_change
        self._devices: list[Any] = []
        try:
            # Permissives are not debounced: opening must act at once, and a bouncing contact is no permission.
            self._stop = self._input("emergency stop", "emergency_stop", emergency_stop, None, pin_factory)
            self._enable = self._input("hand-held enable", "enable", enable, None, pin_factory)
            self._switches = {
                name: self._input(f"switch {name}", name, pin, 0.02, pin_factory)
                for name, pin in (switches or {}).items()
            }
            self._beacon: Any = None
            if beacon is not None:
                self._beacon = _open("beacon", beacon, lambda: gpiozero.LED(beacon, pin_factory=pin_factory))
                self._devices.append(self._beacon)
        except Exception:
            self.close()
            raise

    def _input(self, what: str, name: str, pin: int, bounce_s: float | None, factory: Any) -> Any:
        device = _open(
            what,
            pin,
            lambda: gpiozero.DigitalInputDevice(pin, pull_up=True, bounce_time=bounce_s, pin_factory=factory),
        )
        self._devices.append(device)
        device.when_activated = lambda: self._changed(name, True)
        device.when_deactivated = lambda: self._changed(name, False)
        return device

    def _changed(self, name: str, active: bool) -> None:
        if self._on_change is None:
            return
        try:
            self._on_change(name, active)
        except Exception:
            # gpiozero's thread must live on: the other contacts hang on it.
            log.exception("the receiver of the change of %s failed", name)

    @property
    def emergency_stop_closed(self) -> bool:
        """True = the stop chain is closed. A broken wire reads False."""
        return bool(self._stop.is_active)

    @property
    def enable_held(self) -> bool:
        return bool(self._enable.is_active)

    def switch_pressed(self, name: str) -> bool:
        return bool(self._switches[name].is_active)

    def set_beacon(self, on: bool, blink_s: float | None = None) -> None:
        """Beacon steady, blinking with a period of `blink_s` (the warning before the output comes on), or off."""
        if self._beacon is None:
            return
        if not on:
            self._beacon.off()
        elif blink_s is None:
            self._beacon.on()
        else:
            self._beacon.blink(on_time=blink_s / 2, off_time=blink_s / 2)

    @property
    def beacon_lit(self) -> bool:
        return self._beacon is not None and bool(self._beacon.is_lit)

    def close(self) -> None:
        for device in self._devices:
            device.close()
        self._devices.clear()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
