"""The real gpiozero buzzer on a mock pin, and the pipe to a sound card's player."""

from __future__ import annotations

import sys
import time
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from earthward.clock import ManualClock
from earthward.devices.cue import CHUNK_S, Alert, Cue, CueSettings, Tone, pitch_of
from earthward.devices.sound import SAMPLE_RATE_HZ, Samples, Sounder, Synth
from earthward.devices.sound_outputs import BuzzerOutput, CardOutput, WavOutput
from earthward.errors import InputError

CHUNK = 441


def test_buzzer_plays_the_cue_through_gpiozero() -> None:
    factory = MockFactory(pin_class=MockPWMPin)
    buzzer = BuzzerOutput(18, factory)
    pin = factory.pin(18)
    synth = Synth()

    def play(tone: Tone) -> None:
        buzzer.play(tone, synth.render(tone, CHUNK))

    for field in (2e-5, 3e-4, 2e-2):
        pitch = pitch_of(field, "front")
        play(Tone("front", pitch, 0.4))
        assert pin.frequency == pytest.approx(pitch, rel=0.01)
        assert pin.state == pytest.approx(0.5)
    play(Tone())
    assert pin.frequency is None or pin.state == 0
    alerts: tuple[Alert, ...] = ("alarm", "warning", "caution", "kept")
    for kind in alerts:
        cue = Cue()
        cue.alert(kind, 0.0)
        tone = cue.tone(0.01)
        play(tone)
        assert pin.frequency == pytest.approx(tone.pitch_Hz, rel=0.01)
    buzzer.close()
    factory.reset()


# ---- what is really sent, told apart by thresholds ----------------------------------------------------------

STATES = ("toward", "away", "too weak", "no signal", "wrong", "stopped", "trip", "warning")


@dataclass(frozen=True)
class R:
    value_V: float | None
    sigma_V: float | None = 1e-6
    flags: tuple[str, ...] = ()
    channel: int = 0


class Caught:
    """An output that keeps the samples."""

    def __init__(self) -> None:
        self.chunks: list[Samples] = []

    def play(self, tone: Tone, samples: Samples) -> None:
        self.chunks.append(samples)

    def close(self) -> None: ...


class BuzzerCaught:
    """A buzzer's pin as a square wave: what a piezo would be driven with."""

    def __init__(self) -> None:
        self._factory = MockFactory(pin_class=MockPWMPin)
        self._buzzer = BuzzerOutput(18, self._factory)
        self._phase = 0.0
        self.chunks: list[Samples] = []

    def play(self, tone: Tone, samples: Samples) -> None:
        self._buzzer.play(tone, samples)
        pin = self._factory.pin(18)
        frequency = pin.frequency if pin.frequency and pin.state else 0.0
        phase = self._phase + frequency / SAMPLE_RATE_HZ * np.arange(1, CHUNK + 1)
        self._phase = float(phase[-1] % 1.0)
        self.chunks.append(np.asarray(np.where(phase % 1.0 < 0.5, 9000, -9000) * bool(frequency), dtype=np.int16))

    def close(self) -> None:
        self._buzzer.close()
        self._factory.reset()


def clip(state: str, rng: np.random.Generator, tmp_path: Path, buzzer: bool) -> Samples:
    """One second of a state, beginning anywhere in its rhythm; read back from a WAV file. `rng` draws strength, noise,
    volume and zoom."""
    clock = ManualClock()
    ear: Caught | BuzzerCaught = BuzzerCaught() if buzzer else Caught()
    volume, zoom = float(rng.uniform(0.3, 1.0)), bool(rng.integers(2))
    sounder = Sounder([ear], clock, CueSettings(volume=volume, zoom=zoom))
    field = 10 ** rng.uniform(-5.5, -2.5)
    doubt = float(rng.uniform(0.005, 0.4))
    if state in ("trip", "warning"):
        getattr(sounder, "tripped" if state == "trip" else "warn")(True)
    lead = int(rng.integers(60, 110)) if state not in ("trip", "warning") else int(rng.integers(0, 100))
    for k in range(lead + 50):
        if k % 3 == 0 and state not in ("trip", "warning", "stopped"):
            value: float | None = field * (1 + doubt / 3 * rng.standard_normal())
            sigma: float | None = field * doubt
            flags: tuple[str, ...] = ()
            if state == "away":
                value = -float(value or 0)
            elif state == "too weak":
                sigma = field * 3
            elif state == "no signal":
                value, sigma, flags = None, None, ("acquiring",)
            elif state == "wrong":
                flags = ("saturated",)
            sounder.update(R(value, sigma, flags))
        if state == "stopped":
            sounder.live(False)
        sounder.step()
        clock.advance(CHUNK_S)
    path = tmp_path / "clip.wav"
    output = WavOutput(path)
    for chunk in ear.chunks[lead:]:
        output.play(Tone(), chunk)
    output.close()
    ear.close()
    with wave.open(str(path)) as read:
        return np.frombuffer(read.readframes(read.getnframes()), dtype="<i2")


