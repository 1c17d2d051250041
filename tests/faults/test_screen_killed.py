"""The display is killed hard while the daemon sounds the cue: the sound goes on as if nothing had happened.

The real daemon on the emulated bench, the real `earthward watch` on a pseudo-terminal, the cue through the WAV output.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import statistics
import struct
import subprocess
import sys
import termios
import threading
import wave
from collections.abc import Iterator
from fcntl import ioctl
from pathlib import Path

import numpy as np
import pytest

from earthward.clock import PacedClock
from earthward.commands.demo import bench_wiring, demo_config, new_visit
from earthward.commands.demo_client import InstrumentClient
from earthward.commands.demo_walk import Walk
from earthward.daemon import protocol as m
from earthward.daemon.life import Daemon
from earthward.devices.cue import Tone, pitch_of
from earthward.devices.sound import SAMPLE_RATE_HZ, Samples
from earthward.devices.sound_outputs import WavOutput
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import Scenario
from earthward.record.place import Station

ROOT = Path(__file__).parents[2]


class CountedWav(WavOutput):
    """The WAV output, which also notes what it was told."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.tones: list[Tone] = []

    def play(self, tone: Tone, samples: Samples) -> None:
        self.tones.append(tone)
        super().play(tone, samples)


class Dashboard:
    """`earthward watch` on a pty."""

    def __init__(self, socket: Path) -> None:
        self.master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 20, 53, 0, 0))
        environ = os.environ | {"TERM": "xterm-256color", "LANG": "C.UTF-8", "PYTHONPATH": str(ROOT / "firmware_host")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "earthward", "watch", "--connect", str(socket)],
            stdin=slave, stdout=slave, stderr=slave, env=environ, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self.shown = b""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 65536):
                self.shown += data

    async def shows(self, text: str) -> None:
        async with asyncio.timeout(60):
            while text.encode() not in self.shown:
                assert self.process.poll() is None, self.shown[-500:]
                await asyncio.sleep(0.05)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture(autouse=True)
def _quick_switching() -> Iterator[None]:
    before = sys.getswitchinterval()
    sys.setswitchinterval(0.0005)
    yield
    sys.setswitchinterval(before)


@pytest.mark.realtime
async def test_sound_goes_on_when_the_screen_is_killed(tmp_path: Path) -> None:
    scenario, clock = Scenario.random(1), PacedClock(1.0)
    wav = CountedWav(tmp_path / "heard.wav")
    fields: list[float] = []
    with EmulatedBench(scenario, clock) as bench:
        config = demo_config(scenario, tmp_path / "socket")
        wiring = bench_wiring(bench, config, clock)
        assert wiring.ear is not None
        wiring.ear._outputs.append(wav)
        visit = new_visit(scenario, config, tmp_path)
        daemon = Daemon(config, wiring, visit=visit)
        await daemon.start()
        dashboard = Dashboard(tmp_path / "socket")
        try:
            async with InstrumentClient(tmp_path / "socket", clock) as client:
                await Walk(bench, daemon, tmp_path / "socket", lambda text: None).begin(client)
                x, y, _ = scenario.leaks[0].position_m
                place = Station(position_m=(x + 0.4, y, 0.5 * scenario.depth_m), bearing_deg=180.0, name="near")
                client.send(m.MoveTo(place=place))
                await dashboard.shows("TOWARD ONE RING")
                await asyncio.sleep(2.0)
                await asyncio.to_thread(dashboard.kill)
                mark = len(wav.tones)
                daemon.listeners.append(
                    lambda message: (
                        fields.append(abs(message.value_V) / message.spacing_m)
                        if isinstance(message, m.ReadingMessage) and message.value_V
                        else None
                    )
                )
                async with asyncio.timeout(120):
                    while len(wav.tones) < mark + 150:  # three seconds of sound
                        await asyncio.sleep(0.05)
                assert client.state is not None and client.state.interlock.state == "energised"
        finally:
            if dashboard.process.poll() is None:
                dashboard.kill()
            await daemon.close()
            visit.store.close()
    told = wav.tones[mark : mark + 150]
    with wave.open(str(wav.path)) as read:
        samples = np.frombuffer(read.readframes(read.getnframes()), dtype="<i2").astype(float)
    chunk = round(0.02 * SAMPLE_RATE_HZ)
    after = samples[mark * chunk : (mark + 150) * chunk]
    levels = np.sqrt((after.reshape(150, chunk) ** 2).mean(axis=1))
    assert {tone.kind for tone in told} == {"front"}
    assert levels.min() > 0.5 * levels.max() > 0, "no gap, not for one chunk of 20 ms"
    tail = after[-SAMPLE_RATE_HZ // 2 :]
    spectrum = np.abs(np.fft.rfft(tail * np.hanning(tail.size), 8 * tail.size))
    peak_Hz = float(np.argmax(spectrum)) * SAMPLE_RATE_HZ / (8 * tail.size)
    assert peak_Hz == pytest.approx(statistics.median(tone.pitch_Hz for tone in told[-25:]), rel=0.01)
    # ... and it is the pitch of what the daemon read last: half a tone for what wanders within the averaging time
    assert peak_Hz == pytest.approx(pitch_of(statistics.median(fields[-12:]), "front"), rel=0.06)
