"""The cue, measured: what leaves the synthesiser is analysed by spectrum, not read back from its settings."""

from __future__ import annotations

import copy
import itertools
import math
import time
import wave
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earthward.clock import ManualClock, SystemClock
from earthward.daemon.telling import Teller
from earthward.devices.cue import (
    ALERTS,
    CHUNK_S,
    PEAK_FALL,
    PEAK_S,
    STALE_S,
    Alert,
    Cue,
    CueSettings,
    Peak,
    Tone,
    pitch_of,
)
from earthward.devices.sound import SAMPLE_RATE_HZ, Samples, Sounder, Synth, render_timeline
from earthward.devices.sound_outputs import WavOutput
from earthward.record.event import Severity


@dataclass(frozen=True)
class R:
    value_V: float | None
    sigma_V: float | None = 1e-6
    flags: list[str] = field(default_factory=list)
    channel: int = 0


def spectrum(samples: Samples) -> tuple[np.ndarray, np.ndarray]:
    x = samples.astype(float) / 32768 * np.hanning(samples.size)
    return np.fft.rfftfreq(samples.size, 1 / SAMPLE_RATE_HZ), np.abs(np.fft.rfft(x)) ** 2


def peak_Hz(samples: Samples) -> float:
    """The strongest line, by a parabola through three bins of the log spectrum."""
    f, p = spectrum(samples)
    k = int(np.argmax(p[1:-1])) + 1
    a, b, c = np.log(p[k - 1 : k + 2] + 1e-30)
    return float((k + 0.5 * (a - c) / (a - 2 * b + c)) * (f[1] - f[0]))


def share_within(samples: Samples, low_Hz: float, high_Hz: float) -> float:
    f, p = spectrum(samples)
    return float(p[(f >= low_Hz) & (f < high_Hz)].sum() / p.sum())


def steady(value_V: float, seconds: float = 2.0, sigma_V: float = 1e-6) -> Samples:
    told = [(i * 0.05, (lambda cue, now: cue.update(R(value_V, sigma_V), now))) for i in range(round(seconds / 0.05))]
    return render_timeline(told, 0.0, seconds)


def rms(samples: Samples) -> float:
    return float(np.sqrt(np.mean((samples.astype(float) / 32768) ** 2)))


