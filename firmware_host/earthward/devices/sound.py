"""The cue: what a reading sounds like, and the ways it leaves the machine. It belongs to the daemon, not to a screen.

Guidance: current toward the front end is a pure tone, toward the back end a low rough one, and the pitch of both rises
with the logarithm of |reading|/sigma, averaged so that jitter is not heard. Below the dead band there is silence with a
slow soft tick as sign of life. Alerts are another family (high, pulsed, never steady) and pre-empt guidance.

`Cue` decides and is a function of what it was told and of time; `Synth` makes samples; `Sounder` is the thread that
feeds outputs in chunks of 20 ms, so that an alert is heard well within 200 ms.
"""

from __future__ import annotations

import contextlib
import logging
import math
import threading
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from earthward.clock import Clock

log = logging.getLogger(__name__)

Kind = Literal["silent", "tick", "front", "back", "alarm", "caution", "warning", "kept"]
Alert = Literal["alarm", "caution", "warning", "kept"]
ALERTS: tuple[Alert, ...] = ("alarm", "warning", "caution", "kept")
"""Loudest claim first: an earlier one is not interrupted by a later one."""

SAMPLE_RATE_HZ = 22_050
CHUNK_S = 0.02
#: A direction is claimed from here on, as on the screen; settings may widen it, never narrow it.
CLAIM_SIGMA = 2.0
#: From the edge of the dead band to a thousand times as much the pitch runs through its whole range.
FULL_RATIO = 1000.0
FRONT_LOW_HZ, FRONT_OCTAVES = 440.0, 2.0
BACK_LOW_HZ, BACK_OCTAVES = 110.0, 1.0
#: Pulses a second in the rough tone: slow enough to be heard as roughness, not as a pitch of its own.
ROUGH_HZ = 25.0
AVERAGE_S = 0.3
TICK_EVERY_S = 1.5
TICK_HZ = 1000.0
TICK_LEVEL = 0.12
GUIDE_LEVEL = 0.5
ALERT_LEVEL = 0.9
#: No reading for this long: guidance stops, and a caution says that it did.
STALE_S = 1.0
ALARM_REPEAT_S = 8.0
NO_SIGN_FLAGS = frozenset({"acquiring", "saturated", "no sign"})

Samples = NDArray[np.int16]


