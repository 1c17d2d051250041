"""Plain CSV of samples: `t_s,v_V` (optional `v2_V`), comment lines `# key: value` above. Read and written here.

Keys: waveform (square, sine, coded), frequency_Hz (of the source, in the recording's time), start_s (a moment
when a period starts; absent = not known), mains_Hz (50, 60 or both), full_scale_V, front_end_gain, conversion_s.
`t_s` is when a finished conversion was read: end of conversion plus a latency >= 0 that varies.
"""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.record.waveform import WAVEFORMS
from earthward.survey.files.whole import write_whole

COLUMNS = ("t_s", "v_V", "v2_V")
#: a longer stretch without samples is a slip in a time, or two recordings in one file
LONGEST_GAP_S = 600.0
#: nothing between two electrodes in a pool is higher, mains fault included
HIGHEST_V = 1000.0


@dataclass(frozen=True)
class CsvRecording:
    """Samples with what the header said. Voltages are at the pair (front_end_gain taken out)."""

    t_s: NDArray[np.float64]
    v_V: NDArray[np.float64]
    v2_V: NDArray[np.float64] | None = None
    waveform: str | None = None
    frequency_Hz: float | None = None
    start_s: float | None = None
    mains_Hz: tuple[float, ...] | None = None
    full_scale_V: float | None = None
    conversion_s: float | None = None
    header: Mapping[str, str] = field(default_factory=dict)


def _number(header: Mapping[str, str], key: str, name: str, positive: bool = True) -> float | None:
    if key not in header:
        return None
    try:
        value = float(header[key])
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (positive and value <= 0):
        kind = "a positive number" if positive else "a number"
        raise InputError(f"{name}: header key {key} must be {kind}, not {header[key]!r}.")
    return value


def read_recording_csv(path: str | os.PathLike[str]) -> CsvRecording:
    """Read a recording. Raises InputError with one sentence for anything that is not one."""
    name = str(path)
    try:
        raw = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(f"{name}: no such file.") from None
    except IsADirectoryError:
        raise InputError(f"{name} is a folder; give the CSV file itself.") from None
    except OSError as error:
        raise InputError(f"{name} cannot be read: {error.strerror}.") from None
    if b"\0" in raw[:65536]:
        raise InputError(f"{name} is not a text file; a CSV of t_s,v_V is expected.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{name} is not a text file; a CSV of t_s,v_V is expected.") from None
    header: dict[str, str] = {}
    names: list[str] | None = None
    body_from = 0
    lines = text.splitlines()
    for number, line in enumerate(lines):
        stripped = line.strip()
        if not stripped:
            continue
        if stripped.startswith("#"):
            key, colon, value = stripped.lstrip("#").partition(":")
            if colon:
                header[key.strip()] = value.strip()
            continue
        names = [part.strip().strip('"') for part in stripped.split(",")]
        body_from = number + 1
        break
    if names is None:
        raise InputError(f"{name} is empty; a CSV of t_s,v_V is expected.")
    for needed in COLUMNS[:2]:
        if needed not in names:
            raise InputError(f"{name}: column {needed} is missing in line {body_from} (found: {', '.join(names)}).")
    if len(set(names)) != len(names):
        raise InputError(f"{name}: a column name occurs twice in line {body_from}.")
    wanted = [names.index(c) for c in COLUMNS if c in names]
    table = _body(name, lines, body_from, len(names), wanted)
    if table.shape[0] == 0:
        raise InputError(f"{name} holds no samples below its column names.")
    t = table[:, 0]
    back = np.flatnonzero(np.diff(t) < 0)
    if back.size:
        raise InputError(
            f"{name}: time runs backwards at sample {int(back[0]) + 2} (t_s {t[back[0] + 1]:g} after {t[back[0]]:g});"
            " sort the recording by t_s."
        )
    _check_plausible(name, t, table[:, 1:])
    gain = _number(header, "front_end_gain", name) or 1.0
    waveform = header.get("waveform")
    if waveform is not None and waveform not in WAVEFORMS:
        raise InputError(f"{name}: header key waveform must be one of {', '.join(WAVEFORMS)}, not {waveform!r}.")
    mains: tuple[float, ...] | None = None
    if "mains_Hz" in header:
        words = header["mains_Hz"].lower().replace(",", " ").replace("+", " ").replace("and", " ").split()
        if words == ["both"]:
            mains = (50.0, 60.0)
        elif words and all(w in ("50", "60", "50.0", "60.0") for w in words):
            mains = tuple(sorted({float(w) for w in words}))
        else:
            raise InputError(f"{name}: header key mains_Hz must be 50, 60 or both, not {header['mains_Hz']!r}.")
    full_scale = _number(header, "full_scale_V", name)
    return CsvRecording(
        t_s=t,
        v_V=table[:, 1] / gain,
        v2_V=table[:, 2] / gain if table.shape[1] > 2 else None,
        waveform=waveform,
        frequency_Hz=_number(header, "frequency_Hz", name),
        start_s=_number(header, "start_s", name, positive=False),
        mains_Hz=mains,
        full_scale_V=full_scale / gain if full_scale is not None else None,
        conversion_s=_number(header, "conversion_s", name),
        header=header,
    )


