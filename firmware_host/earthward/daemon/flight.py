"""What was before a trip, kept in one file: samples, frames, clock, supply, and one sentence of cause and next step.

A file is written after each trip and when somebody asks; the newest stay (docs/formats.md). The last seconds of
samples can also be kept as a recording.
"""

from __future__ import annotations

from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from earthward import __version__
from earthward.daemon import health
from earthward.daemon import protocol as m
from earthward.daemon.recorder import Recorder, new_folder
from earthward.devices.protocol import REPLY, Type
from earthward.devices.source.transport import SeenFrame
from earthward.devices.supply import supply_flags
from earthward.errors import InputError
from earthward.safety.interlock import Latched
from earthward.signal.types import SampleBlock
from earthward.survey.files.whole import write_whole

if TYPE_CHECKING:
    from earthward.daemon.life import Daemon

FORMAT = "earthward flight record"
#: After a trip so long is waited, so that the board's own word of it is in the file too.
AFTER_S = 0.5
#: So many files stay: some 2 MB each.
MOST_FILES = 20
EVENTS_KEPT = 100
BY_HAND = ("Kept by hand, without a trip.", "Read what the events say of the time before.")


class Flight:
    """In the loop's thread; files are written by the clerk."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._events: deque[m.EventMessage] = deque(maxlen=EVENTS_KEPT)
        self._trip: Latched | None = None
        self._due_s: float | None = None
        daemon.listeners.append(self._heard)

    def _heard(self, message: m.Message) -> None:
        if isinstance(message, m.EventMessage):
            self._events.append(message)

    def look(self) -> None:
        """Has something tripped? Then a file follows, a little later."""
        trip, now_s = self._daemon.supervisor.state.trip, self._daemon.wiring.clock.now()
        if trip is not None and (self._trip is None or trip.t_s != self._trip.t_s):
            self._due_s = now_s + AFTER_S
        self._trip = trip
        if self._due_s is not None and now_s >= self._due_s:
            self._due_s = None
            self.keep()

    def keep(self) -> None:
        """Write a file now; the event `flight` says where."""
        daemon = self._daemon
        content, blocks = self._content(), daemon.samples.tail()
        folder = Path(daemon.config.service.data_dir) / "flights"

        def write() -> Path:
            content["samples"] = [_samples(block) for block in blocks]
            content["supply"] = supply_flags()
            return store(folder, msgspec.json.encode(content))

        def failed(error: Exception) -> None:
            daemon.event("caution", "flight", f"The flight record could not be kept: {error}.")

        daemon.clerk.put(
            write, lambda path: daemon.event("info", "flight", f"The flight record is kept in {path}."), failed
        )

    def _content(self) -> dict[str, Any]:
        daemon = self._daemon
        wiring, trip = daemon.wiring, self._daemon.supervisor.state.trip
        now_s, status = wiring.clock.now(), wiring.board.status
        came, went = wiring.recent_frames() if wiring.recent_frames is not None else ([], [])
        return {
            "format": FORMAT,
            "version": 1,
            "software": f"earthward {__version__}",
            "emulated": wiring.emulated,
            "t_s": now_s,
            "time_s": wiring.wall_s(),
            "code": "" if trip is None else trip.code,
            "tripped_t_s": None if trip is None else trip.t_s,
            "cause": BY_HAND[0] if trip is None else trip.cause,
            "next_step": BY_HAND[1] if trip is None else trip.remedy,
            "clock": {
                "ready": status.clock_ready,
                "rate_offset": status.clock_offset,
                "error_s": status.clock_error_s,
                "age_s": status.clock_age_s,
            },
            "state": daemon.state(),
            "link": health.link(status),
            "events": list(self._events),
            "frames_from_board": [_frame(frame) for frame in came],
            "frames_to_board": [_frame(frame) for frame in went],
        }

    def keep_tail(self, parent: Path | None = None) -> None:
        """The newest seconds as a recording of its own: what went wrong becomes a test case. An event says where."""
        daemon = self._daemon
        blocks = daemon.samples.tail()
        header = daemon.measuring.recording_header(daemon.wiring.emulated, daemon.wiring.wall_s())
        parent = parent or Path(daemon.config.service.data_dir) / "tails"

        def write() -> Path:
            recorder = Recorder(new_folder(parent), header)
            for block in blocks:
                recorder.samples(block)
            recorder.close()
            if not recorder.ok:
                raise InputError(recorder.problem or "the recording is not whole")
            return recorder.folder

        def failed(error: Exception) -> None:
            daemon.event("caution", "tail", f"The last seconds of samples could not be kept: {error}.")

        daemon.clerk.put(
            write, lambda folder: daemon.event("info", "tail", f"The last seconds are kept in {folder}."), failed
        )


def store(folder: Path, data: bytes) -> Path:
    """Under the next number, whole or not at all; the oldest beyond `MOST_FILES` go. Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    there = sorted(folder.glob("flight-*.json"))
    number = 1 + max((int(path.stem.split("-")[1]) for path in there if path.stem[7:].isdigit()), default=0)
    path = folder / f"flight-{number:05d}.json"
    write_whole(path, data)
    for old in there[: max(0, len(there) + 1 - MOST_FILES)]:
        old.unlink(missing_ok=True)
    return path


def _frame(frame: SeenFrame) -> dict[str, Any]:
    """With its name, where the protocol has one."""
    names = {int(kind) | REPLY: f"{kind.name} reply" for kind in Type} | {int(kind): kind.name for kind in Type}
    name = names.get(frame.type, f"{frame.type:#x}")
    return {"t_s": frame.t_s, "name": name, "seq": frame.seq, "body_hex": frame.body.hex()}


def _samples(block: SampleBlock) -> dict[str, Any]:
    return {
        "channel": block.channel,
        "index": block.index.tolist(),
        "t_s": block.t_s.tolist(),
        "v_V": block.v_V.tolist(),
        "flags": block.flags.tolist(),
    }
