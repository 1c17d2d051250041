"""The calibration file: JSON of `record.calibration.Calibration` with its digest, written whole or not at all."""

from __future__ import annotations

import csv
from pathlib import Path

import msgspec
import numpy as np

from earthward.config import Config
from earthward.errors import InputError
from earthward.kit.calibrating import Floats
from earthward.record.calibration import QUANTITIES, Calibrated, Calibration
from earthward.survey.files.whole import write_whole


class _File(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    calibration: Calibration
    sha256: str


def read(path: Path) -> Calibration:
    """Raises InputError for a file that cannot be read, is no calibration, or was changed by hand."""
    try:
        told = msgspec.json.decode(path.read_bytes(), type=_File)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except msgspec.MsgspecError as error:
        raise InputError(f"{path} is no calibration file: {error}") from error
    if told.sha256 != told.calibration.digest():
        raise InputError(f"{path} was changed after it was written: its digest does not fit; calibrate again")
    return told.calibration


def encode(calibration: Calibration) -> bytes:
    """The file's content, signed with its digest."""
    whole = _File(calibration=calibration, sha256=calibration.digest())
    return msgspec.json.format(msgspec.json.encode(whole), indent=1) + b"\n"


def write(path: Path, calibration: Calibration) -> None:
    write_whole(path, encode(calibration))


def with_item(calibration: Calibration, name: str, item: Calibrated) -> Calibration:
    if name not in QUANTITIES:
        raise ValueError(name)
    return msgspec.structs.replace(calibration, **{name: item})


def applied(config: Config, calibration: Calibration) -> Config:
    """The configuration with what the calibration says of gain and spacing. An emulated kit's is for no real one."""
    if calibration.emulated:
        raise InputError("the calibration is of an emulated kit: calibrate this one")
    adc, pair = config.adc, config.pair
    if calibration.front_end_gain is not None:
        adc = msgspec.structs.replace(adc, front_end_gain=calibration.front_end_gain.value)
    if calibration.spacing is not None:
        pair = msgspec.structs.replace(pair, spacing_m=calibration.spacing.value)
    return msgspec.structs.replace(config, adc=adc, pair=pair)


def read_reports(path: Path) -> tuple[Floats, Floats]:
    """Current and voltage that the board reported, from a CSV with those two columns."""
    try:
        with path.open(encoding="utf-8", newline="") as handle:
            rows = list(csv.DictReader(handle))
        current = np.array([float(row["current_A"]) for row in rows])
        return current, np.array([float(row["voltage_V"]) for row in rows])
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}") from error
    except (KeyError, TypeError, ValueError, csv.Error) as error:
        raise InputError(f"{path}: columns current_A,voltage_V with numbers are wanted ({error})") from error
