"""A tub as a small pool: the same pool file and the same search, at another scale.

Steady conduction has no length of its own. With insulating walls, volts V of a pair for a current I in water of
resistivity rho obey V L / (rho I) = f(places / L): two basins of one shape give the same number at like places,
whatever their size L. So a tub is enlarged to a pool's size, its volts lessened by the same factor, and the search does
not know.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import msgspec
import numpy as np

from earthward.errors import InputError
from earthward.inversion.locate import locate
from earthward.inversion.types import LocateSettings, Result
from earthward.pool.field import Field, make_field
from earthward.pool.shape import Floor, Pool, Stair
from earthward.record.base import Point
from earthward.record.reading import KeptReading
from earthward.signal.types import FloatArray

#: The size that the search was made for: cells of 0.1 m, pairs of 0.3 m.
POOL_LENGTH_m = 9.0
LARGEST_TUB_m = 3.0


@dataclass(frozen=True, slots=True)
class Hands:
    """How well things stand where they are noted: one standard deviation each, by a rule over the tub's rim."""

    place_m: float = 0.002
    depth_m: float = 0.002
    bearing_deg: float = 3.0
    tilt_deg: float = 3.0
    electrode_m: float = 0.003
    fitting_m: float = 0.002


@dataclass(frozen=True, slots=True)
class Beside:
    """A reading with what the model says there. dimensionless: V L / (rho I) with L the tub's length."""

    row: int
    station: str
    value_V: float
    predicted_V: float
    dimensionless: float

    @property
    def ratio(self) -> float:
        """Read over predicted; nan where the prediction is too small to divide by."""
        return self.value_V / self.predicted_V if abs(self.predicted_V) > 1e-9 else float("nan")


@dataclass(frozen=True, slots=True)
class Found:
    """Where the search sets the hole, in the tub's own metres. result: of the enlarged tub."""

    position_m: Point | None
    current_A: float | None
    radius_m: float | None
    scale: float
    result: Result


def enlargement(pool: Pool) -> float:
    """How many times a tub is enlarged. InputError for a basin that is a pool already."""
    x0, y0, x1, y1 = pool.bounds_m
    length = max(x1 - x0, y1 - y0)
    if length > LARGEST_TUB_m:
        raise InputError(f"{length:g} m long is no tub: use earthward locate")
    return POOL_LENGTH_m / length


def scaled_pool(pool: Pool, by: float) -> Pool:
    """Every length times `by`; water and currents as they are."""

    def flat(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
        return tuple((by * x, by * y) for x, y in points)

    f = pool.floor
    floor = Floor(f.kind, by * f.depth_m, flat(f.profile_m), by * f.deep_m, _four(f.rim_m, by), _four(f.bottom_m, by))
    return replace(
        pool,
        outline_m=flat(pool.outline_m),
        floor=floor,
        extent_m=(by * pool.extent_m[0], by * pool.extent_m[1]),
        sources=tuple(_moved(s, by) for s in pool.sources),
        fittings=tuple(_moved(s, by) for s in pool.fittings),
        steps=tuple(Stair(flat(s.outline_m), by * s.depth_m) for s in pool.steps),
        marks=tuple(
            msgspec.structs.replace(m, position_m=(by * m.position_m[0], by * m.position_m[1])) for m in pool.marks
        ),
    )


def _four(sides: tuple[float, float, float, float], by: float) -> tuple[float, float, float, float]:
    return by * sides[0], by * sides[1], by * sides[2], by * sides[3]


def _moved(thing: Any, by: float) -> Any:
    return msgspec.structs.replace(thing, position_m=tuple(by * v for v in thing.position_m))


def scaled_reading(reading: KeptReading, by: float) -> KeptReading:
    """The reading that the enlarged basin would have given: farther apart, and as many times weaker."""
    return msgspec.structs.replace(
        reading,
        front_m=tuple(by * v for v in reading.front_m),
        back_m=tuple(by * v for v in reading.back_m),
        value_V=reading.value_V / by,
        sigma_V=reading.sigma_V / by,
    )


def scaled_settings(hands: Hands, by: float) -> LocateSettings:
    usual = LocateSettings()
    return replace(
        usual,
        position_sigma_m=by * hands.place_m,
        depth_sigma_m=by * hands.depth_m,
        depth_offset_sigma_m=by * hands.depth_m,
        bearing_sigma_deg=hands.bearing_deg,
        tilt_sigma_deg=hands.tilt_deg,
        shift_sigma_m=0.5 * by * hands.place_m,
        electrode_sigma_m=by * hands.electrode_m,
        electrode_depth_sigma_m=by * hands.electrode_m,
        fitting_sigma_m=by * hands.fitting_m,
        noise_floor_V=usual.noise_floor_V / by,
        water_voltage_V=None,
    )


def find_hole(pool: Pool, readings: Sequence[KeptReading], hands: Hands | None = None) -> Found:
    """The search of `earthward locate` in the enlarged tub. InputError for readings that it cannot use."""
    by = enlargement(pool)
    # The reading check wants pairs of 0.02 m or more: the enlarged ones are, whatever the tub's are.
    result = locate(scaled_pool(pool, by), [scaled_reading(r, by) for r in readings],
                    scaled_settings(hands or Hands(), by), coverage=False, guidance=False)  # fmt: skip
    if not result.findings:
        return Found(None, None, None, by, result)
    best = max(result.findings, key=lambda f: f.current_A or 0.0)
    x, y, z = (v / by for v in best.position_m)
    return Found((x, y, z), best.current_A, None if best.radius_m is None else best.radius_m / by, by, result)


def beside(pool: Pool, readings: Sequence[KeptReading], hole_m: Point, share: float = 1.0,
           field: Field | None = None) -> list[Beside]:  # fmt: skip
    """Each reading with the model's prediction: the source gives, the hole at its known place takes `share` of it, the
    fittings (in equal parts) the rest."""
    field = make_field(pool) if field is None else field
    length = max(pool.bounds_m[2] - pool.bounds_m[0], pool.bounds_m[3] - pool.bounds_m[1])
    by_id = {s.source_id: s for s in pool.sources}
    others = [f.position_m for f in pool.fittings if not f.covered]
    sinks = [(hole_m, share if others else 1.0)] + [(p, (1.0 - share) / len(others)) for p in others]
    out = []
    for reading in readings:
        source = by_id[reading.source_id]
        unit: FloatArray = np.array(
            [field.pair_difference(reading.front_m, reading.back_m, source.position_m)]
            + [-part * field.pair_difference(reading.front_m, reading.back_m, place) for place, part in sinks]
        )
        amount = pool.resistivity_ohm_m * (source.current_A or 0.0)
        predicted = amount * float(unit.sum())
        out.append(Beside(reading.row, reading.station, reading.value_V, predicted, reading.value_V * length / amount))
    return out


def agreement(rows: Sequence[Beside]) -> tuple[float, float]:
    """Slope of read over predicted through the origin, and rms of what is left over the rms of the predictions."""
    read = np.array([r.value_V for r in rows])
    model = np.array([r.predicted_V for r in rows])
    slope = float(model @ read / (model @ model))
    left = read - slope * model
    return slope, float(np.sqrt(np.mean(left**2) / np.mean(model**2)))
