"""What the instrument sounds like: states told apart by ear, the field's strength as pitch. Pure functions of what was
told and of time.

While the source is on one of five things sounds at any moment, so that silence means *stopped*:

- *toward* the front end: one steady tone, whose pitch rises with the logarithm of the field's strength;
- *away* from it: low, dull, four strokes a second, pitch as before;
- *too weak* to tell: a single soft tick each 0.8 s;
- *no signal yet*: a soft low double knock each 0.8 s;
- *wrong* (saturated): an even stutter of eight a second.

Doubt is heard as roughness: the nearer the reading to its own uncertainty, the deeper the tone is chopped. A short tick
marks that the strength has just passed its maximum of the last seconds. Zoomed in, a few percent are as wide as a
semitone. Alerts are another family, all above 1.9 kHz, and pre-empt the rest: alarm and trip warble, the warning before
the source comes on pulses for as long as it lasts.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal, Protocol

Kind = Literal["silent", "tick", "waiting", "wrong", "front", "back", "peak", "alarm", "caution", "warning", "kept"]
Alert = Literal["alarm", "caution", "warning", "kept"]
Side = Literal["front", "back"]
ALERTS: tuple[Alert, ...] = ("alarm", "warning", "caution", "kept")
"""Loudest claim first: an earlier one is not interrupted by a later one."""

CHUNK_S = 0.02
#: A direction is claimed from here on, as on the screen; settings may widen it, never narrow it.
CLAIM_SIGMA = 2.0
#: From this many sigma on a tone is quite pure.
PURE_SIGMA = 10.0
#: The field at which the pitch begins, and how far it goes: 3 uV/m is a good reading's noise, 30 mV/m is at a hole.
LOWEST_V_PER_m = 3e-6
DECADES = 4.0
FRONT_LOW_HZ, FRONT_OCTAVES = 330.0, 2.4
BACK_LOW_HZ, BACK_OCTAVES = 110.0, 1.0
#: Zoomed in: cents per decade of field. 3 % more is 54 cents.
ZOOM_CENTS = 4200.0
ROUGH_HZ = 25.0
"""Chops a second in a doubtful tone: heard as roughness, not as a pitch or rhythm of its own."""
STROKE_S = 0.25
"""Away: one stroke in this time, sounding for half of it."""
AVERAGE_S = 0.3
SIGN_OF_LIFE_S = 0.8
TICK_HZ, WAITING_HZ, WRONG_HZ, PEAK_HZ = 1000.0, 500.0, 290.0, 1850.0
SOFT_LEVEL = 0.12
GUIDE_LEVEL = 0.5
ALERT_LEVEL = 0.9
#: No reading for this long: guidance stops, and a caution says that it did.
STALE_S = 1.0
ALARM_REPEAT_S = 8.0
#: The peak is looked for in the readings of so many seconds, and called when the strength has fallen by so much.
PEAK_S = 5.0
PEAK_FALL = 0.03
PEAK_TICK_S = 0.06
NO_SIGN_FLAGS = frozenset({"acquiring", "saturated", "no sign"})


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
    """What sounds at one moment. `rough` 0 to 1: how deep it is chopped at `ROUGH_HZ`."""

    kind: Kind = "silent"
    pitch_Hz: float = 0.0
    level: float = 0.0
    rough: float = 0.0


SILENT = Tone()


@dataclass(frozen=True, slots=True)
class CueSettings:
    volume: float = 0.7
    dead_band_sigma: float = CLAIM_SIGMA
    zoom: bool = False

    def clipped(self) -> CueSettings:
        """Within what is allowed: the dead band may be wider than two sigma, never narrower."""
        return replace(
            self, volume=min(1.0, max(0.0, self.volume)), dead_band_sigma=max(CLAIM_SIGMA, self.dead_band_sigma)
        )


def _range(side: Side) -> tuple[float, float]:
    return (FRONT_LOW_HZ, FRONT_OCTAVES) if side == "front" else (BACK_LOW_HZ, BACK_OCTAVES)


def pitch_of(field_V_per_m: float, side: Side) -> float:
    """Hz for a field: octaves in proportion to its logarithm."""
    low, octaves = _range(side)
    share = math.log10(max(field_V_per_m, LOWEST_V_PER_m) / LOWEST_V_PER_m) / DECADES
    return float(low * 2.0 ** (octaves * min(1.0, share)))


def zoomed_pitch_of(field_V_per_m: float, side: Side, middle_V_per_m: float) -> float:
    """Hz with the range stretched about a middle: `ZOOM_CENTS` a decade, held at the ends of the side's range."""
    low, octaves = _range(side)
    away = ZOOM_CENTS / 1200.0 * math.log10(max(field_V_per_m, 1e-12) / middle_V_per_m)
    return float(low * 2.0 ** min(octaves, max(0.0, octaves / 2 + away)))


