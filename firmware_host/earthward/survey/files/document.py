"""The whole survey as one JSON document, and a survey from such a document. The record's Structs are its form: by them
it is written, read back and checked, and the JSON Schema follows from them."""

from __future__ import annotations

import math
import os
import re
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct, structs

from earthward.errors import InputError
from earthward.record.event import Event
from earthward.record.finding import Finding
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Note, Photo, SafetyCheck, SensitivityTest
from earthward.survey.contents import Contents
from earthward.survey.store import SurveyStore
from earthward.units import Units
from earthward.validation import sentence

FORMAT = "earthward-survey"
FORMAT_VERSION = 2
_CONVENTIONS = {
    "units": "SI, named in the keys; times in seconds since 1970-01-01 UTC",
    "coordinates": "x along the length, y across, z depth positive down; metres from the origin mark",
    "value_V": "V_back - V_front at the injection electrode's positive phase",
}


class Settings(Struct, frozen=True, kw_only=True):
    id: int
    value: dict[str, Any]


class Head(Struct, frozen=True, kw_only=True):
    """What a survey says of itself; it may say more (`Document.survey` keeps all of it)."""

    id: str
    name: str
    created_s: float
    emulated: bool
    units: Units = "si"


class Document(Struct, frozen=True, kw_only=True):
    """One visit to a pool, from arrival to report. Readers ignore keys that they do not know."""

    format: Literal["earthward-survey"]
    format_version: Literal[2]
    conventions: dict[str, str] = {}
    survey: Annotated[dict[str, Any], Meta(description="id, name, created_s, emulated, units and whatever was set")]
    pool_toml: Annotated[str, Meta(description="the pool file")]
    fittings: tuple[Fitting, ...] = ()
    sources: tuple[Placement, ...] = ()
    settings: tuple[Settings, ...] = ()
    safety_checks: tuple[SafetyCheck, ...] = ()
    proofs: tuple[SensitivityTest, ...] = ()
    readings: tuple[KeptReading, ...]
    findings: tuple[Finding, ...]
    loss_tests: tuple[LossTest, ...] = ()
    current_steps: tuple[CurrentStep, ...] = ()
    location: dict[str, Any] | None = None
    notes: tuple[Note, ...] = ()
    photos: tuple[Photo, ...] = ()
    events: tuple[Event, ...] = ()


def schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of the document."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(Document)}


def to_document(contents: Contents) -> dict[str, Any]:
    """The whole record as plain data. What is not known (a time, say) is left out."""
    document = Document(
        format="earthward-survey",
        format_version=2,
        conventions=_CONVENTIONS,
        survey=contents.meta,
        pool_toml=contents.pool_toml,
        fittings=tuple(contents.fittings),
        sources=tuple(contents.sources),
        settings=tuple(Settings(id=i, value=v) for i, v in contents.settings.items()),
        safety_checks=tuple(contents.safety_checks),
        proofs=tuple(contents.sensitivity_tests),
        readings=tuple(sorted([*contents.readings, *contents.withdrawn], key=lambda r: r.row)),
        findings=tuple(contents.findings),
        loss_tests=tuple(contents.loss_tests),
        current_steps=tuple(contents.current_steps),
        location=contents.location,
        notes=tuple(contents.notes),
        photos=tuple(contents.photos),
        events=tuple(contents.events),
    )
    plain = _known(msgspec.to_builtins(document))
    for found, told in zip(contents.findings, plain["findings"], strict=True):
        told.update(stage=found.stage, confirmed=found.confirmed)
    return dict(msgspec.json.decode(msgspec.json.encode(plain)))


def _known(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _known(v) for k, v in value.items() if not (isinstance(v, float) and math.isnan(v))}
    return [_known(v) for v in value] if isinstance(value, (list, tuple)) else value


def to_text(contents: Contents) -> str:
    return msgspec.json.format(msgspec.json.encode(to_document(contents)), indent=1).decode() + "\n"


