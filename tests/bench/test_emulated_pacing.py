"""Bench time that waits for the reader must never wait for itself, however the threads are scheduled."""

from __future__ import annotations

import threading
import time

import pytest

from earthward.clock import PacedClock
from earthward.devices.ads1115 import AdcReader
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario

pytestmark = pytest.mark.realtime


class Preempted(PacedClock):
    """The ready pin's thread loses its processor now and then, just after it has looked at the clock."""

    looks = 0

    def now(self) -> float:
        seen = super().now()
        if threading.current_thread().name == "emulated-ready-pin":
            self.looks += 1
            if self.looks % 5 == 0:
                time.sleep(0.004)
        return seen


def test_time_goes_on_and_no_sample_is_lost() -> None:
    clock = Preempted(1.0)
    with (
        EmulatedBench(Scenario.random(1), clock) as bench,
        AdcReader(bench.i2c, clock, bench.adc_settings(), bench.ready_pin()) as reader,
    ):
        start, give_up = clock.now(), time.monotonic() + 60
        while clock.now() < start + 0.5:
            assert time.monotonic() < give_up, "bench time stands still"
            time.sleep(0.01)
        assert not reader.status.stalled
