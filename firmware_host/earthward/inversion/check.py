"""Bad readings, said in one sentence each, before anything is computed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from earthward.errors import InputError
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading


def check_reading(pool: Pool, reading: KeptReading, slack_m: float = 0.05) -> None:
    """InputError if a reading cannot be what it says."""
    where = f"row {reading.row}"
    numbers = [*reading.front_m, *reading.back_m, reading.value_V, reading.sigma_V]
    if not all(math.isfinite(v) for v in numbers):
        raise InputError(f"{where}: a number is missing or not finite: fill it in or remove the row")
    if reading.sigma_V <= 0:
        raise InputError(f"{where}: sigma_V must be above zero: give the reading's standard error in volts")
    ids = [s.source_id for s in pool.sources]
    if reading.source_id not in ids:
        raise InputError(
            f"{where}: source_id {reading.source_id} is not in the pool file, which has {_list(ids)}: "
            "correct one of them"
        )
    ends = np.array([reading.front_m, reading.back_m])
    wet = pool.contains(ends, slack_m)
    if not wet.all():
        end = "front" if not wet[0] else "back"
        x, y, z = ends[0 if not wet[0] else 1]
        raise InputError(
            f"{where}: the {end} electrode at ({x:.2f}, {y:.2f}, {z:.2f} m deep) is outside the water: "
            "correct the position or the pool file"
        )
    spacing = float(np.linalg.norm(ends[1] - ends[0]))
    if not 0.02 <= spacing <= 2.0:
        raise InputError(f"{where}: front and back electrode are {spacing:.3f} m apart: give positions in metres")


def check_pool(pool: Pool) -> None:
    """InputError if the pool cannot carry a current."""
    if not pool.water_conductivity_S_per_m > 0:
        raise InputError("the water's conductivity_S_per_m must be above zero: measure it or enter 0.1 to 0.3")
    if not pool.sources:
        raise InputError("the pool file names no [[source]]: add the injection electrode's position_m and current_A")
    for source in pool.sources:
        if not pool.contains([source.position_m], 0.05)[0]:
            raise InputError(f"source {source.source_id} is outside the water: correct its position_m in the pool file")


def check_copies(readings: Sequence[KeptReading]) -> None:
    """InputError on a row entered twice and on a station name used for two places."""
    seen: dict[tuple[object, ...], int] = {}
    places: dict[str, tuple[np.ndarray, int]] = {}
    for r in readings:
        key = (r.front_m, r.back_m, r.value_V, r.sigma_V, r.source_id, r.station)
        if key in seen:
            raise InputError(f"rows {seen[key]} and {r.row} are the same reading twice: remove one")
        seen[key] = r.row
        if r.station:
            centre = 0.5 * (np.array(r.front_m) + np.array(r.back_m))
            place, row = places.setdefault(r.station, (centre, r.row))
            if float(np.linalg.norm(centre - place)) > 0.6:
                raise InputError(
                    f'station "{r.station}" is at two places {np.linalg.norm(centre - place):.1f} m apart '
                    f"(rows {row} and {r.row}): one station is one pose of the pole, give the other another name"
                )


def unit_mistake(value_V: Sequence[float], expected_V: Sequence[float]) -> str | None:
    """A sentence if readings as a whole are about a thousand times too large or too small, else None.

    expected_V: what the source's current would give at the same places, roughly.
    """
    have, want = float(np.median(np.abs(value_V))), float(np.median(np.abs(expected_V)))
    if want <= 0 or have <= 0 or len(value_V) < 4:
        return None
    ratio = have / want
    if ratio > 100:
        return (
            f"the readings are about {ratio:.0f} times what the injected current can cause in this pool: "
            "value_V and sigma_V must be in volts (0.0005, not 0.5 for 500 microvolts)"
        )
    if ratio < 1 / 200:
        return (
            f"the readings are about {1 / ratio:.0f} times too small for the injected current: "
            "value_V and sigma_V must be in volts and current_A in ampere (0.010, not 10)"
        )
    return None


def _list(ids: Sequence[int]) -> str:
    return ", ".join(str(i) for i in ids)