def measured(samples: Samples) -> tuple[float, float, float, int]:
    """(pitch in Hz, level of the loudest 20 ms, share of 20 ms pieces that sound, strokes) of a clip."""
    x = samples.astype(float) / 32768
    pieces = np.sqrt((x[: x.size // CHUNK * CHUNK].reshape(-1, CHUNK) ** 2).mean(axis=1))
    loudest = float(pieces.max())
    on = pieces > max(0.25 * loudest, 0.004)
    # Chops of a doubtful tone are shorter than any rhythm: gaps of one piece are closed.
    closed = on | (np.roll(on, 1) & np.roll(on, -1))
    strokes = int(np.sum(closed[1:] & ~closed[:-1])) + int(closed[0])
    spectrum = np.abs(np.fft.rfft(x * np.hanning(x.size)))
    return float(np.argmax(spectrum)) * SAMPLE_RATE_HZ / x.size, loudest, float(closed.mean()), strokes


def told_apart(samples: Samples) -> str:
    """Thresholds and nothing else."""
    pitch, level, share, strokes = measured(samples)
    if level < 0.004:
        return "stopped"
    if pitch > 1900:
        return "trip" if share > 0.8 else "warning"
    if share > 0.75:
        return "toward"
    if share < 0.25:
        return "too weak" if pitch > 750 else "no signal"
    return "wrong" if strokes > 6 else "away"


@pytest.mark.long
@pytest.mark.parametrize("buzzer", [False, True], ids=["card", "buzzer"])
def test_eight_states_are_told_apart_by_ear(buzzer: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(7)
    right = total = 0
    rows = []
    for state in STATES:
        figures = []
        for _ in range(30):
            samples = clip(state, rng, tmp_path, buzzer)
            heard = told_apart(samples)
            right, total = right + (heard == state), total + 1
            figures.append(measured(samples))
        low, high = (np.percentile([f[0] for f in figures], q) for q in (5, 95))
        level, share, strokes = (float(np.median([f[k] for f in figures])) for k in (1, 2, 3))
        rows.append(
            f"{state:10s} {low:6.0f} to {high:5.0f} Hz  level {level:.3f}  on {100 * share:3.0f} %  {strokes:.0f}/s"
        )
    with capsys.disabled():
        print(f"\n{'buzzer' if buzzer else 'card'}: {right} of {total} clips told apart\n" + "\n".join(rows))
    assert right >= 0.99 * total


def test_card_without_its_player_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")
    with pytest.raises(InputError, match="alsa-utils"):
        CardOutput()


@pytest.mark.realtime
def test_card_pipe_gets_the_samples_and_never_blocks(tmp_path: Path) -> None:
    caught = tmp_path / "caught.raw"
    player = (sys.executable, "-c", f"import sys; open({str(caught)!r}, 'wb').write(sys.stdin.buffer.read())")
    card = CardOutput(player=player)
    synth, sent = Synth(), b""
    for _ in range(10):
        samples = synth.render(Tone("front", 880.0, 0.4), CHUNK)
        card.play(Tone(), samples)
        sent += samples.astype("<i2").tobytes()
        time.sleep(0.05)
    card.close()
    got = caught.read_bytes()
    # The player may be slow to start: then whole chunks are left out, never parts of samples.
    assert len(got) % 2 == 0
    assert got and (card.dropped or got == sent)


@pytest.mark.realtime
def test_stuck_card_drops_chunks_and_holds_little(tmp_path: Path) -> None:
    player = (sys.executable, "-c", "import time; time.sleep(30)")
    card = CardOutput(player=player)
    samples = Synth().render(Tone("front", 880.0, 0.4), CHUNK)
    start = time.monotonic()
    for _ in range(200):
        card.play(Tone(), samples)
    assert time.monotonic() - start < 10.0
    # The pipe holds one page: under a tenth of a second of sound, so that alerts are not queued behind it.
    assert (200 - card.dropped) * CHUNK / SAMPLE_RATE_HZ <= 0.1
    assert card._process is not None
    card._process.kill()
    card.close()


def test_wav_where_nothing_can_be_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="choose another place"):
        WavOutput(tmp_path / "missing" / "cue.wav")
