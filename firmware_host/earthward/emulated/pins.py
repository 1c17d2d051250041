"""EMULATED GPIO: gpiozero's own mock factory, with bench time for its ticks and a bounded history.

gpiozero itself is unmodified and stays on the path; only the pins below it are not there. A mock pin keeps every
edge it ever saw; a ready pin makes 860 a second, so ours forgets the old ones.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPWMPin
from gpiozero.pins.pi import PiPin

from earthward.clock import Clock

HISTORY = 2000


class EmulatedPin(MockPWMPin):  # type: ignore[misc]
    """A mock pin whose edges carry bench time, and that a contact can hold to ground."""

    _at_s: float | None = None
    _grounded = False

    def set_contact(self, closed: bool) -> None:
        """A contact from the pin to ground closes or opens; the pin's pull-up does the rest."""
        self._grounded = closed
        if closed:
            self.drive_low()
        else:
            self.drive_high()

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        if self._grounded:
            self.drive_low()  # a pull-up loses against a closed contact

    def _change_state(self, value: float) -> bool:
        changed: bool = super()._change_state(value)
        if len(self.states) > HISTORY:
            del self.states[: HISTORY // 2]
        return changed

    def _call_when_changed(self, ticks: float | None = None, state: Any = None) -> None:
        # PiPin's own version, past MockPin's on purpose: that one stamps with the wall clock.
        at = self._at_s if self._at_s is not None else self.factory.ticks()
        PiPin._call_when_changed(self, at, self._state)

    def pulse_low(self, at_s: float) -> None:
        """The data sheet's short low pulse, its edge stamped `at_s` as a kernel would."""
        self._pulse(at_s, self.drive_low, self.drive_high)

    def pulse_high(self, at_s: float) -> None:
        """A short high pulse, its rising edge stamped `at_s` likewise."""
        self._pulse(at_s, self.drive_high, self.drive_low)

    def _pulse(self, at_s: float, there: Callable[[], object], back: Callable[[], object]) -> None:
        self._at_s = at_s
        try:
            there()
            back()
        finally:
            self._at_s = None


class EmulatedPins(MockFactory):  # type: ignore[misc]
    """A pin factory for `pin_factory=` of everything in `earthward.devices.gpio`."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(pin_class=EmulatedPin)
        self._clock = clock

    def ticks(self) -> float:
        return self._clock.now()
