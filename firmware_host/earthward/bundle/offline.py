"""A recording through the lock-in without clock and threads, so that the same samples give the same readings anywhere.

The daemon hears of the source when it hears of it; here each block is taken with what the recording had noted before
the block's last sample. Only numbers go in and come out: a digest of them tells whether two computers agree to the last
bit.
"""

from __future__ import annotations

import hashlib
import math
import struct
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from earthward.daemon.recorder import RecordingContent
from earthward.record.reading import Reading
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.types import PhaseReference, SampleBlock

#: after a change the current is not yet steady
SETTLE_S = 0.1
UPDATE_S = 0.05
FIELDS = ("t_s", "value_V", "quadrature_V", "sigma_V", "snr", "p_sign", "window_s", "lost_fraction")


def readings_of(content: RecordingContent, channel: int = 0) -> list[Reading]:
    """All readings of one channel while the source was on."""
    settings = _settings(content.header, channel)
    sources, references = _of(content.notes, "source"), _of(content.notes, "reference")
    detector: Detector | None = None
    state: tuple[object, ...] = ()
    out: list[Reading] = []
    for block in content.blocks:
        if block.channel != channel or not len(block):
            continue
        last_s = float(block.t_s[-1])
        source = _latest(sources, last_s)
        if source is None or not source.get("energised"):
            detector = None
            continue
        now = (source.get("electrode"), source.get("since_s"))
        if detector is None or now != state:
            detector, state = Detector(settings), now
        pure_s = float(source.get("since_s", source["t_s"])) + SETTLE_S
        if float(block.t_s[0]) < pure_s:
            continue
        for reading in detector.push(_own(block), _reference(references, last_s, pure_s)):
            if reading.t_s - reading.window_s / 2 >= pure_s:
                out.append(reading)
    return out


def _settings(header: Mapping[str, Any], channel: int) -> DetectorSettings:
    window_s = float(header.get("window_s", 0.5))
    return DetectorSettings(
        waveform=header.get("waveform", "coded"),
        frequency_Hz=float(header.get("frequency_Hz", 36.0)),
        window_s=window_s,
        update_s=min(UPDATE_S, window_s),
        mains_Hz=tuple(float(f) for f in header.get("mains_Hz", (50.0, 60.0))),
        channel=channel,
    )


def _own(block: SampleBlock) -> SampleBlock:
    """Numbers as an array of this computer's own byte order, whatever they were read from."""
    return SampleBlock(
        np.array(block.index, dtype=np.int64), np.array(block.t_s, dtype=np.float64),
        np.array(block.v_V, dtype=np.float64), np.array(block.flags, dtype=np.uint8), block.full_scale_V, block.channel,
    )  # fmt: skip


def _of(notes: Sequence[Mapping[str, Any]], kind: str) -> list[Mapping[str, Any]]:
    return sorted((n for n in notes if n.get("kind") == kind and "t_s" in n), key=lambda n: float(n["t_s"]))


def _latest(notes: Sequence[Mapping[str, Any]], at_s: float) -> Mapping[str, Any] | None:
    due = bisect_right(notes, at_s, key=lambda n: float(n["t_s"]))
    return notes[due - 1] if due else None


def _reference(references: Sequence[Mapping[str, Any]], at_s: float, since_s: float) -> PhaseReference | None:
    note = _latest(references, at_s)
    if note is None or float(note["t_s"]) < since_s:
        # The first word about the new state may come a moment later than its first samples.
        later = next((n for n in references if float(n["t_s"]) >= since_s), None)
        note = later if later is not None else note
    if note is None:
        return None
    return PhaseReference(
        start_s=float(note["start_s"]),
        frequency_Hz=float(note["frequency_Hz"]),
        sigma_s=float(note.get("sigma_s", 0.0)),
        frequency_sigma=float(note.get("frequency_sigma", 0.0)),
    )


def rows(readings: Sequence[Reading]) -> list[list[float | None]]:
    """The numbers of each reading, in the order of FIELDS."""

    def plain(value: Any) -> float | None:
        return None if value is None or not math.isfinite(float(value)) else float(value)

    return [[plain(getattr(r, name)) for name in FIELDS] for r in readings]


def digest(table: Sequence[Sequence[float | None]]) -> str:
    """SHA-256 over the doubles, bit for bit (what is not known is a quiet not-a-number)."""
    sha = hashlib.sha256()
    for row in table:
        sha.update(struct.pack(f"<{len(row)}d", *(math.nan if v is None else v for v in row)))
    return sha.hexdigest()


def farthest(a: Sequence[Sequence[float | None]], b: Sequence[Sequence[float | None]]) -> dict[str, float]:
    """Largest difference of two tables by column, relative to the column's own largest value; inf where they do not
    match."""
    if len(a) != len(b):
        return dict.fromkeys(FIELDS, math.inf)
    return {name: _apart([row[k] for row in a], [row[k] for row in b]) for k, name in enumerate(FIELDS)}


def _apart(x: Sequence[float | None], y: Sequence[float | None]) -> float:
    if any((p is None) != (q is None) for p, q in zip(x, y, strict=True)):
        return math.inf
    scale = max((abs(p) for p in x if p is not None), default=0.0) or 1.0
    both = [(p, q) for p, q in zip(x, y, strict=True) if p is not None and q is not None]
    return max((abs(p - q) / scale for p, q in both), default=0.0)
