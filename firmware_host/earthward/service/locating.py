"""From the survey file to the search for sinks and back: one place that knows both shapes of a reading."""

from __future__ import annotations

from earthward.pool.field import Field
from earthward.pool.shape import Pool
from earthward.service.store import KeptReading, SurveyStore
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