class Heard(Protocol):
    """What the cue needs of a reading: the detector's and the client protocol's both fit."""

    @property
    def value_V(self) -> float | None: ...
    @property
    def sigma_V(self) -> float | None: ...
    @property
    def flags(self) -> Collection[str]: ...
    @property
    def channel(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Tone:
    """What sounds at one moment. `rough` = chopped at `ROUGH_HZ` and full of odd harmonics."""

    kind: Kind = "silent"
    pitch_Hz: float = 0.0
    level: float = 0.0

    @property
    def rough(self) -> bool:
        return self.kind == "back"


SILENT = Tone()


@dataclass(frozen=True, slots=True)
class CueSettings:
    volume: float = 0.7
    dead_band_sigma: float = CLAIM_SIGMA

    def clipped(self) -> CueSettings:
        """Within what is allowed: the dead band may be wider than two sigma, never narrower."""
        return CueSettings(min(1.0, max(0.0, self.volume)), max(CLAIM_SIGMA, self.dead_band_sigma))


def pitch_of(ratio: float, side: Literal["front", "back"], dead_band_sigma: float = CLAIM_SIGMA) -> float:
    """Hz for |reading|/sigma = `ratio`: octaves in proportion to its logarithm above the dead band."""
    low, octaves = (FRONT_LOW_HZ, FRONT_OCTAVES) if side == "front" else (BACK_LOW_HZ, BACK_OCTAVES)
    share = math.log(max(ratio, dead_band_sigma) / dead_band_sigma) / math.log(FULL_RATIO)
    return float(low * 2.0 ** (octaves * min(1.0, max(0.0, share))))


def side_of(reading: Heard, dead_band_sigma: float = CLAIM_SIGMA) -> Literal["front", "back"] | None:
    """Which way the cue may claim; None below the dead band, without a value or when the sign is not to be had."""
    value, sigma = reading.value_V, reading.sigma_V
    if value is None or not sigma or not math.isfinite(value) or NO_SIGN_FLAGS.intersection(reading.flags):
        return None
    if abs(value) < dead_band_sigma * sigma:
        return None
    return "front" if value > 0 else "back"


def alert_tone(kind: Alert, elapsed_s: float) -> Tone | None:
    """The alert's tone so long after its start; None when it is over. All above the guidance's highest pitch."""
    if kind == "alarm":
        # A warble without a pause.
        if elapsed_s >= 3.2:
            return None
        return Tone("alarm", 2400.0 if int(elapsed_s * 8) % 2 == 0 else 3200.0, ALERT_LEVEL)
    if kind == "warning":
        # Even pulses: the source is about to come on.
        if elapsed_s >= 1.0:
            return None
        return Tone("warning", 2000.0, ALERT_LEVEL) if elapsed_s % 0.5 < 0.25 else Tone("warning")
    if kind == "caution":
        # Three short pips.
        if elapsed_s >= 0.6:
            return None
        return Tone("caution", 2800.0, ALERT_LEVEL * 0.7) if elapsed_s % 0.2 < 0.1 else Tone("caution")
    # Kept: two pips, rising.
    if elapsed_s >= 0.2:
        return None
    return Tone("kept", 2093.0 if elapsed_s < 0.1 else 2637.0, GUIDE_LEVEL)


class Cue:
    """Told of readings and alerts, says what sounds. Not thread-safe: `Sounder` holds the lock."""

    def __init__(self, settings: CueSettings | None = None) -> None:
        self.settings = (settings or CueSettings()).clipped()
        self._side: Literal["front", "back"] | None = None
        self._log_ratio = 0.0
        self._heard_s: float | None = None
        self._live = True
        self._alert: Alert | None = None
        self._alert_s = 0.0
        self._tripped_s: float | None = None
        self._said_stale = False
        self._tick_from_s: float | None = None

    def live(self, on: bool, now_s: float) -> None:
        """Guidance only while the source is energised; alerts always."""
        if on and not self._live:
            # A grace of one stale time, so that switching on does not begin with a caution.
            self._heard_s = now_s
            self._side = None
        self._live = on

    def update(self, reading: Heard, now_s: float) -> None:
        """A new reading of the pair along the pole; other channels are not heard."""
        if reading.channel != 0:
            return
        band = self.settings.dead_band_sigma
        side = side_of(reading, band)
        if side is not None and reading.value_V is not None and reading.sigma_V:
            log_ratio = math.log(abs(reading.value_V) / reading.sigma_V)
            if side != self._side or self._heard_s is None:
                # The side follows every reading at once; only the pitch is averaged.
                self._log_ratio = log_ratio
            else:
                share = 1.0 - math.exp(-max(0.0, now_s - self._heard_s) / AVERAGE_S)
                self._log_ratio += share * (log_ratio - self._log_ratio)
        if side is None and (self._side is not None or self._tick_from_s is None):
            self._tick_from_s = now_s
        self._side = side
        self._heard_s = now_s
        self._said_stale = False

    def alert(self, kind: Alert, now_s: float) -> None:
        """Sound an alert once. A weightier one that is still sounding is not interrupted."""
        running = self._alert is not None and alert_tone(self._alert, now_s - self._alert_s) is not None
        if running and self._alert is not None and ALERTS.index(self._alert) < ALERTS.index(kind):
            return
        self._alert, self._alert_s = kind, now_s

    def tripped(self, on: bool, now_s: float) -> None:
        """While the interlock is tripped the alarm sounds, and again every few seconds."""
        if not on:
            self._tripped_s = None
        elif self._tripped_s is None:
            self._tripped_s = now_s

    def tone(self, now_s: float) -> Tone:
        """What sounds now."""
        sounding: Tone | None = None
        if self._tripped_s is not None:
            sounding = alert_tone("alarm", (now_s - self._tripped_s) % ALARM_REPEAT_S)
        if sounding is None and self._alert is not None:
            sounding = alert_tone(self._alert, now_s - self._alert_s)
            if sounding is None:
                self._alert = None
        if sounding is not None:
            return self._loud(sounding)
        if not self._live or self._heard_s is None:
            return SILENT
        if now_s - self._heard_s > STALE_S:
            if not self._said_stale:
                self._said_stale = True
                self.alert("caution", now_s)
                return self.tone(now_s)
            return SILENT
        if self._side is None:
            since = now_s - (self._tick_from_s if self._tick_from_s is not None else now_s)
            return self._loud(Tone("tick", TICK_HZ, TICK_LEVEL)) if since % TICK_EVERY_S < CHUNK_S else SILENT
        pitch = pitch_of(math.exp(self._log_ratio), self._side, self.settings.dead_band_sigma)
        return self._loud(Tone(self._side, pitch, GUIDE_LEVEL))

    def _loud(self, tone: Tone) -> Tone:
        return replace(tone, level=tone.level * self.settings.volume)


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
        if tone.rough:
            wave = wave + np.sin(3 * phase) / 3 + np.sin(5 * phase) / 5
            chop = self._chop + 2 * np.pi * ROUGH_HZ / self.rate_Hz * n
            # A steep gate, not a hard one: roughness without clicks.
            wave = wave * (0.5 + 0.5 * np.tanh(4 * np.sin(chop)))
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

    def __init__(self, outputs: Sequence[Output], clock: Clock, settings: CueSettings | None = None) -> None:
        self.cue = Cue(settings)
        self._outputs = list(outputs)
        self._clock = clock
        self._lock = threading.Lock()
        self._synth = Synth()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.problems: list[str] = []

    def start(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="sound", daemon=True)
            self._thread.start()

    def stop(self) -> None:
        """Silence, and every output closed."""
        self._stop.set()
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

    def alert(self, kind: Alert) -> None:
        with self._lock:
            self.cue.alert(kind, self._clock.now())

    def tripped(self, on: bool) -> None:
        with self._lock:
            self.cue.tripped(on, self._clock.now())

    def live(self, on: bool) -> None:
        with self._lock:
            self.cue.live(on, self._clock.now())

    def set(self, volume: float | None = None, dead_band_sigma: float | None = None) -> None:
        with self._lock:
            now = self.cue.settings
            self.cue.settings = CueSettings(
                now.volume if volume is None else volume,
                now.dead_band_sigma if dead_band_sigma is None else dead_band_sigma,
            ).clipped()

    def step(self) -> Tone:
        """One chunk: what sounds now goes to every output. The thread calls this; so may a test."""
        with self._lock:
            tone = self.cue.tone(self._clock.now())
        # A buzzer takes the tone alone: without a sound card nobody hears the samples.
        wanted = any(getattr(output, "takes_samples", True) for output in self._outputs)
        samples = self._synth.render(tone, round(CHUNK_S * SAMPLE_RATE_HZ)) if wanted else _NOTHING
        for output in list(self._outputs):
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
            self.step()
            due += CHUNK_S
            late = self._clock.now() - due
            if late > 0.2:
                # The machine was away: do not hurry through what was missed.
                due += late
            self._clock.sleep(due - self._clock.now())


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