def parse_document(text: str, where: str) -> Document:
    """Checked as a whole. InputError says in one sentence what does not fit, and where."""
    try:
        raw = msgspec.json.decode(text)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise InputError(f"{where} is no JSON document: {error or 'it is nested too deeply'}") from None
    if not isinstance(raw, dict) or raw.get("format") != FORMAT:
        raise InputError(f"{where} is no Earthward survey export (its format is not {FORMAT!r})")
    version = raw.get("format_version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise InputError(f"{where} does not say its format version")
    if version > FORMAT_VERSION:
        raise InputError(
            f"{where} was written by a later version of Earthward (format {version}, this one reads up to "
            f"{FORMAT_VERSION}): install the later version to import it"
        )
    try:
        document = msgspec.convert(_brought_forward(raw) if version == 1 else raw, Document)
        msgspec.convert(document.survey, Head)
    except msgspec.ValidationError as error:
        raise InputError(f"{where}: {sentence(error, Document)}") from None
    return document


def _brought_forward(raw: dict[str, Any]) -> dict[str, Any]:
    """A document of format 1, which had the test leak's state as a remark, and what a step of current was done to as a
    sentence."""

    def reading(item: Any) -> Any:
        if isinstance(item, dict) and item.get("purpose") == "test leak" and item.get("note") in (
            "connected", "disconnected",
        ):  # fmt: skip
            return {**item, "test_leak": item["note"], "note": ""}
        return item

    def step(item: Any) -> Any:
        if not isinstance(item, dict) or not isinstance(subject := item.get("subject"), str):
            return item
        patched = re.fullmatch(r"finding (\d{1,9})", subject) if item.get("kind") == "patch" else None
        return {**item, "finding": int(patched[1])} if patched else {**item, "fitting": subject}

    def each(key: str, change: Any) -> Any:
        return [change(item) for item in raw[key]] if isinstance(raw.get(key), list) else raw.get(key, [])

    return {
        **raw,
        "format_version": 2,
        "readings": each("readings", reading),
        "current_steps": each("current_steps", step),
    }


def import_document(text: str, where: str, target: str | os.PathLike[str]) -> SurveyStore:
    """Make a survey file from an exported document. Refuses foreign and later documents with a sentence."""
    document = parse_document(text, where)
    head = msgspec.convert(document.survey, Head)
    store = SurveyStore.create(
        target,
        name=head.name,
        pool_toml=document.pool_toml,
        emulated=head.emulated,
        units=head.units,
        survey_id=head.id,
        created_s=head.created_s,
    )
    try:
        _fill(store, document)
    except BaseException:
        store.close()
        Path(target).unlink(missing_ok=True)
        raise
    return store


def _fill(store: SurveyStore, document: Document) -> None:
    for key, value in document.survey.items():
        if key not in structs.asdict(msgspec.convert(document.survey, Head)):
            store.set_meta(key, value)
    for fitting in document.fittings:
        store.put_fitting(fitting)
    for source in document.sources:
        store.put_source(source)
    for settings in document.settings:
        store.add_settings(settings.value)
    for check in document.safety_checks:
        store.add_safety_check(check)
    for sensitivity in document.proofs:
        store.add_sensitivity_test(sensitivity)
    for reading in document.readings:
        row = store.keep(reading)
        if reading.withdrawn_s is not None:
            store.withdraw(row, reading.withdrawn_why, reading.withdrawn_s)
    for finding in document.findings:
        store.put_finding(finding)
        for stage in finding.history[1:]:
            store.set_finding_stage(finding.number, stage.stage, stage.note, stage.result, stage.time_s)
    for test in document.loss_tests:
        store.add_loss_test(test)
    for step in document.current_steps:
        store.add_current_step(step)
    if document.location is not None:
        store.add_location(document.location)
    for note in document.notes:
        store.add_note(note.text, note.time_s)
    for photo in document.photos:
        store.add_photo(photo)
    for event in document.events:
        store.add_event(event.severity, event.code, event.text, event.remedy, event.time_s)