def zoom_reach() -> float:
    """The field may differ by this factor from the middle before the low side's range ends; then the middle moves."""
    return float(10.0 ** (BACK_OCTAVES / 2 * 1200.0 / ZOOM_CENTS))


def doubt_of(ratio: float) -> float:
    """Roughness 0 to 1 for |reading|/sigma: full at the edge of what may be claimed, none from `PURE_SIGMA` on."""
    return min(1.0, max(0.0, math.log(PURE_SIGMA / max(ratio, 1e-9)) / math.log(PURE_SIGMA / CLAIM_SIGMA)))


def side_of(reading: Heard, dead_band_sigma: float = CLAIM_SIGMA) -> Side | None:
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
        # Even pulses: the source is about to come on. `Cue.warn` keeps them going until it is.
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


class Peak:
    """Says once that the strength has passed its maximum of the last seconds."""

    def __init__(self) -> None:
        self._held: deque[tuple[float, float]] = deque()
        #: Of these the falling ones: each is higher than all that came after it, so the first is the highest.
        self._falling: deque[tuple[float, float]] = deque()
        self._armed = False

    def passed(self, now_s: float, log_field: float, sigma_share: float) -> bool:
        """`log_field`: logarithm of the averaged strength; `sigma_share`: its relative uncertainty."""
        fall = max(-math.log(1.0 - PEAK_FALL), 2.0 * sigma_share)
        for values in (self._held, self._falling):
            while values and values[0][0] < now_s - PEAK_S:
                values.popleft()
        first = self._held[0][1] if self._held else log_field
        highest = self._falling[0][1] if self._falling else log_field
        self._held.append((now_s, log_field))
        while self._falling and self._falling[-1][1] <= log_field:
            self._falling.pop()
        self._falling.append((now_s, log_field))
        if log_field >= highest and log_field - first > fall:
            # It has risen to here from something clearly lower: there is a maximum to pass.
            self._armed = True
        if self._armed and log_field < highest - fall:
            self.forget()
            return True
        return False

    def forget(self) -> None:
        self._held.clear()
        self._falling.clear()
        self._armed = False


