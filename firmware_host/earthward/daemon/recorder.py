"""Raw recording: append-only chunks, each with its own CRC, so that a cut at any byte loses at most the last chunk.

A recording is a folder: `header.json` (settings, human-readable, written once) and `samples.ewc`. docs/recording.md
is the text. Writing happens in a thread of its own, because an SD card stalls for seconds at times; the queue to it
is bounded in bytes and what did not fit is counted, never silently gone.

Chunk: magic b"EWC1", kind u8, channel u8, spare u16, length u32, payload, crc32 u32 over kind..payload. Little-endian.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import shutil
import struct
import threading
import zlib
from array import array
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO, overload

import numpy as np

from earthward.errors import InputError
from earthward.signal.types import SampleBlock
from earthward.survey.files.whole import write_whole

log = logging.getLogger(__name__)

MAGIC = b"EWC1"
_HEAD = struct.Struct("<4sBBHI")
_SAMPLES = struct.Struct("<qId")
FORMAT_VERSION = 1
#: A chunk longer than this is damage, not data: a block is some tens of samples.
MAX_CHUNK = 1 << 22
READ_AT_ONCE = 1 << 20
#: The recording leaves so much room on its disk to the survey: some ten thousand visits' readings, or a day of events.
RESERVE_BYTES = 64 << 20


class ChunkKind(IntEnum):
    SAMPLES = 1
    NOTE = 2  # JSON: reference, source state, event, kept reading


@dataclass(frozen=True, slots=True)
class Chunk:
    kind: ChunkKind
    channel: int
    payload: bytes

    def encode(self) -> bytes:
        head = _HEAD.pack(MAGIC, self.kind, self.channel, 0, len(self.payload))
        return head + self.payload + struct.pack("<I", zlib.crc32(head[4:] + self.payload))


def pack_samples(block: SampleBlock) -> Chunk:
    """Times, volts and flags bit for bit; index as an offset from the first; one full scale for the block."""
    n = len(block)
    first = int(block.index[0]) if n else 0
    scale = float(np.max(block.full_scale_V)) if n else 0.0
    payload = (
        _SAMPLES.pack(first, n, scale)
        + (block.index - first).astype("<u4").tobytes()
        + block.t_s.astype("<f8").tobytes()
        + block.v_V.astype("<f8").tobytes()
        + block.flags.astype("<u1").tobytes()
    )
    return Chunk(ChunkKind.SAMPLES, block.channel, payload)


def split_at_range_changes(block: SampleBlock) -> list[SampleBlock]:
    """Pieces of a block that each have one full scale, as a chunk stores it."""
    if not len(block):
        return []
    if np.ndim(block.full_scale_V) == 0:
        return [block]
    scale = np.asarray(block.full_scale_V)
    cuts = [0, *(np.flatnonzero(np.diff(scale)) + 1).tolist(), len(block)]
    return [
        SampleBlock(block.index[a:b], block.t_s[a:b], block.v_V[a:b], block.flags[a:b], float(scale[a]), block.channel)
        for a, b in pairwise(cuts)
    ]


def unpack_samples(chunk: Chunk) -> SampleBlock:
    first, n, scale = _SAMPLES.unpack_from(chunk.payload)
    at = _SAMPLES.size
    index = np.frombuffer(chunk.payload, "<u4", n, at).astype(np.int64) + first
    t_s = np.frombuffer(chunk.payload, "<f8", n, at + 4 * n)
    v_V = np.frombuffer(chunk.payload, "<f8", n, at + 12 * n)
    flags = np.frombuffer(chunk.payload, "<u1", n, at + 20 * n)
    return SampleBlock(index, t_s, v_V, flags, scale, chunk.channel)


def read_chunks(data: BinaryIO) -> Iterator[Chunk]:
    """Every intact chunk in order. Damage is skipped to the next magic; the generator's length tells the rest."""
    for _, chunk in find_chunks(data):
        yield chunk


