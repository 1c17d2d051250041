"""`earthward bench pair`: everything that a pair in a jar shows by itself and by the source, with verdict and sheet."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from earthward.bench import pair_judge
from earthward.bench.pair_figures import PairFigures, pair_figures
from earthward.bench.stretches import Steps, steps_of
from earthward.commands.bench_sheet import Bench, add_output, give
from earthward.daemon.recorder import RecordingContent, read_recording
from earthward.daemon.recording_csv import read_recording_csv
from earthward.emulated.jar import DEFECTS, JarScene
from earthward.emulated.jar_recording import Session, direct, through_the_chain
from earthward.errors import InputError
from earthward.report.blocks import Figure
from earthward.report.charts import ACCENT, SOFT, WARN, Series, lines
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import SampleBlock

SPEED = 1.0


@dataclass(frozen=True)
class Recorded:
    """Samples of one channel with the notes beside them."""

    block: SampleBlock
    notes: Sequence[Mapping[str, Any]]
    mains_Hz: tuple[float, ...]
    emulated: bool
    waveform: Any = "coded"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("recordings", nargs="*", metavar="RECORDING",
                        help="recording folders (one for each frequency), or a CSV with the source off")  # fmt: skip
    parser.add_argument("--channel", type=int, default=0, help="which pair of the recording (default 0)")
    parser.add_argument("--series-ohm", type=float, metavar="OHM", help="resistor between source and electrode")
    parser.add_argument(
        "--drive-volts", type=float, metavar="V", help="the source's output, peak, as the board told it"
    )
    parser.add_argument("--knocked", type=float, metavar="S", help="seconds into the recording at which it was knocked")
    parser.add_argument("--emulated", type=int, metavar="SEED", help="an emulated pair in an emulated jar")
    parser.add_argument("--defect", choices=sorted(DEFECTS), help="plant this in the emulated pair")
    parser.add_argument("--quick", action="store_true",
                        help="emulated: straight from the jar, without converter, board and drivers")  # fmt: skip
    parser.add_argument("--defects-table", action="store_true", help="all planted defects with what the bench says")
    add_output(parser)


def run(args: argparse.Namespace) -> int:
    if args.defects_table:
        print("\n".join(defects_table()))
        return 0
    return give(bench_of(*_steps(args)), args)


def bench_of(steps: Steps, mains_Hz: tuple[float, ...], emulated: bool) -> Bench:
    figures = pair_figures(steps, mains_Hz)
    sheet = pair_judge.sheet(figures.values)
    defect = sheet.defect
    return Bench(
        part="pair",
        title="Electrode pair",
        lines=sheet.lines,
        emulated=emulated,
        defect=defect.name if defect else "",
        defect_text=defect.text if defect else "",
        figures=drawings(figures),
        remarks=list(figures.remarks),
        told={"impedance": {
            {"A": "front", "B": "back"}.get(name, name): [
                {"frequency_Hz": one.frequency_Hz, "real_ohm": one.ohm.real, "imaginary_ohm": one.ohm.imag,
                 "sigma_ohm": one.sigma_ohm} for one in several]
            for name, several in figures.impedance.items()},
            "allan": None if figures.drift is None else {"tau_s": figures.drift.tau_s.tolist(),
                                                         "deviation_V": figures.drift.deviation_V.tolist()}},
    )  # fmt: skip


# ---- where the steps come from --------------------------------------------------------------------------------------


def _steps(args: argparse.Namespace) -> tuple[Steps, tuple[float, ...], bool]:
    if args.emulated is not None:
        scene = JarScene.healthy(args.emulated)
        if args.defect:
            scene = DEFECTS[args.defect][1](scene)
        session = direct(scene) if args.quick else through_the_chain(scene, SPEED)
        block = joined(session.blocks)
        return steps_of(block, session.notes), (50.0, 60.0), True
    if not args.recordings:
        raise InputError("give one or more recordings of the pair, or --emulated SEED")
    if args.defect or args.quick:
        raise InputError("--defect and --quick are for --emulated")
    every = [recorded(Path(path), args.channel) for path in args.recordings]
    if len({one.emulated for one in every}) > 1:
        raise InputError("some of these recordings are emulated and some are not: one kind at a time")
    steps = Steps()
    for one in every:
        found = steps_of(one.block, with_knock(one, args.knocked), one.waveform)
        for mine, more in ((steps.quiet, found.quiet), (steps.knock, found.knock), (steps.joined, found.joined)):
            mine.extend(more)
        steps.divider.extend(found.divider)
        steps.drives.extend(
            replace(d, series_ohm=args.series_ohm or d.series_ohm, volts=args.drive_volts or d.volts)
            for d in found.drives
        )
    return steps, every[0].mains_Hz, every[0].emulated


def recorded(path: Path, channel: int) -> Recorded:
    if path.is_dir():
        content: RecordingContent = read_recording(path)
        mains = tuple(float(f) for f in content.header.get("mains_Hz", (50.0, 60.0))) or (50.0, 60.0)
        return Recorded(content.samples(channel), content.notes, mains, bool(content.header.get("emulated", False)),
                        content.header.get("waveform", "coded"))  # fmt: skip
    table = read_recording_csv(path)
    volts = {0: table.v_V, 1: table.v2_V}.get(channel)
    if volts is None:
        raise InputError(f"{path} has no channel {channel}")
    index, _ = index_from_stamps(table.t_s)
    scale = table.full_scale_V if table.full_scale_V is not None else np.inf
    block = SampleBlock(index, table.t_s, volts, np.zeros(volts.size, dtype=np.uint8), scale)
    emulated = table.header.get("emulated", "").lower() in ("true", "yes")
    return Recorded(block, (), table.mains_Hz or (50.0, 60.0), emulated)


def with_knock(one: Recorded, at_s: float | None) -> Sequence[Mapping[str, Any]]:
    """The notes, with the person's own: quiet until the knock, then the knock."""
    if at_s is None:
        return one.notes
    begin = float(one.block.t_s[0])
    if not 0 < at_s < float(one.block.t_s[-1]) - begin:
        raise InputError(f"--knocked {at_s:g}: the recording lasts {float(one.block.t_s[-1]) - begin:.0f} s")
    mine = [{"kind": "bench", "t_s": begin, "step": "quiet"}, {"kind": "bench", "t_s": begin + at_s, "step": "knock"}]
    return [*mine, *(n for n in one.notes if n.get("kind") == "reference")]


