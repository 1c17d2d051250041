"""The thread between the cue and the ways it leaves the machine. It belongs to the daemon, not to a screen.

`earthward.devices.cue` decides what sounds; `Synth` makes samples; `Sounder` is the thread that feeds outputs in chunks
of 20 ms, so that an alert is heard well within 200 ms.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from earthward.clock import Clock, wait_event
from earthward.devices.cue import ALERTS, CHUNK_S, ROUGH_HZ, Alert, Cue, CueSettings, Heard, Tone

log = logging.getLogger(__name__)

SAMPLE_RATE_HZ = 22_050

#: The cue is looked at so often whatever it says of itself.
LONGEST_S = 0.5

Samples = NDArray[np.int16]


class Synth:
    """Samples of a sequence of tones, without clicks between them: phase runs on, level glides."""

    def __init__(self, rate_Hz: int = SAMPLE_RATE_HZ) -> None:
        self.rate_Hz = rate_Hz
        self._phase = 0.0
        self._chop = 0.0
        self._level = 0.0

    def render(self, tone: Tone, count: int) -> Samples:
        """int16 (count,)."""
        n = np.arange(1, count + 1)
        phase = self._phase + 2 * np.pi * tone.pitch_Hz / self.rate_Hz * n
        wave = np.sin(phase)
        if tone.kind in ("back", "wrong"):
            # Dull and low beside the pure tone of the other side.
            wave = wave + np.sin(3 * phase) / 3 + np.sin(5 * phase) / 5
        if tone.rough > 0:
            chop = self._chop + 2 * np.pi * ROUGH_HZ / self.rate_Hz * n
            # A steep gate, not a hard one: roughness without clicks.
            wave = wave * (1.0 - tone.rough * (0.5 - 0.5 * np.tanh(4 * np.sin(chop))))
            self._chop = float(chop[-1] % (2 * np.pi)) if count else self._chop
        elif tone.kind in ALERTS:
            wave = wave + np.sin(3 * phase) / 6
        glide = min(count, max(1, round(0.004 * self.rate_Hz)))
        level = np.full(count, tone.level)
        level[:glide] = self._level + (tone.level - self._level) * np.arange(1, glide + 1) / glide
        if count:
            self._phase = float(phase[-1] % (2 * np.pi)) if tone.pitch_Hz else 0.0
            self._level = float(level[-1])
        return np.asarray(np.clip(wave * level * 0.8, -1, 1) * 32767, dtype=np.int16)


class Output(Protocol):
    """One way out. `play` gets every chunk in turn and must not block."""

    def play(self, tone: Tone, samples: Samples) -> None: ...
    def close(self) -> None: ...


_NOTHING: Samples = np.zeros(0, dtype=np.int16)


class Sounder:
    """The thread between the cue and its outputs. An output that fails is dropped with a word in `problems`."""

    def __init__(
        self, outputs: Sequence[Output], clock: Clock, settings: CueSettings | None = None, spacing_m: float = 0.3
    ) -> None:
        self.cue = Cue(settings, spacing_m)
        self._outputs = list(outputs)
        self._clock = clock
        self._lock = threading.Lock()
        self._synth = Synth()
        self._stop = threading.Event()
        #: Something was told that may sound at once.
        self._told = threading.Event()
        self._thread: threading.Thread | None = None
        self.problems: list[str] = []

    def start(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Silence, and every output closed."""
        self._stop.set()
        self._told.set()
        if self._thread is not None:
            self._thread.join(timeout=2.0)
            self._thread = None
        for output in self._outputs:
            with contextlib.suppress(Exception):
                output.close()
        self._outputs.clear()

    def update(self, reading: Heard) -> None:
        with self._lock:
            self.cue.update(reading, self._clock.now())
        self._told.set()

    def alert(self, kind: Alert) -> None:
        with self._lock:
            self.cue.alert(kind, self._clock.now())
        self._told.set()

    def warn(self, on: bool) -> None:
        with self._lock:
            self.cue.warn(on, self._clock.now())
        self._told.set()

    def tripped(self, on: bool) -> None:
        with self._lock:
            self.cue.tripped(on, self._clock.now())
        self._told.set()

    def live(self, on: bool) -> None:
        with self._lock:
            self.cue.live(on, self._clock.now())
        self._told.set()

    def set(self, volume: float | None = None, dead_band_sigma: float | None = None, zoom: bool | None = None) -> None:
        """None leaves as it is."""
        given = {"volume": volume, "dead_band_sigma": dead_band_sigma, "zoom": zoom}
        with self._lock:
            self.cue.settings = replace(
                self.cue.settings,
                **{name: value for name, value in given.items() if value is not None},  # type: ignore[arg-type]
            ).clipped()
        self._told.set()

    def step(self) -> Tone:
        """One chunk: what sounds now goes to every output. The thread calls this; so may a test."""
        with self._lock:
            tone = self.cue.tone(self._clock.now())
        # A buzzer takes the tone alone: without a sound card nobody hears the samples.
        samples = _NOTHING
        for output in tuple(self._outputs):
            if samples is _NOTHING and getattr(output, "takes_samples", True):
                samples = self._synth.render(tone, round(CHUNK_S * SAMPLE_RATE_HZ))
            try:
                output.play(tone, samples)
            except Exception as error:
                # A headphone jack pulled out must not silence the buzzer.
                self.problems.append(f"{type(output).__name__} gave up: {error}")
                log.warning("sound: %s", self.problems[-1])
                self._outputs.remove(output)
                with contextlib.suppress(Exception):
                    output.close()
        return tone

    def _run(self) -> None:
        due = self._clock.now()
        while not self._stop.is_set():
            self._told.clear()
            self.step()
            due += CHUNK_S
            now = self._clock.now()
            late = now - due
            if late > 0.2:
                # The machine was away: do not hurry through what was missed.
                due += late
            until = self._tone_until(now)
            if until > due:
                wait_event(self._clock, self._told, until - now)
                due = self._clock.now()
            else:
                self._clock.sleep(due - now)

    def _tone_until(self, now: float) -> float:
        """Until when nobody needs a further chunk: buzzers hold a tone by themselves, a sound card wants samples."""
        if any(getattr(output, "takes_samples", True) for output in self._outputs):
            return now
        with self._lock:
            return min(self.cue.holds_until(now), now + LONGEST_S)


Told = tuple[float, Callable[[Cue, float], None]]


def render_timeline(told: Iterable[Told], start_s: float, end_s: float, settings: CueSettings | None = None) -> Samples:
    """What would have been heard: `told` are (time, what to tell the cue) in order of time.

    Returns int16 samples from `start_s` to `end_s` at `SAMPLE_RATE_HZ`.
    """
    cue, synth = Cue(settings), Synth()
    count = round(CHUNK_S * SAMPLE_RATE_HZ)
    chunks: list[Samples] = []
    pending = iter(told)
    upcoming = next(pending, None)
    for i in range(max(0, round((end_s - start_s) / CHUNK_S))):
        now = start_s + i * CHUNK_S
        while upcoming is not None and upcoming[0] <= now:
            upcoming[1](cue, upcoming[0])
            upcoming = next(pending, None)
        chunks.append(synth.render(cue.tone(now), count))
    return np.concatenate(chunks) if chunks else np.zeros(0, dtype=np.int16)
