"""Writes what would be heard into a WAV file, from the messages that a display receives."""

from __future__ import annotations

from pathlib import Path

from earthward.daemon.protocol import FromDaemon, Kept, ReadingMessage, State
from earthward.devices.cue import CHUNK_S, Cue
from earthward.devices.sound import SAMPLE_RATE_HZ, Synth
from earthward.devices.sound_outputs import WavOutput
from earthward.display.snapshot import Snapshot
from earthward.record.event import Event


class CueFile:
    """A dashboard listener: `CueFile(path)` is called with every message; `close` finishes the file."""

    def __init__(self, path: str | Path) -> None:
        self._output = WavOutput(path)
        self._cue = Cue()
        self._synth = Synth()
        self._rendered_s: float | None = None

    def __call__(self, message: FromDaemon | None, snapshot: Snapshot, now_s: float) -> None:
        self.run_to(now_s)
        match message:
            case ReadingMessage():
                self._cue.update(message, now_s)
            case State():
                self._cue.spacing_m = message.pair.spacing_m
                self._cue.live(message.interlock.state == "energised", now_s)
                self._cue.tripped(message.interlock.state == "tripped", now_s)
                # As the daemon's own ear: as long as the warning lasts, not anew at each message.
                self._cue.warn(message.interlock.warning_s > 0, now_s)
            case Event(severity="alarm"):
                self._cue.alert("alarm", now_s)
            case Event(severity="caution"):
                self._cue.alert("caution", now_s)
            case Kept():
                self._cue.alert("kept", now_s)
            case _:
                pass

    def run_to(self, now_s: float) -> None:
        """Write the sound from where it stands up to `now_s`."""
        if self._rendered_s is None:
            self._rendered_s = now_s
        count = round(CHUNK_S * SAMPLE_RATE_HZ)
        while self._rendered_s + CHUNK_S <= now_s:
            tone = self._cue.tone(self._rendered_s)
            self._output.play(tone, self._synth.render(tone, count))
            self._rendered_s += CHUNK_S

    def close(self) -> None:
        self._output.close()