def find_chunks(data: BinaryIO) -> Iterator[tuple[int, Chunk]]:
    """The same with the place of each chunk's payload in the file; never much more than a chunk in memory."""
    buffer, base, at, ended = b"", 0, 0, False
    while True:
        found = buffer.find(MAGIC, at)
        at = found if found >= 0 else max(at, len(buffer) - len(MAGIC) + 1)
        head_there = found >= 0 and at + _HEAD.size <= len(buffer)
        _, kind, channel, _, length = _HEAD.unpack_from(buffer, at) if head_there else (b"", 0, 0, 0, 0)
        end = at + _HEAD.size + length
        if not ended and (not head_there or (length <= MAX_CHUNK and end + 4 > len(buffer))):
            more = data.read(READ_AT_ONCE)
            ended = len(more) < READ_AT_ONCE
            buffer, base, at = buffer[at:] + more, base + at, 0
            continue
        if not head_there:
            return
        if length <= MAX_CHUNK and end + 4 <= len(buffer):
            (crc,) = struct.unpack_from("<I", buffer, end)
            if zlib.crc32(buffer[at + 4 : end]) == crc and kind in tuple(ChunkKind):
                yield base + at + _HEAD.size, Chunk(ChunkKind(kind), channel, buffer[at + _HEAD.size : end])
                at = end + 4
                continue
        at += 1