@pytest.mark.parametrize("value_V", [3e-6, 20e-6, 100e-6, 700e-6, 5e-3])
@pytest.mark.parametrize("side", ["front", "back"])
def test_pitch_follows_the_map_within_a_percent(value_V: float, side: str) -> None:
    samples = steady(value_V if side == "front" else -value_V)[SAMPLE_RATE_HZ // 2 :]
    if side == "back":
        # One stroke: the rhythm's own sidebands would pull the line.
        loud = np.flatnonzero(np.abs(samples.astype(float)).reshape(-1, 441).max(axis=1) > 1000)
        start = loud[np.flatnonzero(np.diff(loud) > 1)[0] + 1] * 441
        samples = samples[start + 200 : start + 2500]
    expected = pitch_of(value_V / 0.3, side)  # type: ignore[arg-type]
    assert peak_Hz(samples) == pytest.approx(expected, rel=0.01 if side == "front" else 0.05)


def test_the_map_is_logarithmic_and_rises() -> None:
    for side in ("front", "back"):
        pitches = [pitch_of(3e-6 * 10**k, side) for k in range(4)]
        steps = [math.log2(b / a) for a, b in itertools.pairwise(pitches)]
        assert steps == pytest.approx([steps[0]] * 3)
        assert steps[0] > 0


def test_noise_makes_it_rougher_and_never_lower() -> None:
    """The same field, read with more and more doubt."""
    cues = []
    for sigma in (1e-6, 10e-6, 20e-6, 40e-6):
        cue = Cue()
        cue.update(R(100e-6, sigma), 0.0)
        cues.append(cue.tone(0.01))
    assert len({tone.pitch_Hz for tone in cues}) == 1
    assert [tone.rough for tone in cues] == sorted(tone.rough for tone in cues)
    assert cues[0].rough == 0.0 < cues[-1].rough
    calm, doubtful = (steady(100e-6, sigma_V=sigma)[SAMPLE_RATE_HZ // 2 :] for sigma in (1e-6, 40e-6))
    line = peak_Hz(calm)
    assert share_within(calm, line - 5, line + 5) > 0.98
    assert share_within(doubtful, line - 5, line + 5) < 0.95


def test_toward_and_away_differ_by_spectrum_at_every_strength() -> None:
    """Toward: one line. Away: low, and spread over odd harmonics."""
    for value_V in (11e-6, 100e-6, 2e-3):
        front, back = (steady(sign * value_V)[SAMPLE_RATE_HZ // 2 :] for sign in (1, -1))
        line = peak_Hz(front)
        assert share_within(front, line - 5, line + 5) > 0.98
        low = peak_Hz(back)
        assert low < 230 < 325 < line
        assert share_within(back, 2.5 * low, 12 * low) > 0.03


def test_zoomed_in_three_percent_is_half_a_semitone() -> None:
    for sign in (1, -1):
        cue = Cue(CueSettings(zoom=True))
        pitches = []
        for i, value in enumerate([100e-6] * 60 + [103e-6] * 60):
            cue.update(R(sign * value), i * 0.05)
            tone = cue.tone(i * 0.05)
            if i in (59, 119):
                pitches.append(tone.pitch_Hz)
        assert 1200 * math.log2(pitches[1] / pitches[0]) >= 50
    # However far the field runs, the pitch stays on its own side's range and goes on moving.
    cue = Cue(CueSettings(zoom=True))
    for i in range(400):
        cue.update(R(10e-6 * 1.02**i), i * 0.05)
        assert 329 < cue.tone(i * 0.05).pitch_Hz < 1750


def peaks(values: list[float], sigma_V: float) -> list[float]:
    """Times at which a peak tick begins."""
    cue, at, was = Cue(), [], ""
    for i, value in enumerate(values):
        cue.update(R(value, sigma_V), i * 0.05)
        kind = cue.tone(i * 0.05).kind
        if kind == "peak" and was != "peak":
            at.append(i * 0.05)
        was = kind
    return at


def test_a_tick_as_the_strength_passes_its_maximum_and_none_otherwise() -> None:
    passing = [100e-6 * (1 + 2 * math.exp(-(((i * 0.05 - 6.0) / 2.0) ** 2))) for i in range(240)]
    at = peaks(passing, 1e-6)
    assert len(at) == 1
    assert 6.0 < at[0] < 7.5
    assert peaks([100e-6 * 1.01**i for i in range(200)], 1e-6) == []
    rng = np.random.default_rng(3)
    held = [100e-6 + 3e-6 * x for x in rng.standard_normal(2000)]
    # Standing still for 100 s with a sigma of 3 %: noise alone may call it now and then, not more.
    assert len(peaks(held, 3e-6)) <= 2


def test_the_warning_sounds_until_the_source_is_on() -> None:
    cue = Cue()
    cue.warn(True, 0.0)
    on = [cue.tone(k * CHUNK_S) for k in range(150)]
    assert {tone.kind for tone in on} == {"warning"}
    for third in (on[:50], on[50:100], on[100:]):
        assert sum(tone.level > 0 for tone in third) >= 24
    cue.warn(False, 3.0)
    cue.live(True, 3.0)
    assert cue.tone(3.02).kind != "warning"


def test_alerts_differ_from_both_by_spectrum() -> None:
    top_of_guidance_Hz = 1765.0
    for kind in ALERTS:
        told = [(0.0, lambda cue, now, kind=kind: cue.alert(kind, now))]
        samples = render_timeline(told, 0.0, 0.18)
        assert share_within(samples, top_of_guidance_Hz, 12000) > 0.97, kind
    guidance = steady(1.0)  # far above the top of the map
    assert share_within(guidance, 0, top_of_guidance_Hz) > 0.99


def test_below_two_sigma_silent_with_a_slow_soft_tick() -> None:
    samples = steady(1.9e-6, 6.0)
    loud = np.abs(samples.astype(float)).reshape(-1, round(CHUNK_S * SAMPLE_RATE_HZ)).max(axis=1) > 50
    starts = int(np.sum(loud[1:] & ~loud[:-1])) + int(loud[0])
    assert 6 <= starts <= 9
    assert rms(samples) < 0.05 * rms(steady(20e-6))


@pytest.mark.parametrize("flag", ["acquiring", "saturated", "no sign"])
def test_flags_that_forbid_a_sign_forbid_it_here_too(flag: str) -> None:
    cue = Cue()
    cue.update(R(50e-6, flags=[flag]), 1.0)
    assert cue.tone(1.1).kind in ("tick", "silent", "waiting", "wrong")


@given(
    value=st.floats(1e-9, 1e-2),
    sigma=st.floats(1e-8, 1e-4),
)
@settings(max_examples=200, deadline=None)
def test_sign_turns_the_sound_round(value: float, sigma: float) -> None:
    def kind(v: float) -> str:
        cue = Cue()
        cue.update(R(v, sigma), 0.0)
        return cue.tone(0.5).kind

    plus, minus = kind(value), kind(-value)
    if value >= 2.0 * sigma:
        assert (plus, minus) == ("front", "back")
    else:
        assert {plus, minus} <= {"silent", "tick"}


def test_side_changes_with_the_reading_though_the_pitch_is_averaged() -> None:
    cue = Cue()
    for i in range(20):
        cue.update(R(50e-6), i * 0.05)
    cue.update(R(-50e-6), 1.0)
    assert cue.tone(1.0).kind == "back"


def test_average_hides_jitter() -> None:
    """Readings jumping between half and double are heard as a nearly steady pitch."""
    cue, pitches = Cue(), []
    for i in range(200):
        cue.update(R(20e-6 if i % 2 else 5e-6), i * 0.05)
        if i > 40:
            pitches.append(cue.tone(i * 0.05).pitch_Hz)
    jumping = pitch_of(20e-6 / 0.3, "front") / pitch_of(5e-6 / 0.3, "front")
    assert max(pitches) / min(pitches) < 1 + 0.25 * (jumping - 1)


def test_alert_pre_empts_guidance_in_the_next_chunk() -> None:
    clock = ManualClock()

    class Ear:
        tones: list[Tone] = []  # noqa: RUF012

        def play(self, tone: Tone, samples: Samples) -> None:
            self.tones.append(tone)

        def close(self) -> None: ...

    ear = Ear()
    sounder = Sounder([ear], clock)
    for _ in range(20):
        sounder.update(R(50e-6))
        sounder.step()
        clock.advance(CHUNK_S)
    assert ear.tones[-1].kind == "front"
    sounder.alert("alarm")
    sounder.step()
    assert ear.tones[-1].kind == "alarm"


def test_weightier_alert_is_not_interrupted() -> None:
    cue = Cue()
    cue.alert("alarm", 0.0)
    cue.alert("kept", 0.5)
    assert cue.tone(0.6).kind == "alarm"
    cue.alert("alarm", 0.7)
    assert cue.tone(3.6).kind == "alarm"


def test_alarm_comes_again_while_tripped_and_ends_with_it() -> None:
    cue = Cue()
    cue.tripped(True, 0.0)
    assert cue.tone(0.1).kind == "alarm"
    assert cue.tone(5.0).kind != "alarm"
    assert cue.tone(8.5).kind == "alarm"
    cue.tripped(False, 9.0)
    assert cue.tone(9.1).kind != "alarm"


def test_feed_stops_guidance_stops_and_a_caution_says_so() -> None:
    cue = Cue()
    cue.update(R(50e-6), 0.0)
    assert cue.tone(STALE_S - 0.05).kind == "front"
    assert cue.tone(STALE_S + 0.05).kind == "caution"
    assert cue.tone(STALE_S + 2).kind == "silent"


def test_guidance_is_silent_while_the_source_is_off_but_alerts_are_not() -> None:
    cue = Cue()
    cue.live(False, 0.0)
    cue.update(R(50e-6), 0.1)
    assert cue.tone(0.2).kind == "silent"
    cue.alert("alarm", 0.3)
    assert cue.tone(0.4).kind == "alarm"


def test_dead_band_may_be_widened_but_not_narrowed() -> None:
    assert CueSettings(dead_band_sigma=0.5, volume=7).clipped() == CueSettings(1.0, 2.0)
    cue = Cue(CueSettings(dead_band_sigma=4.0))
    cue.update(R(3e-6), 0.0)
    assert cue.tone(0.1).kind in ("silent", "tick")


def test_volume_scales_what_is_heard() -> None:
    def loudness(volume: float) -> float:
        told = [(i * 0.05, (lambda cue, now: cue.update(R(50e-6), now))) for i in range(20)]
        return rms(render_timeline(told, 0.0, 1.0, CueSettings(volume=volume)))

    assert loudness(0.3) == pytest.approx(0.3 * loudness(1.0), rel=0.02)
    assert loudness(0.0) == 0.0


def test_no_clicks_between_tones() -> None:
    """The largest step between two samples stays what the tones themselves need."""
    synth = Synth()
    tones = [Tone("front", 440 + 20 * k, 0.5 if k % 2 else 0.0) for k in range(20)]
    samples = np.concatenate([synth.render(tone, 441) for tone in tones]).astype(float) / 32768
    assert np.abs(np.diff(samples)).max() < 0.5 * 0.8 * 2 * math.pi * 850 / SAMPLE_RATE_HZ * 1.3


def test_wav_file_appears_whole(tmp_path: Path) -> None:
    path = tmp_path / "cue.wav"
    output = WavOutput(path)
    samples = steady(50e-6)
    output.play(Tone(), samples)
    assert not path.exists()
    output.close()
    with wave.open(str(path)) as read:
        assert (read.getframerate(), read.getnchannels(), read.getsampwidth()) == (SAMPLE_RATE_HZ, 1, 2)
        back = np.frombuffer(read.readframes(read.getnframes()), dtype="<i2")
    assert np.array_equal(back, samples)
    assert list(tmp_path.iterdir()) == [path]


def test_an_output_that_fails_does_not_silence_the_others() -> None:
    class Broken:
        def play(self, tone: Tone, samples: Samples) -> None:
            raise OSError("no such card")

        def close(self) -> None: ...

    class Counting:
        count = 0

        def play(self, tone: Tone, samples: Samples) -> None:
            self.count += 1

        def close(self) -> None: ...

    good = Counting()
    sounder = Sounder([Broken(), good], ManualClock())
    for _ in range(3):
        sounder.step()
    assert good.count == 3
    assert len(sounder.problems) == 1
    assert "no such card" in sounder.problems[0]


def test_every_alert_ends() -> None:
    for kind in ALERTS:
        assert _length_s(kind) < 4.0


def _length_s(kind: Alert) -> float:
    cue = Cue()
    cue.alert(kind, 0.0)
    n = 0
    while cue.tone(n * CHUNK_S).kind == kind:
        n += 1
    return n * CHUNK_S


@pytest.mark.parametrize(("severity", "heard"), [("alarm", ["alarm"]), ("caution", ["caution"]), ("info", [])])
def test_what_the_daemon_tells_as_alarm_or_caution_is_heard(severity: Severity, heard: list[str]) -> None:
    """Trips have their repeating alarm besides; an alarm that is no trip (a lost cable while off) sounds once."""
    sounded: list[str] = []
    told: list[object] = []
    wiring = SimpleNamespace(ear=SimpleNamespace(alert=sounded.append), clock=ManualClock(5.0), wall_s=lambda: 1e9)
    server = SimpleNamespace(publish=told.append)
    teller = Teller(wiring, server, phone=None, clerk=SimpleNamespace(), visit=None)  # type: ignore[arg-type]
    teller.event(severity, "link-lost", "The cable is gone.")
    assert sounded == heard
    assert len(told) == 1


def test_the_maximum_of_the_last_seconds_is_kept_exactly() -> None:
    """Against every value looked through: strengths that wander, with gaps longer than what is remembered."""
    random = np.random.default_rng(4)
    peak, held, armed, now_s, called = Peak(), list[tuple[float, float]](), False, 0.0, 0
    strength = np.cumsum(random.normal(0.0, 0.012, 4000))
    for value in strength.tolist():
        now_s += 0.1 if random.random() > 0.003 else 7.0
        held = [(t, x) for t, x in held if t >= now_s - PEAK_S]
        first, highest = (held[0][1], max(x for _, x in held)) if held else (value, value)
        fall = -math.log(1.0 - PEAK_FALL)
        armed = armed or (value >= highest and value - first > fall)
        held.append((now_s, value))
        expected = armed and value < highest - fall
        if expected:
            held, armed = [], False
        assert peak.passed(now_s, value, 0.001) == expected
        called += expected
    assert called > 20


def test_a_tone_that_is_said_to_hold_holds() -> None:
    """Readings of both sides and of none, doubt, silence and alerts by turns; every chunk until then is looked at."""
    random = np.random.default_rng(8)
    cue, now_s, waits = Cue(), 50.0, list[float]()
    for _ in range(1500):
        now_s += float(random.choice([0.02, 0.1, 0.1, 1.7], p=[0.3, 0.4, 0.28, 0.02]))
        what = random.random()
        if what < 0.9:
            value_V = float(random.choice([3e-4, 3.1e-4, -2e-4, 5e-7], p=[0.5, 0.2, 0.25, 0.05]))
            cue.update(R(value_V), now_s)
        elif what < 0.94:
            cue.alert("kept", now_s)
        elif what < 0.97:
            cue.live(bool(random.random() < 0.9), now_s)
        else:
            cue.warn(bool(random.random() < 0.3), now_s)
        sounding, until_s = cue.tone(now_s), cue.holds_until(now_s)
        looked_on = copy.deepcopy(cue)
        chunks = np.arange(now_s, min(until_s, now_s + 1.5) - 1e-9, CHUNK_S).tolist()
        assert all(looked_on.tone(t) == sounding for t in chunks)
        waits.append(min(until_s, now_s + 1.5) - now_s)
    assert np.mean(np.array(waits) > 0.1) > 0.3, "and much of the time nobody need ask"


class Heard:
    takes_samples = False

    def __init__(self) -> None:
        self.at: list[tuple[float, Tone]] = []

    def play(self, tone: Tone, samples: Samples) -> None:
        self.at.append((time.monotonic(), tone))

    def close(self) -> None: ...


@pytest.mark.realtime
def test_a_buzzer_is_not_asked_for_while_its_tone_holds_and_hears_at_once_what_is_told() -> None:
    output = Heard()
    sounder = Sounder([output], SystemClock())
    sounder.live(True)
    sounder.update(R(3e-4))
    sounder.start()
    time.sleep(0.6)
    sounder.update(R(3e-4))
    steady = len(output.at)
    time.sleep(0.05)
    told_s = time.monotonic()
    sounder.alert("alarm")
    time.sleep(0.3)
    sounder.stop()
    assert steady <= 8, "thirty chunks"
    assert min(t for t, tone in output.at if tone.kind == "alarm") - told_s < 0.2
    assert sum(tone.kind == "alarm" for _, tone in output.at) >= 4, "an alert is followed chunk by chunk"
