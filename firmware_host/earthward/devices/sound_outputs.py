"""Where the cue comes out: a piezo buzzer on a GPIO pin, the sound card, a WAV file."""

from __future__ import annotations

import fcntl
import math
import os
import shutil
import subprocess
import wave
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from earthward.devices.cue import CHUNK_S, Tone
from earthward.devices.sound import SAMPLE_RATE_HZ, Samples
from earthward.errors import InputError

#: TonalBuzzer plays mid_tone +- octaves; its own default (220 to 880 Hz) is too narrow for the cue and its alerts.
BUZZER_MID_HZ = 554.0
BUZZER_OCTAVES = 3
#: The pipe to the sound card's player holds at most this much, so that an alert is not queued behind guidance.
PIPE_BYTES = 4096


class BuzzerOutput:
    """gpiozero's TonalBuzzer: a square wave, on or off. It cannot play roughness, so doubt is not heard here; the sides
    differ by rhythm, which it can.

    Steady tones need a pin with hardware PWM (GPIO 12, 13, 18 or 19).
    """

    takes_samples = False

    def __init__(self, pin: int, pin_factory: Any = None) -> None:
        from gpiozero import TonalBuzzer
        from gpiozero.tones import Tone as BuzzerTone

        self._tone_of = BuzzerTone.from_frequency
        self._buzzer = TonalBuzzer(
            pin, mid_tone=BuzzerTone.from_frequency(BUZZER_MID_HZ), octaves=BUZZER_OCTAVES, pin_factory=pin_factory
        )
        self._playing_Hz = 0.0

    def play(self, tone: Tone, samples: Samples) -> None:
        # A buzzer has no volume: what would be nearly silent is left out.
        pitch = tone.pitch_Hz if tone.level > 0.02 else 0.0
        if pitch == self._playing_Hz or (pitch and abs(pitch / (self._playing_Hz or math.inf) - 1) < 0.002):
            return
        self._playing_Hz = pitch
        if pitch:
            self._buzzer.play(self._tone_of(pitch))
        else:
            self._buzzer.stop()

    def close(self) -> None:
        self._buzzer.stop()
        self._buzzer.close()


class CardOutput:
    """The sound card through `aplay` (Debian package alsa-utils): no library of its own, works on every Pi.

    Raises InputError if the player is not installed. When it ends (headphones pulled) it is started again.
    """

    def __init__(self, device: str = "default", player: Sequence[str] | None = None) -> None:
        if player is None:
            if shutil.which("aplay") is None:
                raise InputError("sound on the card needs the program aplay; install the Debian package alsa-utils")
            player = (
                *("aplay", "-q", "-D", device, "-t", "raw", "-f", "S16_LE", "-c", "1", "-r", str(SAMPLE_RATE_HZ)),
                *("--buffer-time=80000", "--period-time=20000"),
            )
        self._player = tuple(player)
        self._process: subprocess.Popen[bytes] | None = None
        self._wait_chunks = 0
        self.dropped = 0
        self.restarts = -1

    def _start(self) -> None:
        self._process = subprocess.Popen(
            self._player, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, bufsize=0
        )
        assert self._process.stdin is not None
        descriptor = self._process.stdin.fileno()
        os.set_blocking(descriptor, False)
        fcntl.fcntl(descriptor, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
        self.restarts += 1

    def play(self, tone: Tone, samples: Samples) -> None:
        if self._process is None or self._process.poll() is not None:
            if self._wait_chunks > 0:
                self._wait_chunks -= 1
                return
            self._wait_chunks = round(2.0 / CHUNK_S)
            self._start()
        assert self._process is not None and self._process.stdin is not None
        try:
            os.write(self._process.stdin.fileno(), samples.astype("<i2").tobytes())
        except BlockingIOError:
            # The card runs a little slower than our clock: a chunk is left out.
            self.dropped += 1
        except BrokenPipeError:
            self._process.wait(timeout=1.0)

    def close(self) -> None:
        if self._process is None:
            return
        if self._process.stdin is not None:
            self._process.stdin.close()
        try:
            self._process.wait(timeout=1.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None


class WavOutput:
    """A WAV file, 16 bit mono. Written under a temporary name and renamed when closed."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._part = self.path.with_name(self.path.name + ".part")
        try:
            self._stream = self._part.open("wb")
        except OSError as error:
            raise InputError(f"cannot write {self.path} ({error.strerror}); choose another place") from error
        self._wave = wave.open(self._stream, "wb")  # noqa: SIM115  (closed in close())
        self._wave.setnchannels(1)
        self._wave.setsampwidth(2)
        self._wave.setframerate(SAMPLE_RATE_HZ)

    def play(self, tone: Tone, samples: Samples) -> None:
        self._wave.writeframesraw(samples.astype("<i2").tobytes())

    def close(self) -> None:
        if self._stream.closed:
            return
        self._wave.close()
        self._stream.flush()
        os.fsync(self._stream.fileno())
        self._stream.close()
        os.replace(self._part, self.path)
