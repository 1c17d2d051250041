"""The real gpiozero buzzer on a mock pin, and the pipe to a sound card's player."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory, MockPWMPin

from earthward.devices.sound import SAMPLE_RATE_HZ, Alert, Cue, Synth, Tone, pitch_of
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

    for ratio in (2.0, 30.0, 2000.0):
        pitch = pitch_of(ratio, "front")
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


def test_buzzer_makes_away_rough_by_leaving_out_every_other_chunk() -> None:
    factory = MockFactory(pin_class=MockPWMPin)
    buzzer = BuzzerOutput(18, factory)
    pin = factory.pin(18)
    synth, on = Synth(), []
    for _ in range(8):
        tone = Tone("back", 150.0, 0.4)
        buzzer.play(tone, synth.render(tone, CHUNK))
        on.append(bool(pin.frequency and pin.state))
    assert on in ([True, False] * 4, [False, True] * 4)
    buzzer.close()
    factory.reset()


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
