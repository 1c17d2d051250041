"""Lock-in over a recording: `earthward detect FILE.csv`."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any, Literal

from earthward.daemon.recording_csv import read_recording_csv
from earthward.errors import InputError
from earthward.record.reading import Reading
from earthward.record.waveform import WAVEFORMS
from earthward.signal.batch import DetectResult, detect
from earthward.signal.detector import DetectorSettings
from earthward.signal.waveforms import tells_polarity

SUMMARY = "lock-in over a recording"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="RECORDING.csv", help="columns t_s,v_V; header lines '# key: value'")
    parser.add_argument("--waveform", choices=WAVEFORMS, help="of the source (default: header, else coded)")
    parser.add_argument("--frequency", type=float, metavar="HZ", help="repetition frequency (default: header)")
    parser.add_argument("--window", type=float, default=0.5, metavar="S", help="data behind one reading (default 0.5)")
    parser.add_argument("--every", type=float, metavar="S", help="spacing of readings (default: half a window)")
    parser.add_argument(
        "--sync",
        choices=("known", "none"),
        help="known: a period starts at start_s; none: acquire the code (default: known if start_s is given)",
    )
    parser.add_argument("--start-time", type=float, metavar="S", help="a moment when a period starts (default: header)")
    parser.add_argument("--mains", choices=("50", "60", "both"), help="supplies to expect (default: header, both)")
    parser.add_argument("--channel", type=int, choices=(1, 2), default=1, help="v_V or v2_V (default 1)")
    parser.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    for option, value in (("--frequency", args.frequency), ("--window", args.window), ("--every", args.every)):
        if value is not None and not 0 < value < 1e6:
            raise InputError(f"{option} must be a positive number, not {value:g}.")
    if not 0.02 <= args.window < 60:
        raise InputError(f"--window must be between 0.02 and 60 s, not {args.window:g}.")
    recording = read_recording_csv(args.file)
    waveform = next(name for name in WAVEFORMS if name == (args.waveform or recording.waveform or "coded"))
    frequency = args.frequency or recording.frequency_Hz
    if frequency is None:
        raise InputError(f"{args.file} has no header key frequency_Hz; give --frequency.")
    start = args.start_time if args.start_time is not None else recording.start_s
    sync: Literal["known", "none"] = "known" if start is not None else "none"
    if args.sync is not None:
        sync = "known" if args.sync == "known" else "none"
    if sync == "known" and start is None:
        raise InputError(f"{args.file} has no header key start_s; give --start-time, or --sync none.")
    if sync == "none" and not tells_polarity(waveform):
        print(
            f"earthward: the sign cannot be told from a {waveform} without a common clock: no values are claimed",
            file=sys.stderr,
        )
    mains = {"50": (50.0,), "60": (60.0,), "both": (50.0, 60.0), None: recording.mains_Hz or (50.0, 60.0)}[args.mains]
    v = recording.v_V
    if args.channel == 2:
        if recording.v2_V is None:
            raise InputError(f"{args.file} has no column v2_V.")
        v = recording.v2_V
    duration = float(recording.t_s[-1] - recording.t_s[0])
    if duration < args.window:
        raise InputError(f"{args.file} lasts {duration:.3g} s, less than the window of {args.window:g} s.")
    settings = DetectorSettings(
        waveform=waveform,
        frequency_Hz=frequency,
        window_s=args.window,
        update_s=min(0.05, args.window),
        mains_Hz=mains,
        full_scale_V=recording.full_scale_V,
        conversion_s=recording.conversion_s,
        channel=args.channel - 1,
        sync=sync,
    )
    result = detect(recording.t_s, v, settings, start_s=start, every_s=args.every)
    if args.json:
        json.dump(as_json(result), sys.stdout, allow_nan=False)
        sys.stdout.write("\n")
    else:
        print_table(result)
    return 0


def as_json(result: DetectResult) -> dict[str, Any]:
    return {
        "sample_rate_Hz": result.sample_rate_Hz,
        "clock_offset": result.clock_offset,
        "mains": [{"frequency_Hz": m.frequency_Hz, "amplitude_V": m.amplitude_V} for m in result.mains],
        "readings": [
            {
                "t_s": r.t_s,
                "value_V": r.value_V,
                "quadrature_V": r.quadrature_V,
                "sigma_V": r.sigma_V,
                "snr": r.snr,
                "p_sign": r.p_sign,
                "lost_fraction": r.lost_fraction,
                "flags": list(r.flags),
                "window_s": r.window_s,
                "newest_s": r.newest_s,
            }
            for r in result.readings
        ],
    }


def _micro(value: float | None) -> str:
    return "-" if value is None else f"{value * 1e6:+.3f}"


def print_table(result: DetectResult) -> None:
    rate = "unknown" if result.sample_rate_Hz is None else f"{result.sample_rate_Hz:.4f} Hz"
    offset = "not known" if result.clock_offset is None else f"{result.clock_offset * 100:+.4f} %"
    print(f"sample rate {rate}; clock offset {offset}")
    for m in result.mains:
        print(f"mains {m.frequency_Hz:.3f} Hz, {m.amplitude_V * 1e6:.1f} uV")
    print(f"{'t_s':>10} {'value_uV':>11} {'quadr_uV':>11} {'sigma_uV':>9} {'snr':>7} {'p_sign':>8} {'lost':>6}  flags")
    for r in result.readings:
        print(row(r))


def row(r: Reading) -> str:
    sigma = "-" if r.sigma_V is None else f"{r.sigma_V * 1e6:.3f}"
    snr = "-" if r.snr is None else f"{r.snr:.1f}"
    p = "-" if r.p_sign is None else f"{r.p_sign:.5f}"
    return (
        f"{r.t_s:10.3f} {_micro(r.value_V):>11} {_micro(r.quadrature_V):>11} {sigma:>9} {snr:>7} {p:>8}"
        f" {r.lost_fraction * 100:5.1f}%  {' '.join(r.flags)}"
    )
