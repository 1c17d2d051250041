"""Whatever bytes come in: one clear sentence or an answer, never a crash, a hang or a heap.

A sound input of each kind is damaged by small steps, with the tokens that parsers stumble on among them. The short run
is part of every test run; the long one (a million inputs) is marked slow.
"""

from __future__ import annotations

import io
import random
import resource
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from earthward import config as configuration
from earthward.daemon import protocol as client_protocol
from earthward.daemon.recorder import pack_samples, read_chunks
from earthward.devices.protocol import Configuration, Frame, FrameReader, Type
from earthward.errors import InputError
from earthward.pool.pool_file import parse_pool
from earthward.signal.types import SampleBlock
from earthward.survey.levels import parse_level_log

POOL = """[pool]
name = "invented"
shape = "polygon"
outline_m = [[0, 0], [10, 0], [10, 5], [0, 5]]
[floor]
kind = "profile"
profile_m = [[0.0, 1.1], [4.0, 1.1], [7.0, 2.4], [10.0, 2.4]]
[water]
conductivity_S_per_m = 0.2
temperature_C = 26.0
[[source]]
position_m = [1.0, 1.0, 0.5]
current_A = 0.010
[[fitting]]
name = "light"
kind = "light"
position_m = [5.0, 0.0, 0.6]
covered = false
[[mark]]
name = "post"
position_m = [0.0, -1.0]
"""
CONFIG = """units = "si"
[adc]
rate = 860
front_end_gain = 1.0
[detector]
window_s = 0.5
mains_Hz = [50.0]
[pins]
switches = {keep = 5}
[limits]
current_limit_A = 0.005
"""
LEVELS = (Path(__file__).parents[2] / "docs/examples/level-log.csv").read_text(encoding="utf-8")
CLIENT = (
    b'{"type":"keep","place":{"position_m":[1,2,0.5],"bearing_deg":3.0},"note":"by the steps","purpose":"survey"}',
    b'{"type":"subscribe","topics":["reading"],"max_rate_Hz":5}',
    b'{"type":"set_covered","fitting":"light","covered":true}',
)
FRAME = Frame(Type.CONFIGURE, 7, Configuration(2, 0, 55_555, 10_000).pack()).encode()
BLOCK = pack_samples(
    SampleBlock(np.arange(40, dtype=np.int64), np.arange(40) / 860.0, np.full(40, 1e-4), np.zeros(40, np.uint8), 0.256)
).encode()
TOKENS = (
    "inf", "nan", "-1", "0", "1e308", "1e-308", "\0", "é", "\n\n", '"', "[[", "]]", "=", "#", ",", ";", "-0.0",
    "99999999999999999999", "true", "[", "]", "{}", "\r", "\ufeff", "'", '""""""', ".", "1_0", "0x10", "2026-01-01",
    "\t", "null", "[" * 300, "9" * 400,
)  # fmt: skip


def damaged_text(text: str, draw: random.Random) -> str:
    for _ in range(draw.choice((1, 1, 2, 5))):
        kind, at = draw.random(), draw.randrange(len(text) + 1)
        if kind < 0.3:
            text = text[:at] + draw.choice(TOKENS) + text[at:]
        elif kind < 0.5:
            text = text[:at] + text[at + draw.randrange(1, 20) :]
        elif kind < 0.7:
            other = draw.randrange(len(text) + 1)
            text = text[:at] + text[other : other + draw.randrange(1, 60)] + text[at:]
        elif kind < 0.9:
            text = text[:at] + chr(draw.randrange(32, 127)) + text[at + 1 :]
        else:
            text = text[:at]
    return text


