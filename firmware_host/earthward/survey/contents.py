"""What report and exports need from a survey file, put together once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import msgspec

from earthward.errors import InputError
from earthward.pool.pool_file import parse_pool
from earthward.pool.shape import Pool
from earthward.record.event import Event
from earthward.record.finding import Finding
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Note, Photo, SafetyCheck, SensitivityTest

if TYPE_CHECKING:
    from earthward.survey.store import SurveyStore


@dataclass(frozen=True, slots=True)
class Contents:
    """A survey as plain data. `readings` are those that count; `withdrawn` were taken back;
    damaged: sentences about rows that could not be read and are left out."""

    meta: dict[str, Any]
    pool_toml: str
    pool: Pool | None
    fittings: list[Fitting]
    sources: list[Placement]
    settings: dict[int, dict[str, Any]]
    safety_checks: list[SafetyCheck]
    sensitivity_tests: list[SensitivityTest]
    readings: list[KeptReading]
    withdrawn: list[KeptReading]
    findings: list[Finding]
    loss_tests: list[LossTest]
    current_steps: list[CurrentStep]
    location: dict[str, Any] | None
    notes: list[Note]
    photos: list[Photo]
    events: list[Event]
    damaged: tuple[str, ...] = ()

    @property
    def emulated(self) -> bool:
        return bool(self.meta["emulated"])

    @property
    def name(self) -> str:
        return str(self.meta.get("name") or "survey")


def load(store: SurveyStore) -> Contents:
    """Everything in the file. A pool description that cannot be read leaves `pool` None."""
    toml = store.pool_toml()
    fittings, sources = store.fittings(), store.sources()
    every = store.readings(withdrawn=True)
    contents = Contents(
        meta=store.meta(),
        pool_toml=toml,
        pool=pool_of(toml, fittings, sources),
        fittings=fittings,
        sources=sources,
        settings=store.settings(),
        safety_checks=store.safety_checks(),
        sensitivity_tests=store.sensitivity_tests(),
        readings=[r for r in every if r.withdrawn_s is None],
        withdrawn=[r for r in every if r.withdrawn_s is not None],
        findings=store.findings(),
        loss_tests=store.loss_tests(),
        current_steps=store.current_steps(),
        location=store.location(),
        notes=store.notes(),
        photos=store.photos(),
        events=store.events(),
    )
    return replace(contents, damaged=tuple(store.damaged))


def pool_of(toml: str, fittings: list[Fitting], sources: list[Placement]) -> Pool | None:
    """The pool with the fittings and placements as the visit knew them (they win over those of the file)."""
    try:
        pool = parse_pool(toml, "the survey's pool")
    except InputError:
        return None
    if fittings:
        pool = replace(pool, fittings=tuple(fittings))
    if sources:
        planned = {s.source_id: s.current_A for s in pool.sources}
        pool = replace(
            pool,
            sources=tuple(
                s if s.current_A is not None else msgspec.structs.replace(s, current_A=planned.get(s.source_id))
                for s in sources
            ),
        )
    return pool


def utc_text(time_s: float) -> str:
    """2026-06-01T08:00:00.123Z; a time that no calendar has (a damaged file) is said as its number."""
    try:
        moment = datetime.fromtimestamp(time_s, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{time_s:g} s"
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{int(time_s * 1000) % 1000:03d}Z"


def utc_seconds(text: str) -> float:
    """Inverse of `utc_text`. A time without a zone is UTC as well."""
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
