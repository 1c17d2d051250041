"""`earthward bench`: parts proven before they go to the water, and how fast this computer is.

`electrodes` and `machine` are here; `pair` is in `bench_pair`, `tank` in `bench_tank`, the other parts and `trend` in
`bench_parts`.
"""

from __future__ import annotations

import argparse
import json
import platform
import time
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from earthward import __version__
from earthward.commands import bench_pair, bench_parts, bench_tank
from earthward.daemon.recorder import RecordingContent, read_recording
from earthward.daemon.recording_csv import read_recording_csv
from earthward.errors import InputError
from earthward.inversion.locate import Survey
from earthward.pool.field import make_field
from earthward.pool.shape import Floor, Pool, rectangle
from earthward.record.place import Placement
from earthward.record.reading import KeptReading
from earthward.signal.detector import Detector, DetectorSettings
from earthward.signal.electrodes import ElectrodeFigures, electrode_figures
from earthward.signal.sampleclock import index_from_stamps
from earthward.signal.types import FloatArray, PhaseReference, SampleBlock
from earthward.signal.waveforms import averaged

SUMMARY = "electrodes, cable, cell, earth electrode and source proven on the bench; how fast this computer is"
RATE_HZ = 860.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    subparsers = parser.add_subparsers(dest="what", metavar="WHAT")
    electrodes = subparsers.add_parser(
        "electrodes", help="offset, drift, noise and pick-up of a pair, from a recording with the source off"
    )
    electrodes.add_argument("recording", metavar="RECORDING", help="recording folder, or CSV with t_s,v_V[,v2_V]")
    electrodes.add_argument("--json", action="store_true", help="one JSON object on stdout")
    pair = subparsers.add_parser("pair", help="a pair in a jar: every value with pass, watch or replace, and why")
    bench_pair.add_arguments(pair)
    bench_parts.add_parts(subparsers)
    tank = subparsers.add_parser("tank", help="a tub as a small pool: is the hole where the chain says it is?")
    bench_tank.add_arguments(tank)
    machine = subparsers.add_parser("machine", help="how fast lock-in, field and search are on this computer")
    machine.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    if args.what == "electrodes":
        return _electrodes(args)
    if args.what == "pair":
        return bench_pair.run(args)
    if args.what == "tank":
        return bench_tank.run(args)
    return _machine(args) if args.what in ("machine", None) else bench_parts.run_part(args)


# ---- electrodes ---------------------------------------------------------------------------------------------------


def _electrodes(args: argparse.Namespace) -> int:
    blocks, mains, emulated = _quiet_blocks(Path(args.recording))
    figures = [electrode_figures(block, mains) for block in blocks]
    if args.json:
        told: dict[str, Any] = {"emulated": emulated, "pairs": [asdict(f) for f in figures]}
        print(json.dumps(told, allow_nan=False))
        return 0
    if emulated:
        print("EMULATED: nothing here was measured.")
    for number, f in enumerate(figures, start=1):
        print("\n".join(_lines(number if len(figures) > 1 else 0, f)))
    if len(figures) == 2:
        a, b = figures
        print(f"pairs against each other: offsets {(a.offset_V - b.offset_V) * 1e3:+.2f} mV apart, noise "
              f"{max(a.noise_V, b.noise_V) / max(min(a.noise_V, b.noise_V), 1e-12):.1f} : 1")  # fmt: skip
    return 0


def _lines(number: int, f: ElectrodeFigures) -> list[str]:
    return [
        f"{f'pair {number}: ' if number else ''}{f.duration_s:.0f} s at {f.sample_rate_Hz:.1f} samples/s, "
        f"{100 * f.lost_fraction:.2f} % lost, {100 * f.saturated_fraction:.2f} % at full scale",
        f"  offset   {f.offset_V * 1e3:+9.3f} mV",
        f"  drift    {f.drift_V_per_min * 1e6:+9.1f} uV/min, wander about it {f.wander_V * 1e6:.1f} uV",
        f"  noise    {f.noise_V * 1e6:9.2f} uV rms per sample",
        f"  mains    {f.mains_V * 1e6:9.1f} uV rms at {f.mains_Hz:.2f} Hz",
        f"  reading  {f.reading_V * 1e6:9.3f} uV standard error in 0.5 s, quietest at {f.quietest_Hz:g} Hz",
        *[f"  {remark}" for remark in f.remarks],
    ]


def _quiet_blocks(path: Path) -> tuple[list[SampleBlock], tuple[float, ...], bool]:
    """The longest stretch with the source off, by channel; supplies to expect; whether it is emulated."""
    if path.is_dir():
        content = read_recording(path)
        begin, end = _longest_quiet(content)
        channels = sorted({b.channel for b in content.blocks})
        blocks = [_between(content.samples(channel), begin, end) for channel in channels]
        mains = tuple(float(f) for f in content.header.get("mains_Hz", (50.0, 60.0)))
        return blocks, mains or (50.0, 60.0), bool(content.header.get("emulated", False))
    recording = read_recording_csv(path)
    index, _ = index_from_stamps(recording.t_s)
    full_scale = recording.full_scale_V if recording.full_scale_V is not None else np.inf
    values = [recording.v_V] if recording.v2_V is None else [recording.v_V, recording.v2_V]
    blocks = [
        SampleBlock(index, recording.t_s, v, np.zeros(v.size, dtype=np.uint8), full_scale, channel)
        for channel, v in enumerate(values)
    ]
    return blocks, recording.mains_Hz or (50.0, 60.0), recording.header.get("emulated", "").lower() in ("true", "yes")


