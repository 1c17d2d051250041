"""The raw recording survives a cut at any byte, keeps every bit, and says what it could not write."""

from __future__ import annotations

import errno
import io
import json
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest

from earthward.daemon import recorder
from earthward.daemon.recorder import ChunkKind, Recorder, find_chunks, read_chunks, read_recording, unpack_samples
from earthward.errors import InputError
from earthward.signal.types import SampleBlock, SampleFlag


def block(start: int, n: int = 20, scale: float = 0.256) -> SampleBlock:
    rng = np.random.default_rng(start)
    index = start + np.cumsum(rng.integers(1, 3, n)).astype(np.int64)
    return SampleBlock(
        index, index / 860.0, rng.normal(0, 1e-3, n), rng.integers(0, 4, n).astype(np.uint8), scale, start % 2
    )


def write(folder: Path, blocks: list[SampleBlock]) -> bytes:
    rec = Recorder(folder, {"waveform": "coded"})
    for b in blocks:
        rec.samples(b)
        rec.note({"kind": "mark", "t_s": float(b.t_s[0])})
    rec.close()
    assert rec.ok
    return (folder / "samples.ewc").read_bytes()


def same(a: SampleBlock, b: SampleBlock) -> bool:
    return (
        np.array_equal(a.index, b.index)
        and np.array_equal(a.t_s, b.t_s)
        and np.array_equal(a.v_V, b.v_V)
        and np.array_equal(a.flags, b.flags)
        and a.channel == b.channel
    )


def test_every_bit_comes_back(tmp_path: Path) -> None:
    blocks = [block(100 * k) for k in range(5)]
    write(tmp_path / "r", blocks)
    content = read_recording(tmp_path / "r")
    assert content.header["waveform"] == "coded"
    assert len(content.blocks) == 5 and all(same(a, b) for a, b in zip(blocks, content.blocks, strict=True))
    assert len(content.notes) == 5


def test_a_cut_at_every_byte_loses_only_the_last_chunk(tmp_path: Path) -> None:
    data = write(tmp_path / "r", [block(100 * k, n=3) for k in range(3)])
    file = tmp_path / "r" / "samples.ewc"
    sizes = [len(c.encode()) for c in read_chunks(open(file, "rb"))]  # noqa: SIM115
    ends = np.cumsum(sizes)
    assert ends[-1] == len(data)
    for cut in range(len(data) + 1):
        file.write_bytes(data[:cut])
        with open(file, "rb") as opened:
            assert len(list(read_chunks(opened))) == int(np.searchsorted(ends, cut, side="right"))


def test_damage_in_the_middle_costs_one_chunk(tmp_path: Path) -> None:
    blocks = [block(100 * k) for k in range(4)]
    data = bytearray(write(tmp_path / "r", blocks))
    data[len(data) // 2] ^= 0x10
    (tmp_path / "r" / "samples.ewc").write_bytes(data)
    with open(tmp_path / "r" / "samples.ewc", "rb") as opened:
        assert len(list(read_chunks(opened))) == 7


def test_a_long_recording_is_read_without_being_kept_in_memory(tmp_path: Path) -> None:
    """Three hours took 483 MB when every block was kept."""
    size = len(write(tmp_path / "r", [block(2000 * k, n=2000) for k in range(200)]))
    tracemalloc.start()
    content = read_recording(tmp_path / "r")
    samples = sum(len(b) for b in content.blocks)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert samples == 400_000
    assert peak < size / 2, f"{peak} bytes of a file of {size}"


@pytest.mark.parametrize("at_once", [1, 7, 100, 1 << 20])
def test_chunks_are_found_however_the_file_is_cut_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    data = write(tmp_path / "r", [block(100 * k, n=3) for k in range(3)])
    monkeypatch.setattr("earthward.daemon.recorder.READ_AT_ONCE", at_once)
    whole = io.BytesIO(b"EWC1 EW" + data[:50] + b"EWC" + data + b"EWC1")
    places = [place for place, _ in find_chunks(whole)]
    assert len(places) == 6
    for place, chunk in find_chunks(whole := io.BytesIO(whole.getvalue())):
        assert whole.getvalue()[place:].startswith(chunk.payload)


def test_a_block_with_two_ranges_is_stored_as_two(tmp_path: Path) -> None:
    b = block(0, n=10)
    scale = np.where(np.arange(10) < 4, 0.256, 0.512)
    flags = b.flags.copy()
    flags[4] |= SampleFlag.RANGE_CHANGED
    write(tmp_path / "r", [SampleBlock(b.index, b.t_s, b.v_V, flags, scale, 0)])
    content = read_recording(tmp_path / "r")
    assert [(len(x), x.full_scale_V) for x in content.blocks] == [(4, 0.256), (6, 0.512)]
    assert np.array_equal(content.samples().v_V, b.v_V)


def test_a_full_disk_is_said_and_the_file_stays_readable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rec = Recorder(tmp_path / "r", {})
    rec.SYNC_EVERY_S = 0.01

    def full(fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fdatasync", full)
    rec.samples(block(0))
    rec.close()
    assert not rec.ok and "No space left" in rec.problem and rec.chunks_lost == 1
    assert len(read_recording(tmp_path / "r").blocks) == 0


def test_a_queue_that_is_full_counts_what_it_lost(tmp_path: Path) -> None:
    rec = Recorder(tmp_path / "r", {}, max_queue_bytes=600)
    for k in range(20):
        rec.samples(block(k))
    lost = rec.chunks_lost
    rec.close()
    assert lost > 0 and not rec.ok
    assert len(read_recording(tmp_path / "r").blocks) == 20 - lost


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b"\x00\xff", json.dumps({"format": 99}).encode()])
def test_what_is_no_recording_gets_one_sentence(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "header.json").write_bytes(content)
    (tmp_path / "samples.ewc").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        read_recording(tmp_path)
    assert "\n" not in str(caught.value)


def test_unknown_kind_is_skipped() -> None:
    import io

    chunk = recorder.Chunk(ChunkKind.NOTE, 0, b"{}").encode()
    assert [c.kind for c in read_chunks(io.BytesIO(b"junk" + chunk))] == [ChunkKind.NOTE]
    assert unpack_samples(recorder.pack_samples(block(3))).channel == 1


def test_the_recording_stops_first_and_leaves_the_survey_its_room(tmp_path: Path) -> None:
    free = [10 * recorder.RESERVE_BYTES]
    rec = Recorder(tmp_path / "r", {"waveform": "coded"}, free_bytes=lambda folder: free[0])
    rec._write(block_bytes(1))
    written = rec.bytes_written
    assert written > 0 and not rec.problem
    free[0] = recorder.RESERVE_BYTES
    rec._write(block_bytes(2))
    assert rec.bytes_written == written and "has stopped" in rec.problem and not rec.ok
    free[0] = round(1.2 * recorder.RESERVE_BYTES)
    rec._write(block_bytes(3))
    assert rec.problem, "it does not flutter about the limit"
    free[0] = 2 * recorder.RESERVE_BYTES
    rec._write(block_bytes(4))
    assert not rec.problem and rec.bytes_written > written, "it goes on when there is room"
    rec.close()


def block_bytes(start: int) -> bytes:
    return recorder.pack_samples(block(start)).encode()
