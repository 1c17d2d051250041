"""What report and exports need from a survey file, put together once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

from earthward.errors import InputError
from earthward.pool.pool_file import parse_pool
from earthward.pool.shape import Fitting, Pool, Source
from earthward.record.reading import KeptReading
from earthward.survey.records import (
    CurrentStep,
    LossTest,
    Photo,
    SafetyCheck,
    SourcePlacement,
    StoredEvent,
    StoredFinding,
    StoredFitting,
    StoredNote,
    StoredProof,
)
from earthward.survey.store import SurveyStore


@dataclass(frozen=True, slots=True)
class Record:
    """A survey as plain data. `readings` are those that count; `withdrawn` were taken back."""

    meta: dict[str, Any]
    pool_toml: str
    pool: Pool | None
    fittings: list[StoredFitting]
    sources: list[SourcePlacement]
    settings: dict[int, dict[str, Any]]
    safety_checks: list[SafetyCheck]
    proofs: list[StoredProof]
    readings: list[KeptReading]
    withdrawn: list[KeptReading]
    findings: list[StoredFinding]
    loss_tests: list[LossTest]
    current_steps: list[CurrentStep]
    location: dict[str, Any] | None
    notes: list[StoredNote]
    photos: list[Photo]
    events: list[StoredEvent]

    @property
    def emulated(self) -> bool:
        return bool(self.meta["emulated"])

    @property
    def name(self) -> str:
        return str(self.meta.get("name") or "survey")


def load(store: SurveyStore) -> Record:
    """Everything in the file. A pool description that cannot be read leaves `pool` None."""
    toml = store.pool_toml()
    fittings, sources = store.fittings(), store.sources()
    every = store.readings(withdrawn=True)
    return Record(
        meta=store.meta(),
        pool_toml=toml,
        pool=pool_of(toml, fittings, sources),
        fittings=fittings,
        sources=sources,
        settings=store.settings(),
        safety_checks=store.safety_checks(),
        proofs=store.proofs(),
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


def pool_of(toml: str, fittings: list[StoredFitting], sources: list[SourcePlacement]) -> Pool | None:
    """The pool with the fittings and placements as the visit knew them (they win over those of the file)."""
    try:
        pool = parse_pool(toml, "the survey's pool")
    except InputError:
        return None
    if fittings:
        pool = replace(
            pool,
            fittings=tuple(
                Fitting(name=f.name, kind=f.kind, position_m=f.position_m, covered=f.covered) for f in fittings
            ),
        )
    if sources:
        known = {s.id: s for s in pool.sources}
        pool = replace(
            pool,
            sources=tuple(
                Source(
                    position_m=s.position_m,
                    current_A=s.current_A
                    if s.current_A is not None
                    else (known[s.source_id].current_A if s.source_id in known else 0.0),
                    id=s.source_id,
                )
                for s in sources
            ),
        )
    return pool


def utc_text(time_s: float) -> str:
    """2026-06-01T08:00:00.123Z"""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%S.") + f"{int(time_s * 1000) % 1000:03d}Z"


def utc_seconds(text: str) -> float:
    """Inverse of `utc_text`."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()