class StoredBlocks(Sequence[SampleBlock]):
    """The blocks of a recording, read from its file when they are asked for: three hours in memory are 480 MB."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._places = array("Q")
        self._lengths = array("I")
        self._channels = array("B")

    def add(self, place: int, chunk: Chunk) -> None:
        """Raises ValueError or struct.error for what cannot be understood."""
        unpack_samples(chunk)
        self._places.append(place)
        self._lengths.append(len(chunk.payload))
        self._channels.append(chunk.channel)

    def __len__(self) -> int:
        return len(self._places)

    @overload
    def __getitem__(self, k: int) -> SampleBlock: ...
    @overload
    def __getitem__(self, k: slice) -> list[SampleBlock]: ...
    def __getitem__(self, k: int | slice) -> SampleBlock | list[SampleBlock]:
        with open(self._path, "rb") as data:
            if isinstance(k, slice):
                return [self._read(data, n) for n in range(*k.indices(len(self)))]
            return self._read(data, range(len(self))[k])

    def __iter__(self) -> Iterator[SampleBlock]:
        with open(self._path, "rb") as data:
            for k in range(len(self)):
                yield self._read(data, k)

    def _read(self, data: BinaryIO, k: int) -> SampleBlock:
        data.seek(self._places[k])
        return unpack_samples(Chunk(ChunkKind.SAMPLES, self._channels[k], data.read(self._lengths[k])))


@dataclass(frozen=True, slots=True)
class RecordingContent:
    header: dict[str, Any]
    blocks: Sequence[SampleBlock]
    notes: list[dict[str, Any]]

    @property
    def channels(self) -> set[int]:
        return {b.channel for b in self.blocks}

    def samples(self, channel: int = 0) -> SampleBlock:
        """All blocks of one channel joined. Raises InputError when there are none."""
        chosen = [b for b in self.blocks if b.channel == channel]
        if not chosen:
            raise InputError(f"the recording holds no samples of channel {channel}; choose another channel")
        scale = np.concatenate([np.full(len(b), np.max(b.full_scale_V)) for b in chosen])
        return SampleBlock(
            np.concatenate([b.index for b in chosen]),
            np.concatenate([b.t_s for b in chosen]),
            np.concatenate([b.v_V for b in chosen]),
            np.concatenate([b.flags for b in chosen]),
            scale,
            channel,
        )


def read_recording(folder: str | Path) -> RecordingContent:
    """A recording from its folder, as far as it is intact. Raises InputError for what is no recording at all."""
    folder = Path(folder)
    try:
        header = json.loads((folder / "header.json").read_text(encoding="utf-8"))
        blocks, notes = _stored(folder / "samples.ewc")
    except (OSError, ValueError) as error:
        raise InputError(f"{folder} is not a recording ({error}); give the folder that holds header.json") from error
    version = header.get("format", 0) if isinstance(header, dict) else 0
    if version != FORMAT_VERSION:
        raise InputError(f"{folder} has recording format {version}, this program reads {FORMAT_VERSION}; update it")
    return RecordingContent(header, blocks, notes)


def _stored(path: Path) -> tuple[StoredBlocks, list[dict[str, Any]]]:
    blocks, notes = StoredBlocks(path), list[dict[str, Any]]()
    with open(path, "rb") as data:
        for place, chunk in find_chunks(data):
            # A sound checksum over a senseless payload is a writer's defect: the rest of the recording is worth having.
            try:
                if chunk.kind is ChunkKind.SAMPLES:
                    blocks.add(place, chunk)
                else:
                    notes.append(json.loads(chunk.payload))
            except (ValueError, struct.error) as error:
                log.warning("%s: a chunk cannot be understood and is left out (%s)", path, error)
    return blocks, notes


class Recorder:
    """Writes a recording; `samples()` and `note()` never block the caller."""

    SYNC_EVERY_S = 1.0

    def __init__(
        self,
        folder: str | Path,
        header: dict[str, Any],
        max_queue_bytes: int = 16 << 20,
        free_bytes: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        """Raises OSError where the folder cannot be made. `free_bytes`: room left on a folder's disk."""
        self._free_bytes = free_bytes
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=False)
        write_whole(self.folder / "header.json", json.dumps({"format": FORMAT_VERSION, **header}, indent=1).encode())
        self._file = open(self.folder / "samples.ewc", "ab", buffering=0)  # noqa: SIM115 - closed in close()
        self._queue: deque[bytes] = deque()
        self._queued = 0
        self._max_queue = max_queue_bytes
        self._wake = threading.Condition()
        self._closing = False
        self.bytes_written = 0
        self.chunks_lost = 0
        self.problem = ""
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    @property
    def ok(self) -> bool:
        return not self.problem and not self.chunks_lost

    def samples(self, block: SampleBlock) -> None:
        for piece in split_at_range_changes(block):
            self._put(pack_samples(piece).encode())

    def note(self, content: dict[str, Any]) -> None:
        self._put(Chunk(ChunkKind.NOTE, 0, json.dumps(content).encode()).encode())

    def _put(self, data: bytes) -> None:
        with self._wake:
            if self._closing or self._queued + len(data) > self._max_queue:
                self.chunks_lost += 1
                return
            # Nobody is woken: the writer looks once a second anyway.
            self._queue.append(data)
            self._queued += len(data)

    def _run(self) -> None:
        while True:
            with self._wake:
                # Gather what comes within the sync interval: one write and one sync a second, not forty.
                if not self._closing:
                    self._wake.wait_for(lambda: self._closing, timeout=self.SYNC_EVERY_S)
                batch = b"".join(self._queue)
                self._queue.clear()
                self._queued = 0
                closing = self._closing
            if batch:
                self._write(batch)
            if closing:
                return

    def _no_room(self, wanted: int) -> bool:
        """The survey needs the disk's last room more than the recording does."""
        # What has stopped begins again only when there is clearly more room: not to flutter about the limit.
        reserve = RESERVE_BYTES * (1.5 if self.problem else 1.0)
        return self._free_bytes(self.folder) < reserve + wanted

    def _write(self, batch: bytes) -> None:
        start = self.bytes_written
        try:
            if self._no_room(len(batch)):
                self.chunks_lost += 1
                self.problem = (
                    f"the recording has stopped: less than {RESERVE_BYTES >> 20} MB are free, and the survey needs "
                    "them; make room"
                )
                return
        except OSError as error:
            self.chunks_lost += 1
            self.problem = f"the recording's folder cannot be looked at ({error.strerror}); check the card"
            return
        try:
            view = memoryview(batch)
            while view:
                n = self._file.write(view) or 0
                self.bytes_written += n
                view = view[n:]
            os.fdatasync(self._file.fileno())
            self.problem = ""
        except OSError as error:
            # Disk full or card gone. Cut back to the last whole batch so that the file stays readable; say it once.
            with contextlib.suppress(OSError):
                os.ftruncate(self._file.fileno(), start)
            self.bytes_written = start
            self.chunks_lost += 1
            self.problem = f"the recording cannot be written ({error.strerror}); free space or change the card"

    def close(self) -> None:
        """Write what is queued, sync, close."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join(timeout=10)
        self._file.close()


def new_folder(parent: Path) -> Path:
    """A folder that does not exist yet, numbered. Raises InputError where nothing can be written."""
    for number in range(1, 100_000):
        folder = parent / f"{number:05d}"
        if not folder.exists():
            try:
                parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise InputError(
                    f"{parent} cannot be written ({error}); set service.data_dir to a folder of yours"
                ) from error
            return folder
    raise InputError(f"{parent} holds too many folders; move old ones away")
