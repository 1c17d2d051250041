"""A bench recording cut into its steps: what was joined to the plug, when it was knocked, when the source was on.

A recording is told apart by notes of the kind "bench" (`step`: record.bench.BenchStepName), as `earthward tell
bench-step` has the daemon write them. Each stretch with the source on is a drive, also without one; and without any the
longest stretch with the source off is quiet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from earthward.errors import InputError
from earthward.record.waveform import WaveformName
from earthward.signal.types import PhaseReference, SampleBlock

#: after a change the converter's range and the electrodes settle
SETTLE_S = 0.5
SHORTEST_S = 0.3


@dataclass(frozen=True, slots=True)
class Drive:
    """A stretch with the source on. volts: what the board told of its output, peak; series_ohm: the known resistor."""

    block: SampleBlock
    electrode: str
    waveform: WaveformName
    reference: PhaseReference
    volts: float | None
    current_A: float | None
    series_ohm: float | None


@dataclass(frozen=True, slots=True)
class Steps:
    """Stretches by kind; empty where the recording has none."""

    quiet: list[SampleBlock] = field(default_factory=list)
    knock: list[SampleBlock] = field(default_factory=list)
    joined: list[SampleBlock] = field(default_factory=list)
    divider: list[tuple[SampleBlock, float]] = field(default_factory=list)
    drives: list[Drive] = field(default_factory=list)


def part(block: SampleBlock, begin_s: float, end_s: float) -> SampleBlock:
    """The samples of that time."""
    use = (block.t_s >= begin_s) & (block.t_s < end_s)
    scale = np.broadcast_to(np.asarray(block.full_scale_V, dtype=float), (len(block),))
    return SampleBlock(block.index[use], block.t_s[use], block.v_V[use], block.flags[use], scale[use], block.channel)


def steps_of(block: SampleBlock, notes: Sequence[Mapping[str, Any]], waveform: WaveformName = "coded") -> Steps:
    """InputError where a note does not say what its step needs."""
    steps = Steps()
    for begin_s, end_s, note in _spans(block, notes):
        piece = part(block, begin_s, end_s)
        if len(piece) < 2 or end_s - begin_s < SHORTEST_S:
            continue
        try:
            _put(steps, piece, note, notes, waveform)
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(f"the recording's note of the step {note.get('step')!r} lacks {error}") from error
    return steps


def _put(
    steps: Steps,
    piece: SampleBlock,
    note: Mapping[str, Any],
    notes: Sequence[Mapping[str, Any]],
    waveform: WaveformName,
) -> None:
    step = note["step"]
    if step == "quiet":
        steps.quiet.append(piece)
    elif step == "knock":
        steps.knock.append(piece)
    elif step == "joined":
        steps.joined.append(piece)
    elif step == "divider":
        steps.divider.append((piece, float(note["applied_V"])))
    elif step == "drive":
        reference = _reference(notes, float(piece.t_s[0]), float(piece.t_s[-1]), note)
        if reference is not None:
            told = {k: None if note.get(k) is None else float(note[k]) for k in ("volts", "current_A", "series_ohm")}
            shape: WaveformName = note.get("waveform", waveform)
            electrode = str(note.get("electrode", "A"))
            steps.drives.append(Drive(piece, electrode, shape, reference, **told))


def _spans(block: SampleBlock, notes: Sequence[Mapping[str, Any]]) -> Iterator[tuple[float, float, Mapping[str, Any]]]:
    last_s = float(block.t_s[-1]) + 1e-6
    told = [n for n in notes if n.get("kind") == "bench"]
    changes = _in_order(n for n in notes if n.get("kind") == "source")
    if told:
        # With the source on nothing else can be read: what was told before it holds on once it is off again.
        marked = _in_order([*told, *_drives(changes, told)])
        for note, following in pairwise([*marked, {"t_s": last_s, "step": "end"}]):
            settle = 0.0 if note["step"] == "knock" else SETTLE_S
            yield float(note["t_s"]) + settle, float(following["t_s"]), note
        return
    first: Mapping[str, Any] = {"t_s": float(block.t_s[0]) - SETTLE_S, "energised": False}
    quiet: list[tuple[float, float]] = []
    for note, following in pairwise([first, *changes, {"t_s": last_s}]):
        begin_s, end_s = float(note["t_s"]) + SETTLE_S, float(following["t_s"])
        if note["energised"]:
            yield begin_s, end_s, {"step": "drive", "electrode": note.get("electrode", "A")}
        else:
            quiet.append((begin_s, end_s))
    if quiet:
        begin_s, end_s = max(quiet, key=lambda span: span[1] - span[0])
        yield begin_s, end_s, {"step": "quiet"}


def _in_order(notes: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    return sorted(notes, key=lambda n: float(n["t_s"]))


def _drives(changes: Sequence[Mapping[str, Any]], told: Sequence[Mapping[str, Any]]) -> Iterator[Mapping[str, Any]]:
    """Steps that the source itself tells of: a drive while it is on, then again what was told last before."""
    for change in changes:
        at_s = float(change["t_s"])
        if change["energised"]:
            yield {"t_s": at_s, "step": "drive", "electrode": change.get("electrode", "A")}
        else:
            before = [n for n in _in_order(told) if float(n["t_s"]) <= at_s and n["step"] != "drive"]
            # A knock is over by then: what follows is no knock.
            last = before[-1] if before and before[-1]["step"] != "knock" else {"step": "end"}
            yield {**last, "t_s": at_s}


def _reference(
    notes: Sequence[Mapping[str, Any]], begin_s: float, end_s: float, own: Mapping[str, Any]
) -> PhaseReference | None:
    """Where the waveform is: said by the step itself, or the last note of the clock map in the stretch."""
    if "start_s" in own:
        return PhaseReference(float(own["start_s"]), float(own["frequency_Hz"]))
    told = [n for n in notes if n.get("kind") == "reference" and begin_s - 2.0 <= float(n["t_s"]) <= end_s + 2.0]
    # Those around it may be of the drive before or after, at another frequency.
    told = [n for n in told if begin_s - 2 * SETTLE_S <= float(n["t_s"]) <= end_s] or told
    if not told:
        return None
    return PhaseReference(float(told[-1]["start_s"]), float(told[-1]["frequency_Hz"]))
