"""The reader in a process of its own, in real time, with an emulated chip and ready line inside that process."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable

import numpy as np
import pytest

from earthward.clock import Clock, SystemClock
from earthward.devices.ads1115 import AdcSettings
from earthward.devices.ads1115.process import GRACE_S, Parts, ReaderProcess
from earthward.devices.ads1115.status import AdcStatus
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, SteadyVoltage
from earthward.errors import InputError
from earthward.signal.types import BlockGrid, SampleBlock, SampleFlag

pytestmark = pytest.mark.realtime

SETTINGS = AdcSettings(full_scale_V=0.256)
LIMIT_S = 20.0


def emulated(clock: Clock) -> Parts:
    """Opened in the process: a chip on a bus, paced by its rate (no ready wire)."""
    bus = FakeI2C(clock)
    bus.add(0x48, EmulatedAds(clock, SteadyVoltage((0.1, 0.0, 0.0, 0.0))))
    return Parts(bus)


def missing(clock: Clock) -> Parts:
    raise InputError("the I2C bus 1 cannot be opened: switch I2C on")


def until(condition: Callable[[], bool]) -> bool:
    end = time.monotonic() + LIMIT_S
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return condition()


def test_blocks_and_status_come_over_and_the_process_ends_with_us() -> None:
    blocks: list[SampleBlock] = []
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=blocks.append)
    assert reader.status.starting
    reader.start()
    assert until(lambda: len(blocks) > 10 and reader.status.ok and reader.status.last_sample_age_s is not None)
    pid = reader.pid
    assert pid is not None and pid != os.getpid()
    age = reader.status.last_sample_age_s
    assert age is not None and age < 5.0, "one monotonic clock for both"
    reader.close()
    index = np.concatenate([b.index for b in blocks])
    assert np.all(np.diff(index) > 0)
    assert np.concatenate([b.v_V for b in blocks]).mean() == pytest.approx(0.1, abs=1e-4)
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_a_killed_process_is_named_and_replaced_and_the_numbers_go_on() -> None:
    blocks: list[SampleBlock] = []
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=blocks.append)
    reader.start()
    assert until(lambda: len(blocks) > 5 and reader.status.ok)
    first = reader.pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    assert until(lambda: "ended by itself" in reader.status.text)
    assert not reader.status.ok and reader.status.stalled
    before = len(blocks)
    assert until(lambda: len(blocks) > before + 5 and reader.status.ok)
    assert reader.pid != first
    assert reader.status.restarts >= 1
    reader.close()
    index = np.concatenate([b.index for b in blocks])
    t = np.concatenate([b.t_s for b in blocks])
    assert np.all(np.diff(index) > 0)
    jump = int(np.argmax(np.diff(index)))
    assert np.diff(index)[jump] == pytest.approx(np.diff(t)[jump] * 860, rel=0.3), "by the time that passed"
    assert np.concatenate([b.flags for b in blocks])[jump + 1] & SampleFlag.RANGE_CHANGED


def test_a_stopped_process_is_no_sign_of_life() -> None:
    """Frozen from outside (or never given the processor): the interlock must not take old samples for new ones."""
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=lambda block: None)
    reader.start()
    assert until(lambda: reader.status.ok and reader.status.last_sample_age_s is not None)
    assert reader.pid is not None
    os.kill(reader.pid, signal.SIGSTOP)
    try:
        assert until(lambda: reader.status.stalled)
        assert "No word from the process" in reader.status.text
        age = reader.status.last_sample_age_s
        assert age is not None and age > 0.3
    finally:
        os.kill(reader.pid, signal.SIGCONT)
    assert until(lambda: reader.status.ok)
    reader.close()


def test_what_cannot_be_opened_is_a_sentence() -> None:
    reader = ReaderProcess(missing, SystemClock(), SETTINGS, on_block=lambda block: None)
    reader.start()
    assert until(lambda: "cannot be opened" in reader.status.text)
    assert not reader.status.ok
    reader.close()


def test_a_request_to_end_leaves_the_daemon_time_to_switch_off() -> None:
    """The service manager's SIGTERM goes to every process at once: reading goes on while the daemon ends."""
    blocks: list[SampleBlock] = []
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=blocks.append)
    reader.start()
    assert until(lambda: len(blocks) > 5 and reader.status.ok)
    assert reader.pid is not None
    os.kill(reader.pid, signal.SIGTERM)
    asked_s = time.monotonic()
    assert until(lambda: bool(blocks) and float(blocks[-1].t_s[-1]) > asked_s + 0.5), "it reads on"
    assert until(lambda: "ended by itself" in reader.status.text), "but not for ever"
    assert time.monotonic() - asked_s > GRACE_S - 0.1
    reader.close()


def test_blocks_end_where_asked_and_in_the_next_process_too() -> None:
    blocks: list[SampleBlock] = []
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=blocks.append)
    reader.start()
    assert until(lambda: len(blocks) > 5 and reader.status.ok)

    def on_grid(since: int) -> int:
        return sum((int(b.index[-1]) + 1 - 7) % 86 == 0 for b in blocks[since:])

    assert on_grid(0) <= 2, "by chance"
    reader.end_blocks(BlockGrid(7, 86))
    # A lost conversion may be the very last of a block.
    assert until(lambda: on_grid(0) > 10)
    assert reader.pid is not None
    os.kill(reader.pid, signal.SIGKILL)
    before = len(blocks)
    assert until(lambda: on_grid(before) > 10), "numbers go on, and so do the blocks' ends"
    reader.close()


def test_a_process_that_ends_in_a_bad_moment_is_named_all_the_same() -> None:
    """Its last word was a stall, and a stall is not why it ended."""
    reader = ReaderProcess(emulated, SystemClock(), SETTINGS, on_block=lambda block: None)
    reader._take(AdcStatus(ok=False, text="No sample from the converter for 0.3 s.", stalled=True))
    reader._ended()
    assert "ended by itself" in reader.status.text
    reader._take(AdcStatus(ok=True, text="well"))
    assert reader.status.ok