def damaged_bytes(data: bytes, draw: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(draw.choice((1, 1, 2, 5))):
        kind, at = draw.random(), draw.randrange(len(out) + 1)
        if kind < 0.4 and out:
            out[min(at, len(out) - 1)] ^= 1 << draw.randrange(8)
        elif kind < 0.6:
            del out[at : at + draw.randrange(1, 9)]
        elif kind < 0.8:
            out[at:at] = draw.randbytes(draw.randrange(1, 9))
        elif kind < 0.9:
            out[at:at] = out[: draw.randrange(1, 40)]
        else:
            del out[at:]
    return bytes(out)


def take_frames(data: bytes) -> None:
    reader = FrameReader()
    for frame in reader.feed(data + b"\0"):
        assert frame == Frame.decode(frame.encode()[:-1])


def take_chunks(data: bytes) -> None:
    for chunk in read_chunks(io.BytesIO(data)):
        assert chunk.encode() in data


Target = tuple[Callable[[random.Random], object], Callable[[object], object], tuple[type[Exception], ...]]
TARGETS: dict[str, Target] = {
    "pool file": (lambda d: damaged_text(POOL, d), lambda x: parse_pool(str(x)), (InputError,)),
    "level log": (lambda d: damaged_text(LEVELS, d), lambda x: parse_level_log(str(x)), (InputError,)),
    "configuration": (lambda d: damaged_text(CONFIG, d), lambda x: configuration.parse(str(x)), (InputError,)),
    "client": (
        lambda d: damaged_bytes(d.choice(CLIENT), d),
        lambda x: client_protocol.from_client.decode(x),  # type: ignore[arg-type]
        (msgspec.MsgspecError, UnicodeDecodeError),
    ),
    "board": (lambda d: damaged_bytes(FRAME * 2, d), lambda x: take_frames(x), ()),  # type: ignore[arg-type]
    "recording": (lambda d: damaged_bytes(BLOCK * 2, d), lambda x: take_chunks(x), ()),  # type: ignore[arg-type]
}
#: a pool is checked for the shape of its outline and floor, which takes some milliseconds
SHORT = {"pool file": 150, "level log": 500, "configuration": 1500, "client": 5000, "board": 3000, "recording": 3000}
LONG = {
    "pool file": 20_000, "level log": 60_000, "configuration": 120_000, "client": 400_000, "board": 200_000,
    "recording": 200_000,
}  # fmt: skip


#: kB by which the peak may grow after the first quarter; a pool of the greatest size that a file may name takes most
GROWTH_KB = {"pool file": 300_000}


def run(name: str, count: int, seed: int) -> None:
    """Raises what a target must not raise; fails on an input that takes long or memory that grows."""
    make, take, allowed = TARGETS[name]
    draw, slowest, before = random.Random(seed), 0.0, None
    for number in range(count):
        given = make(draw)
        began = time.thread_time()
        try:
            take(given)
        except allowed as error:
            assert len(str(error)) < 2000 and str(error), repr(given)
        except Exception as error:
            raise AssertionError(f"{name}, input {number}: {error!r} from {given!r}") from error
        slowest = max(slowest, time.thread_time() - began)
        if number == count // 4:
            before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert slowest < 10.0
    assert before is not None and resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < GROWTH_KB.get(
        name, 50_000
    )


@pytest.mark.parametrize("name", TARGETS)
def test_damaged_input_is_survived(name: str) -> None:
    run(name, SHORT[name], seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_a_million_damaged_inputs_are_survived(name: str) -> None:
    assert sum(LONG.values()) >= 1_000_000
    run(name, LONG[name], seed=2)


def test_a_chunk_of_wrong_length_with_the_right_checksum_is_found(tmp_path: Path) -> None:
    """A sound checksum over a senseless payload (a program's defect, not the disk's) must not stop the reading."""
    from earthward.daemon.recorder import read_recording

    payload = BLOCK[12:-4]
    short = payload[: len(payload) // 2]
    wrong = BLOCK[:8] + struct.pack("<I", len(short)) + short
    wrong += struct.pack("<I", zlib.crc32(wrong[4:]))
    (tmp_path / "header.json").write_text('{"format": 1}')
    (tmp_path / "samples.ewc").write_bytes(BLOCK + wrong + BLOCK)
    assert len(read_recording(tmp_path).blocks) == 2


def test_the_check_bites() -> None:
    def fragile(given: object) -> None:
        float(str(given)[:5])

    TARGETS["fragile"] = (lambda d: damaged_text("1.234", d), fragile, (InputError,))
    try:
        with pytest.raises(AssertionError, match="could not convert"):
            run("fragile", 200, seed=1)
    finally:
        del TARGETS["fragile"]