def joined(blocks: Sequence[SampleBlock]) -> SampleBlock:
    """All blocks of a channel as one."""
    scale = np.concatenate([np.broadcast_to(np.asarray(b.full_scale_V, dtype=float), (len(b),)) for b in blocks])
    return SampleBlock(
        np.concatenate([b.index for b in blocks]), np.concatenate([b.t_s for b in blocks]),
        np.concatenate([b.v_V for b in blocks]), np.concatenate([b.flags for b in blocks]), scale,
    )  # fmt: skip


def quick(scene: JarScene) -> Bench:
    """EMULATED: straight from the jar to the sheet."""
    session: Session = direct(scene)
    return bench_of(steps_of(joined(session.blocks), session.notes), (50.0, 60.0), True)


def defects_table() -> list[str]:
    """Markdown: what was planted and what the bench says."""
    rows = ["| planted | the bench says |", "|---|---|"]
    for what, plant in DEFECTS.values():
        found = quick(plant(JarScene.healthy(1)))
        rows.append(f"| {what} | **{found.defect or 'nothing'}** ({found.verdict}): {found.defect_text} |")
    return rows


# ---- drawings -------------------------------------------------------------------------------------------------------


def drawings(f: PairFigures) -> list[Figure]:
    out = []
    if f.impedance:
        names = {"A": ("front", ACCENT, ""), "B": ("back", WARN, "4 3")}
        series = [
            Series(names[e][0], [(one.frequency_Hz, abs(one.ohm)) for one in several], names[e][1], names[e][2])
            for e, several in f.impedance.items()
            if e in names
        ]
        out.append(Figure(lines(series, "frequency, Hz", "ohm"), "Impedance of each electrode against the ring.", ""))
    if f.spectrum is not None:
        spectrum = f.spectrum
        keep = range(0, len(spectrum.frequency_Hz), max(1, len(spectrum.frequency_Hz) // 120))

        def curve(volts: Any) -> list[tuple[float, float]]:
            # As decades: a supply stands orders of magnitude above the floor.
            return [(float(spectrum.frequency_Hz[k]), math.log10(float(volts[k]) * 1e6)) for k in keep
                    if volts[k] > 0 and math.isfinite(volts[k])]  # fmt: skip

        series = [Series("pair", curve(spectrum.pair_V), ACCENT)]
        if curve(spectrum.floor_V):
            series.append(Series("floor", curve(spectrum.floor_V), SOFT, "4 3"))
        out.append(Figure(lines(series, "frequency, Hz", "log10 of uV/sqrt(Hz)"),
                          "Noise with the source off against the converter's floor (inputs joined).", ""))  # fmt: skip
    if f.drift is not None and len(f.drift.tau_s) > 1:
        points = [(float(t), 1e6 * float(v)) for t, v in zip(f.drift.tau_s, f.drift.deviation_V, strict=True)]
        out.append(Figure(lines([Series("pair", points, ACCENT)], "averaging time, s", "uV"),
                          "Allan deviation: how far one mean differs from the next.", ""))  # fmt: skip
    return out