def _check_plausible(name: str, t_s: NDArray[np.float64], volts: NDArray[np.float64]) -> None:
    """A slip in one cell must not make a recording of years, nor of lightning. Raises InputError."""
    gaps = np.flatnonzero(np.diff(t_s) > LONGEST_GAP_S)
    if gaps.size:
        at = int(gaps[0])
        raise InputError(
            f"{name}: {t_s[at + 1] - t_s[at]:g} s without a sample before sample {at + 2} (t_s {t_s[at + 1]:g}); "
            "correct that time, or cut the recording there and take the parts one by one."
        )
    high = np.flatnonzero(np.any(np.abs(volts) > HIGHEST_V, axis=1))
    if high.size:
        at = int(high[0])
        raise InputError(
            f"{name}: sample {at + 1} says {volts[at][np.argmax(np.abs(volts[at]))]:g} V, more than a pair can have; "
            "correct that value (the column is in volts)."
        )


def _body(name: str, lines: list[str], start: int, width: int, wanted: list[int]) -> NDArray[np.float64]:
    """The numbers below the column names; slow and exact about the first fault, fast without one."""
    body = [line for line in lines[start:] if line.strip() and not line.lstrip().startswith("#")]
    if not body:
        return np.zeros((0, len(wanted)))
    try:
        table = np.loadtxt(body, delimiter=",", usecols=wanted, ndmin=2, comments=None, quotechar='"')
        commas = all(line.count(",") == width - 1 for line in body)
        if commas and np.isfinite(table).all():
            return np.asarray(table, dtype=float)
    except ValueError:
        pass
    for number, line in enumerate(lines[start:], start + 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = next(csv.reader([line]))
        if len(cells) != width:
            raise InputError(f"{name}, line {number}: {len(cells)} values where {width} columns are named.")
        for column in wanted:
            try:
                value = float(cells[column])
            except ValueError:
                raise InputError(f"{name}, line {number}: {cells[column].strip()!r} is not a number.") from None
            if not math.isfinite(value):
                raise InputError(f"{name}, line {number}: {cells[column].strip()!r} is not a finite number.")
    raise InputError(f"{name} cannot be read as a table of numbers.")


def write_recording_csv(
    path: str | os.PathLike[str],
    t_s: NDArray[np.float64],
    v_V: NDArray[np.float64],
    header: Mapping[str, str | float],
    v2_V: NDArray[np.float64] | None = None,
) -> None:
    """Write a recording whole or not at all. Voltages are at the pair."""
    columns = [t_s, v_V] if v2_V is None else [t_s, v_V, v2_V]
    write_whole(Path(path), _lines(columns, header))


def _lines(columns: list[NDArray[np.float64]], header: Mapping[str, str | float]) -> Iterable[str]:
    yield from (f"# {key}: {value}\n" for key, value in header.items())
    yield ",".join(COLUMNS[: len(columns)]) + "\n"
    yield from _rows(columns)


def _rows(columns: list[NDArray[np.float64]]) -> Iterable[str]:
    for values in zip(*columns, strict=True):
        yield ",".join([f"{values[0]:.7f}", *(f"{v:.9g}" for v in values[1:])]) + "\n"
