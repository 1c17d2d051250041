"""From source, sinks and pairs to volts: the forward model that `earthward field` prints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.pool.field import Field
from earthward.pool.shape import Point3, Pool
from earthward.record.place import Placement

FloatArray = NDArray[np.float64]

#: Sinks taped a little outside the water are put back on the liner; farther is a mistake in the file.
SINK_OFF_WATER_LIMIT_m = 0.3
# Electrodes have a size: a field at a point nearer than this to a source or sink means nothing.
_ELECTRODE_m = 0.005


@dataclass(frozen=True)
class Sink:
    """Current that leaves the water at a place, amperes, > 0."""

    position_m: Point3
    current_A: float


@dataclass(frozen=True)
class Outcome:
    """value_V (p,): V_back - V_front per pair. unbalanced_A: injected minus sinks, taken to leave evenly
    everywhere. notes: what a person should know, one sentence each."""

    value_V: FloatArray
    unbalanced_A: float
    notes: tuple[str, ...]


def pair_values_V(
    field: Field,
    source: Placement,
    sinks: Sequence[Sink],
    front_m: FloatArray,
    back_m: FloatArray,
    sinks_name: str = "sinks",
    pairs_name: str = "pairs",
) -> Outcome:
    """Volts of each pair (front, back: (p, 3)). InputError names the file and row of what cannot be.

    Steady conduction is linear: the sum over source and sinks of resistivity x current x potential difference.
    What sinks do not take of the injected current is spread evenly over the water, and said.
    """
    pool = field.pool
    notes: list[str] = []
    places = _sink_places(pool, sinks, sinks_name, notes)
    _check_pairs(pool, front_m, back_m, pairs_name)
    others = np.vstack([np.asarray(source.position_m)[None], places])
    _check_apart(others, front_m, back_m, pairs_name)
    injected_A = source.current_A or 0.0
    currents = np.array([injected_A] + [-s.current_A for s in sinks])
    # Stations share electrodes (one front, several backs): solve each place once.
    electrodes, index = np.unique(np.concatenate([front_m, back_m]), axis=0, return_inverse=True)
    potential = field.mutual(electrodes, others) @ currents
    at_front, at_back = np.split(potential[index.reshape(-1)], 2)
    value = at_back - at_front
    unbalanced = float(currents.sum())
    if abs(unbalanced) > 1e-6 * abs(injected_A):
        notes.append(
            f"the sinks take {1e3 * (injected_A - unbalanced):.4g} mA of {1e3 * injected_A:.4g} mA"
            " injected: the rest is taken to leave evenly everywhere"
        )
    return Outcome(pool.resistivity_ohm_m * value, unbalanced, tuple(notes))


def _sink_places(pool: Pool, sinks: Sequence[Sink], name: str, notes: list[str]) -> FloatArray:
    places = np.array([s.position_m for s in sinks], dtype=float).reshape(-1, 3)
    for row, (place, sink) in enumerate(zip(places, sinks, strict=True), start=1):
        if sink.current_A < 0:
            raise InputError(f"{name}: row {row}: current_A {sink.current_A:g} is negative; a sink takes current, > 0.")
        if abs(sink.current_A) > 1:
            raise InputError(f"{name}: row {row}: current_A {sink.current_A:g} is beyond 1 A; it is in amperes.")
        if pool.contains(place[None])[0]:
            continue
        cells = pool.liner_cells(0.05)
        gap = np.linalg.norm(cells.centre_m - place, axis=1)
        nearest = int(np.argmin(gap))
        off = float(pool.distance_to_liner_m(place[None])[0])
        if off > SINK_OFF_WATER_LIMIT_m:
            raise InputError(
                f"{name}: row {row}: the sink at ({place[0]:g}, {place[1]:g}, {place[2]:g}) is {off:.2f} m outside the"
                " water; check x_m, y_m, z_m (depth, positive down)."
            )
        places[row - 1] = cells.centre_m[nearest]
        if off > 0.01:
            notes.append(f"{name}: row {row}: the sink lies {off:.2f} m outside the water and was put on the liner")
    return places


def _check_pairs(pool: Pool, front_m: FloatArray, back_m: FloatArray, name: str) -> None:
    for which, points in (("front", front_m), ("back", back_m)):
        out = np.flatnonzero(~pool.contains(points, slack_m=1e-6))
        if out.size:
            p = points[out[0]]
            raise InputError(
                f"{name}: row {out[0] + 1}: the {which} electrode at ({p[0]:g}, {p[1]:g}, {p[2]:g}) is outside the"
                f" water; check {which}_x_m, {which}_y_m, {which}_z_m (depth, positive down)."
            )
    same = np.flatnonzero(np.linalg.norm(front_m - back_m, axis=1) < 1e-6)
    if same.size:
        raise InputError(f"{name}: row {same[0] + 1}: front and back are the same point; a pair needs a spacing.")


def _check_apart(places: FloatArray, front_m: FloatArray, back_m: FloatArray, name: str) -> None:
    for which, points in (("front", front_m), ("back", back_m)):
        gap = np.linalg.norm(points[:, None] - places[None], axis=2).min(axis=1)
        close = np.flatnonzero(gap < _ELECTRODE_m)
        if close.size:
            raise InputError(
                f"{name}: row {close[0] + 1}: the {which} electrode touches the injection electrode or a sink;"
                " the field has no value there."
            )