def _longest_quiet(content: RecordingContent) -> tuple[float, float]:
    """From when to when the source was off for longest, a settling half second left out."""
    times = [float(t) for b in content.blocks if len(b) for t in (b.t_s[0], b.t_s[-1])]
    if not times:
        raise InputError("the recording holds no samples")
    stretches, since = [], min(times)
    on = False
    for note in content.notes:
        if note.get("kind") != "source":
            continue
        if note["energised"] and not on:
            stretches.append((since, float(note["t_s"])))
        elif not note["energised"] and on:
            since = float(note["t_s"]) + 0.5
        on = bool(note["energised"])
    if not on:
        stretches.append((since, max(times)))
    return max(stretches, key=lambda s: s[1] - s[0])


def _between(block: SampleBlock, begin: float, end: float) -> SampleBlock:
    use = (block.t_s >= begin) & (block.t_s < end)
    scale = np.broadcast_to(np.asarray(block.full_scale_V, dtype=float), (len(block),))
    return SampleBlock(block.index[use], block.t_s[use], block.v_V[use], block.flags[use], scale[use], block.channel)


# ---- this computer --------------------------------------------------------------------------------------------------


def _machine(args: argparse.Namespace) -> int:
    rate = _detector_rate()
    share, field_s, search = RATE_HZ / rate, _field_setup(), _search()
    told = {
        "version": __version__,
        "python": platform.python_version(),
        "machine": platform.machine(),
        "detector_samples_per_s": rate,
        "detector_share_of_a_core": share,
        "field_setup_s": field_s,
        **search,
    }
    if getattr(args, "json", False):
        print(json.dumps(told))
        return 0
    print(f"Earthward {__version__}, Python {told['python']} on {told['machine']}; processor time of one core")
    print(
        f"  lock-in    {rate:9.0f} samples/s, so {RATE_HZ:.0f} a second take {100 * share:.1f} % of a core\n"
        f"  field      {field_s:9.2f} s to set up a 10 x 5 m pool with a sloped floor\n"
        f"  search     {search['search_setup_s']:9.2f} s to set up, {search['station_s']:.2f} s per new station, "
        f"{search['search_s']:.2f} s for the answer at 8 stations"
    )
    if share > 0.5:
        print("This computer is slow for two pairs: use one pair, or a longer update (detector.update_s).")
    return 0


def _cpu_s(work: Callable[[], Any]) -> tuple[float, Any]:
    begin = time.process_time()
    result = work()
    return time.process_time() - begin, result


def _detector_rate() -> float:
    """Twelve seconds of code, mains and noise through the daemon's lock-in, in pieces as they come from a converter."""
    draw = np.random.default_rng(1)
    t: FloatArray = np.arange(int(12 * RATE_HZ)) / RATE_HZ
    v = 2e-5 * averaged("coded", (t + 1.0) * 36.0, 36.0 / RATE_HZ)
    v += 1e-3 * np.sin(2 * np.pi * 50.02 * t) + draw.normal(0, 8e-6, t.size)
    detector = Detector(DetectorSettings(waveform="coded", frequency_Hz=36.0, window_s=0.5, update_s=0.05))
    reference = PhaseReference(start_s=0.0, frequency_Hz=36.0)
    index, flags, piece = np.arange(t.size), np.zeros(t.size, dtype=np.uint8), round(0.025 * RATE_HZ)

    def work() -> int:
        readings = 0
        for at in range(0, t.size, piece):
            part = slice(at, at + piece)
            readings += len(detector.push(SampleBlock(index[part], t[part], v[part], flags[part], 0.256), reference))
        return readings

    seconds, readings = _cpu_s(work)
    if not readings:
        raise RuntimeError("the lock-in gave no reading on its own test signal")
    return t.size / seconds


def _pool() -> Pool:
    return rectangle(10.0, 5.0, 1.5)


def _field_setup() -> float:
    floor = Floor("profile", profile_m=((0.0, 1.1), (4.0, 1.1), (7.0, 2.4), (10.0, 2.4)))
    return _cpu_s(lambda: make_field(replace(_pool(), floor=floor)))[0]


def _search() -> dict[str, float]:
    pool = replace(
        _pool(),
        sources=(
            Placement(position_m=(1.0, 2.5, 0.7), current_A=0.008, source_id=0),
            Placement(position_m=(9.0, 2.5, 0.7), current_A=0.008, source_id=1),
        ),
    )
    field = make_field(pool)
    leak = np.array([[6.0, 0.0, 0.8]])
    setup_s, survey = _cpu_s(lambda: Survey(pool))
    places = [(x, y, 0.7) for x, y in ((1, 0.5), (3, 0.5), (5, 0.5), (7, 0.5), (9, 1.5), (7, 4.5), (4, 4.5), (1, 4))]

    def read() -> None:
        for number, place in enumerate(places):
            middle = np.array(place)
            for half in (np.array([0.15, 0, 0]), np.array([0, 0.15, 0]), np.array([0, 0, 0.15])):
                front, back = middle + half, middle - half
                own = float(field.pair_row(front, back, leak)[0])
                for source in pool.sources:
                    difference = field.pair_difference(front, back, np.array(source.position_m))
                    survey.add(
                        KeptReading(
                            front_m=tuple(front.tolist()), back_m=tuple(back.tolist()),
                            value_V=(source.current_A or 0.0) * (own + difference) / pool.water_conductivity_S_per_m,
                            sigma_V=1e-6, source_id=source.source_id, station=f"S{number}",
                        )
                    )  # fmt: skip

    stations_s, _ = _cpu_s(read)
    search_s, _ = _cpu_s(survey.result)
    return {"search_setup_s": setup_s, "station_s": stations_s / len(places), "search_s": search_s}
