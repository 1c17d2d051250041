"""What the daemon's loop does of itself: states told once however many ask, the ear told of the newest reading only."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tests.support.quick_daemon import quick_daemon

from earthward.daemon import protocol as m
from earthward.daemon.samples import Samples
from earthward.signal.types import BlockGrid, SampleBlock

pytestmark = pytest.mark.realtime


def test_a_change_is_told_at_once_and_once(tmp_path: Path) -> None:
    async def told() -> tuple[int, int, float]:
        async with quick_daemon(tmp_path) as quick:
            loop, heard = asyncio.get_running_loop(), list[float]()
            await asyncio.sleep(0.3)
            quick.daemon.listeners.append(lambda x: heard.append(loop.time()) if isinstance(x, m.State) else None)
            begin = loop.time()
            for _ in range(50):
                quick.daemon._nudge()
            while not heard:
                await asyncio.sleep(0)
            at_once, delay_s = len(heard), heard[0] - begin
            await asyncio.sleep(1.5)
            return at_once, len(heard) - at_once, delay_s

    at_once, later, delay_s = asyncio.run(told())
    assert at_once == 1 and delay_s < 0.05
    assert 3 <= later <= 9, "five a second of itself"


def block(first: int) -> SampleBlock:
    index = np.arange(first, first + 86)
    return SampleBlock(index, index / 860.0, np.zeros(86), np.zeros(86, np.uint8), 0.256)


def test_of_readings_that_come_together_the_ear_hears_the_newest() -> None:
    """It averages over the time between two: one that comes no time after another would count for nothing."""
    heard: list[Any] = []
    asked: list[BlockGrid] = []
    published: list[Any] = []
    wiring: Any = SimpleNamespace(
        channels=1,
        board=SimpleNamespace(phase_reference=lambda: None),
        clock=SimpleNamespace(now=lambda: 0.0),
        ear=SimpleNamespace(update=heard.append),
        receiver=SimpleNamespace(end_blocks=asked.append),
    )
    hops = BlockGrid(3, 43)
    lock_in = SimpleNamespace(hops=hops, sample_rate_Hz=860.0)
    detection: Any = SimpleNamespace(
        source=SimpleNamespace(energised=True), push=lambda *_: ["older", "newest"], detector=lambda: lock_in
    )
    teller: Any = SimpleNamespace(recorder=None, publish=published.append)
    progress: Any = SimpleNamespace(samples_worked=lambda: None)
    other: Any = SimpleNamespace()
    samples = Samples(wiring, detection, other, teller, progress, lambda: None, lambda work: work())
    samples.take(block(0))
    samples.work_off()
    samples.take(block(86))
    samples.work_off()
    assert published == ["older", "newest"] * 2
    assert heard == ["newest"] * 2
    assert asked == [BlockGrid(3, 86)], "and the reader is told once where two hops end"
