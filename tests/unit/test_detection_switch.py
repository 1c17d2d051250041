"""The daemon's lock-ins at a switch of the injection electrode: the old electrode's signal is forgotten."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np

from earthward.daemon import protocol as m
from earthward.daemon.detection import SETTLE_S, Detection, SourceNow
from earthward.daemon.requests import Requests
from earthward.record.waveform import WAVEFORMS
from earthward.signal.detector import DetectorSettings
from earthward.signal.types import PhaseReference, SampleBlock

RATE_HZ, FREQUENCY_HZ = 860.0, 36.0
SWITCH_S = 6.0


def volts(t_s: np.ndarray) -> np.ndarray:
    """The code at 100 uV; from the switch on at -60 uV, and a third of a period later: another board's start."""
    levels = np.array(WAVEFORMS["coded"].levels, float)
    after = t_s >= SWITCH_S
    phase = (t_s * FREQUENCY_HZ + np.where(after, 1 / 3, 0.0)) % 1.0
    return np.where(after, -60e-6, 100e-6) * levels[(phase * levels.size).astype(int)]


def test_after_a_switch_nothing_is_claimed_by_the_old_electrodes_phase() -> None:
    """Without a link the phase comes from the signal itself: the old one, believed further, gives a wrong number."""
    detection = Detection(lambda channel: DetectorSettings(frequency_Hz=FREQUENCY_HZ, channel=channel), 1, 0.3)
    detection.set_source(SourceNow(True, 0.0, "A"))
    noise = np.random.default_rng(5).normal(0.0, 4e-6, round(14 * RATE_HZ))
    readings, switched = [], False
    for first in range(0, noise.size, 22):
        index = np.arange(first, min(first + 22, noise.size))
        t_s = index / RATE_HZ
        if t_s[-1] >= SWITCH_S and not switched:
            switched = True
            detection.set_source(SourceNow(True, SWITCH_S, "B"))
        block = SampleBlock(index, t_s, volts(t_s) + noise[index], np.zeros(index.size, np.uint8), 0.256)
        readings += detection.push(block, None, float(t_s[-1]))
    before = [r.value_V for r in readings if 3.0 < r.t_s < SWITCH_S - 0.3 and r.value_V is not None]
    after = [r for r in readings if r.t_s > SWITCH_S]
    assert np.median(before) > 80e-6
    assert all(r.t_s - (r.window_s or 0.0) / 2 >= SWITCH_S + SETTLE_S - 0.01 for r in after)
    told = [r.value_V for r in after if r.value_V is not None]
    assert told, "the new phase is found"
    assert all(abs(v + 60e-6) < 12e-6 for v in told), [f"{v * 1e6:+.0f}" for v in told[:8]]


def test_a_block_that_holds_the_switch_is_not_lost_for_what_came_after_it() -> None:
    """Blocks of a tenth of a second, one of which begins with the very last sample that does not count."""
    detection = Detection(lambda channel: DetectorSettings(frequency_Hz=FREQUENCY_HZ, channel=channel), 1, 0.3)
    detection.set_source(SourceNow(True, 0.0, "A"))
    noise = np.random.default_rng(5).normal(0.0, 4e-6, round(8 * RATE_HZ))
    last = int((SWITCH_S + SETTLE_S) * RATE_HZ)
    ends = range(last % 86, noise.size, 86)
    readings = []
    for first, stop in pairwise([0, *ends]):
        index = np.arange(first, stop)
        t_s = index / RATE_HZ
        if t_s[-1] >= SWITCH_S and detection.source.electrode == "A":
            detection.set_source(SourceNow(True, SWITCH_S, "B"))
        turned = 1 / 3 if detection.source.electrode == "B" else 0.0
        block = SampleBlock(index, t_s, volts(t_s) + noise[index], np.zeros(index.size, np.uint8), 0.256)
        readings += detection.push(block, PhaseReference(-turned / FREQUENCY_HZ, FREQUENCY_HZ), float(t_s[-1]))
    starts = [r.t_s - (r.window_s or 0.0) / 2 for r in readings if r.t_s > SWITCH_S]
    assert SWITCH_S + SETTLE_S <= starts[0] < SWITCH_S + SETTLE_S + 0.055, "it begins with the first whole hop"
    assert all(r.value_V is not None and abs(r.value_V + 60e-6) < 12e-6 for r in readings if r.t_s > SWITCH_S + 0.3)


def test_a_wish_is_judged_by_the_source_as_the_board_last_said() -> None:
    """A busy loop may be late to notice that the output went off; whoever asks then must not be refused."""
    detection: Any = SimpleNamespace(source=SimpleNamespace(energised=True))
    source_off: Any = SimpleNamespace(scan_wanted=False)
    follower: Any = SimpleNamespace(look=lambda: setattr(detection.source, "energised", False))
    other: Any = SimpleNamespace()
    requests = Requests(other, other, detection, source_off, follower, other, other, other, None, other, other, other)
    replies: list[m.Message] = []
    requests.handle(m.ScanBand(), replies.extend)
    assert replies == [] and source_off.scan_wanted