class Cue:
    """Told of readings and alerts, says what sounds. Not thread-safe: `Sounder` holds the lock."""

    def __init__(self, settings: CueSettings | None = None, spacing_m: float = 0.3) -> None:
        self.settings = (settings or CueSettings()).clipped()
        self.spacing_m = spacing_m
        self._side: Side | None = None
        self._quiet: Kind = "tick"
        self._log_field = 0.0
        self._log_ratio = 0.0
        self._middle_V_per_m: float | None = None
        self._told: tuple[Side, float, float, bool] | None = None
        self._steady = (0.0, 0.0)
        """Pitch and roughness of what was told."""
        self._peak = Peak()
        self._peak_s: float | None = None
        self._heard_s: float | None = None
        self._live = True
        self._warn_s: float | None = None
        self._alert: Alert | None = None
        self._alert_s = 0.0
        self._tripped_s: float | None = None
        self._said_stale = False
        self._rhythm_s = 0.0

    def live(self, on: bool, now_s: float) -> None:
        """Guidance only while the source is energised; alerts always."""
        if on and not self._live:
            # A grace of one stale time, so that switching on does not begin with a caution.
            self._heard_s = now_s
            self._side, self._quiet = None, "waiting"
            self._peak.forget()
        self._live = on

    def update(self, reading: Heard, now_s: float) -> None:
        """A new reading of the pair along the pole; other channels are not heard."""
        if reading.channel != 0:
            return
        side = side_of(reading, self.settings.dead_band_sigma)
        if side is not None and reading.value_V is not None and reading.sigma_V:
            log_field = math.log(abs(reading.value_V) / self.spacing_m)
            log_ratio = math.log(abs(reading.value_V) / reading.sigma_V)
            share = 1.0
            if side == self._side and self._heard_s is not None:
                # The side follows every reading at once; only pitch and roughness are averaged.
                share = 1.0 - math.exp(-max(0.0, now_s - self._heard_s) / AVERAGE_S)
            else:
                self._peak.forget()
            self._log_field += share * (log_field - self._log_field)
            self._log_ratio += share * (log_ratio - self._log_ratio)
            if self._peak.passed(now_s, self._log_field, math.exp(-self._log_ratio)):
                self._peak_s = now_s
        quiet: Kind = "tick"
        if "saturated" in reading.flags:
            quiet = "wrong"
        elif reading.value_V is None or "acquiring" in reading.flags:
            quiet = "waiting"
        if side != self._side or (side is None and quiet != self._quiet):
            self._rhythm_s = now_s
        self._side, self._quiet = side, quiet
        self._heard_s = now_s
        self._said_stale = False

    def warn(self, on: bool, now_s: float) -> None:
        """The source is about to come on: pulses for as long as that is so."""
        if not on:
            self._warn_s = None
        elif self._warn_s is None:
            self._warn_s = now_s

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
        sounding = self._alerting(now_s)
        if sounding is None:
            sounding = self._guiding(now_s)
        return Tone(sounding.kind, sounding.pitch_Hz, sounding.level * self.settings.volume, sounding.rough)

    def _alerting(self, now_s: float) -> Tone | None:
        sounding: Tone | None = None
        if self._tripped_s is not None:
            sounding = alert_tone("alarm", (now_s - self._tripped_s) % ALARM_REPEAT_S)
        if sounding is None and self._alert == "alarm":
            sounding = alert_tone("alarm", now_s - self._alert_s)
        if sounding is None and self._warn_s is not None:
            return alert_tone("warning", (now_s - self._warn_s) % 1.0)
        if sounding is None and self._alert is not None:
            sounding = alert_tone(self._alert, now_s - self._alert_s)
            if sounding is None:
                self._alert = None
        return sounding

    def _guiding(self, now_s: float) -> Tone:
        if not self._live or self._heard_s is None:
            return SILENT
        if now_s - self._heard_s > STALE_S:
            if not self._said_stale:
                self._said_stale = True
                self.alert("caution", now_s)
                return self._alerting(now_s) or SILENT
            return SILENT
        since_s = now_s - self._rhythm_s
        if self._side is None:
            return _sign_of_life(self._quiet, since_s)
        if self._peak_s is not None and now_s - self._peak_s < PEAK_TICK_S:
            return Tone("peak", PEAK_HZ, GUIDE_LEVEL)
        # A chunk is asked for five times as often as there are readings.
        told = self._side, self._log_field, self._log_ratio, self.settings.zoom
        if told != self._told:
            self._told = told
            self._steady = self._pitch(self._side), doubt_of(math.exp(self._log_ratio))
        pitch, rough = self._steady
        if self._side == "back" and since_s % STROKE_S >= STROKE_S / 2:
            return Tone("back", pitch, 0.0)
        return Tone(self._side, pitch, GUIDE_LEVEL, rough)

    def holds_until(self, now_s: float) -> float:
        """How long what sounds now goes on, if nothing more is told; `now_s` itself where that is not known.

        For who plays tones and no samples: it need not ask again before.
        """
        if self._tripped_s is not None or self._warn_s is not None or self._alert is not None:
            return now_s
        if not self._live or self._heard_s is None:
            return math.inf
        stale_s = self._heard_s + STALE_S
        if now_s > stale_s or self._side is None or (self._peak_s is not None and now_s - self._peak_s < PEAK_TICK_S):
            return now_s
        if self._side == "front":
            return stale_s
        half_s = STROKE_S / 2
        return min(stale_s, self._rhythm_s + (math.floor((now_s - self._rhythm_s) / half_s) + 1) * half_s)

    def _pitch(self, side: Side) -> float:
        field = math.exp(self._log_field)
        if not self.settings.zoom:
            self._middle_V_per_m = None
            return pitch_of(field, side)
        reach = zoom_reach()
        if self._middle_V_per_m is None or not 1 / reach <= field / self._middle_V_per_m <= reach:
            # Out of the stretched range: it goes on from here, in the middle.
            self._middle_V_per_m = field
        return zoomed_pitch_of(field, side, self._middle_V_per_m)


def _sign_of_life(kind: Kind, since_s: float) -> Tone:
    """What sounds where no side is claimed. Whole chunks on and off, so that a buzzer can play it too."""
    chunk = round(since_s / CHUNK_S)
    place = chunk % round(SIGN_OF_LIFE_S / CHUNK_S)
    if kind == "wrong":
        return Tone("wrong", WRONG_HZ, GUIDE_LEVEL) if chunk % 6 < 3 else Tone("wrong")
    if kind == "waiting":
        return Tone("waiting", WAITING_HZ, 2 * SOFT_LEVEL) if place in (0, 1, 5, 6) else Tone("waiting")
    return Tone("tick", TICK_HZ, SOFT_LEVEL) if place == 0 else SILENT
