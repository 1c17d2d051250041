"""From the survey file to the search for sinks and back: one place that knows both shapes of a reading."""

from __future__ import annotations

import math

import numpy as np

from earthward.errors import InputError
from earthward.pool.field import Field, make_field
from earthward.pool.shape import Pool
from earthward.service.store import KeptReading, Point, StoredFinding, SurveyStore
from earthward.survey.compare import RemeasureResult, StationPair, judge_remeasure
from earthward.survey.locate import locate
from earthward.survey.types import KeptReading as LocatedReading
from earthward.survey.types import LocateSettings, Result


def as_located(reading: KeptReading) -> LocatedReading:
    """A stored reading as the search takes it; its row is the row in the survey file."""
    return LocatedReading(
        front_m=reading.front_m,
        back_m=reading.back_m,
        value_V=reading.value_V,
        sigma_V=reading.sigma_V,
        source_id=reading.source_id,
        station=reading.station,
        note=reading.note,
        row=reading.row,
    )


def locate_survey(
    store: SurveyStore, pool: Pool, settings: LocateSettings | None = None, field: Field | None = None
) -> Result:
    """Search with all survey readings that count, and keep the result in the file (not if it is open read-only)."""
    result = locate(pool, [as_located(r) for r in store.readings("survey")], settings, field)
    if not store.read_only:
        store.add_location(result.to_json())
    return result


def update_findings(store: SurveyStore, result: Result, within_m: float = 0.5) -> list[int]:
    """Write the search's findings into the survey: one near an earlier finding updates it (and keeps its number and
    history), others are new and suspected. Returns the numbers in the result's order. Findings that are past the dye
    test stay where they were found."""
    known = {f.number: f for f in store.findings()}
    numbers = []
    for found in result.findings:
        near = [
            (math.dist(f.position_m, found.position_m), n)
            for n, f in known.items()
            if n not in numbers and math.dist(f.position_m, found.position_m) <= within_m
        ]
        number = min(near)[1] if near else 0
        if number and known[number].stage != "suspected":
            numbers.append(number)
            continue
        numbers.append(
            store.put_finding(
                StoredFinding(
                    number=number,
                    position_m=found.position_m,
                    radius_m=found.radius_m,
                    current_A=found.current_A,
                    current_interval_A=found.current_interval_A,
                    hole_diameter_mm=found.hole_diameter_mm,
                    text=known[number].text if number else "",
                )
            )
        )
    return numbers


def remeasure(
    store: SurveyStore, pool: Pool, number: int, field: Field | None = None, near_m: float = 1.5
) -> RemeasureResult:
    """Compare the re-measurements of a finding with the readings of the same stations before the repair.

    Readings pair up by station, placement and direction; those farther than `near_m` from the finding in plan are left
    out because they hardly see it. InputError if none pair up. Does not write: give the result to
    `set_finding_stage(number, "re-measured", result.text, result.as_dict())`.
    """
    finding = next((f for f in store.findings() if f.number == number), None)
    if finding is None or not finding.current_A:
        raise InputError(f"finding {number} has no current in this survey: locate it first")
    field = field or make_field(pool)
    resistivity = 1.0 / pool.water_conductivity_S_per_m
    target = np.array([finding.position_m], dtype=float)
    before: dict[tuple[str, int, Point], KeptReading] = {}
    strength: dict[tuple[str, int], float] = {}
    for r in store.readings("survey"):
        before[(r.station, r.source_id, _direction(r))] = r
        key = (r.station, r.source_id)
        strength[key] = math.hypot(strength.get(key, 0.0), r.value_V)
    shares, pairs = [], []
    for r in store.readings("re-measure"):
        old = before.get((r.station, r.source_id, _direction(r)))
        if old is None or not old.injected_A or not r.injected_A or r.finding not in (None, number):
            continue
        if math.dist(r.front_m[:2], finding.position_m[:2]) > near_m:
            continue
        front, back = np.array(r.front_m), np.array(r.back_m)
        source = np.array(pool.source(r.source_id).position_m)
        sink = float(field.pair_row(front, back, target)[0]) + field.pair_difference(front, back, source)
        shares.append(finding.current_A / old.injected_A)
        pairs.append(
            StationPair(
                before_ohm=old.value_V / old.injected_A,
                before_sigma_ohm=old.sigma_V / old.injected_A,
                after_ohm=r.value_V / r.injected_A,
                after_sigma_ohm=r.sigma_V / r.injected_A,
                sink_ohm=sink * resistivity,
                strength_ohm=strength[(r.station, r.source_id)] / old.injected_A,
            )
        )
    if not pairs:
        raise InputError(
            f"no reading near finding {number} was taken again at an earlier station: read the same stations as before"
        )
    return judge_remeasure(pairs, sum(shares) / len(shares))


def _direction(r: KeptReading) -> Point:
    """Where the front electrode points, to a tenth, so that readings of one axis pair up."""
    d = [a - b for a, b in zip(r.front_m, r.back_m, strict=True)]
    length = math.hypot(*d) or 1.0
    x, y, z = (round(c / length, 1) + 0.0 for c in d)
    return x, y, z
