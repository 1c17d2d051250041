"""A survey as one JSON document (`survey.schema.json` beside this file describes it) and back."""

from __future__ import annotations

import json
import math
import os
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from earthward.errors import InputError
from earthward.record.finding import Finding, FindingStage
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Photo, SafetyCheck, SensitivityTest
from earthward.report.record import Record
from earthward.survey.store import SurveyStore

FORMAT = "earthward-survey"
FORMAT_VERSION = 1

T = TypeVar("T")


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the document."""
    text = resources.files("earthward.report").joinpath("survey.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def to_document(record: Record) -> dict[str, Any]:
    """The whole record as plain data."""
    every = sorted([*record.readings, *record.withdrawn], key=lambda r: r.row)
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "conventions": {
            "units": "SI, named in the keys; times in seconds since 1970-01-01 UTC",
            "coordinates": "x along the length, y across, z depth positive down; metres from the origin mark",
            "value_V": "V_back - V_front at the injection electrode's positive phase",
        },
        "survey": record.meta,
        "pool_toml": record.pool_toml,
        "fittings": [_plain(f) for f in record.fittings],
        "sources": [_plain(s) for s in record.sources],
        "settings": [{"id": i, "value": v} for i, v in record.settings.items()],
        "safety_checks": [_plain(c) for c in record.safety_checks],
        "proofs": [_plain(p) for p in record.proofs],
        "readings": [_plain(r) for r in every],
        "findings": [{**_plain(f), "stage": f.stage, "confirmed": f.confirmed} for f in record.findings],
        "loss_tests": [_plain(t) for t in record.loss_tests],
        "current_steps": [_plain(s) for s in record.current_steps],
        "location": record.location,
        "notes": [_plain(n) for n in record.notes],
        "photos": [_plain(p) for p in record.photos],
        "events": [_plain(e) for e in record.events],
    }


def to_text(record: Record) -> str:
    return json.dumps(to_document(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(item: Any) -> dict[str, Any]:
    # Through JSON and back: tuples become lists, as a reader of the file gets them.
    # A time that is not known is left out.
    known = {k: v for k, v in msgspec.to_builtins(item).items() if not (isinstance(v, float) and math.isnan(v))}
    return dict(json.loads(json.dumps(known, allow_nan=False)))


def import_document(text: str, where: str, target: str | os.PathLike[str]) -> SurveyStore:
    """Make a survey file from an exported document. Refuses foreign and later documents with a sentence."""
    try:
        document = json.loads(text)
    except ValueError as error:
        raise InputError(f"{where} is no JSON document: {error}") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise InputError(f"{where} is no Earthward survey export (its format is not {FORMAT!r})")
    version = document.get("format_version")
    if not isinstance(version, int) or version < 1:
        raise InputError(f"{where} does not say its format version")
    if version > FORMAT_VERSION:
        raise InputError(
            f"{where} was written by a later version of Earthward (format {version}, this one reads up to "
            f"{FORMAT_VERSION}): install the later version to import it"
        )
    meta = document.get("survey", {})
    store = SurveyStore.create(
        target,
        name=str(meta.get("name", "")),
        pool_toml=str(document.get("pool_toml", "")),
        emulated=bool(meta.get("emulated", False)),
        units=meta.get("units", "si"),
        survey_id=str(meta.get("id", "")),
        created_s=float(meta.get("created_s", "nan")),
    )
    try:
        _fill(store, document, where)
    except BaseException:
        store.close()
        Path(target).unlink(missing_ok=True)
        raise
    return store


def _fill(store: SurveyStore, document: dict[str, Any], where: str) -> None:
    for key, value in document.get("survey", {}).items():
        if key not in ("id", "created_s", "emulated", "name", "units"):
            store.set_meta(key, value)
    for fitting in _each(document, "fittings", Fitting, where):
        store.put_fitting(fitting)
    for source in _each(document, "sources", Placement, where):
        store.put_source(source)
    for settings in document.get("settings", []):
        store.add_settings(settings["value"])
    for check in _each(document, "safety_checks", SafetyCheck, where):
        store.add_safety_check(check)
    for proof in _each(document, "proofs", SensitivityTest, where):
        store.add_proof(proof)
    for reading in _each(document, "readings", KeptReading, where):
        row = store.keep(reading)
        if reading.withdrawn_s is not None:
            store.withdraw(row, reading.withdrawn_why, reading.withdrawn_s)
    for finding in _each(document, "findings", Finding, where):
        store.put_finding(finding)
        for stage in finding.history[1:]:
            store.set_finding_stage(finding.number, stage.stage, stage.note, stage.result, stage.time_s)
    for test in _each(document, "loss_tests", LossTest, where):
        store.add_loss_test(test)
    for step in _each(document, "current_steps", CurrentStep, where):
        store.add_current_step(step)
    if document.get("location") is not None:
        store.add_location(document["location"])
    for note in document.get("notes", []):
        store.add_note(note["text"], note["time_s"])
    for photo in _each(document, "photos", Photo, where):
        store.add_photo(photo)
    for event in document.get("events", []):
        store.add_event(event["severity"], event["code"], event["text"], event["remedy"], event["time_s"])


def _each(document: dict[str, Any], key: str, kind: type[T], where: str) -> list[T]:
    """Build the dataclasses back; keys that this version does not know are left out."""
    names = {f.encode_name for f in msgspec.inspect.type_info(kind).fields}  # type: ignore[attr-defined]
    out = []
    for number, item in enumerate(document.get(key, []), start=1):
        try:
            values = {k: _tuple(k, v) for k, v in item.items() if k in names}
            if kind is Finding:
                values["history"] = tuple(FindingStage(**h) for h in values.get("history", ()))
            out.append(kind(**values))
        except (TypeError, AttributeError) as error:
            raise InputError(f"{where}: entry {number} of {key!r} is not complete: {error}") from None
    return out


def _tuple(key: str, value: Any) -> Any:
    if isinstance(value, list) and (key.endswith(("_m", "_A", "_mm")) or key in ("flags", "history")):
        return tuple(value)
    return value
