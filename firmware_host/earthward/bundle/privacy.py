"""What is left out when a bundle goes to people who need not know whose pool it is.

By a list of what may stay, not of what must go: a field that nobody thought of stays at home. Numbers, times and the
words that the program itself chose stay; whatever a person may have typed does not. Names of stations and turns, which
readings need, become numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import msgspec

from earthward.daemon.recorder import RecordingContent
from earthward.errors import InputError
from earthward.pool.pool_file import format_pool, parse_pool
from earthward.survey.contents import Contents

LEFT_OUT = ("name, place, owner and technician", "notes and remarks", "photographs", "level logs", "events",
            "names of stations and marks", "remarks in the pool file")  # fmt: skip
META_KEPT = {"created_s", "emulated", "units", "software", "utc_offset_s"}
SETTINGS_KEPT = {
    "spacing_m",
    "waveform",
    "frequency_Hz",
    "window_s",
    "full_scale_V",
    "front_end_gain",
    "current_limit_A",
}
HEADER_KEPT = {"format", "emulated", "software", "started_unix_s", "waveform", "frequency_Hz", "mains_Hz",
               "front_end_gain", "spacing_m", "window_s", "rate_Hz"}  # fmt: skip
#: Of `kept` only the moment stays: that something was kept then.
NOTES_KEPT = {"reference", "source", "bench", "kept"}
NOTE_FIELDS_KEPT = {"kind", "t_s", "start_s", "frequency_Hz", "sigma_s", "frequency_sigma", "electrode", "current_A",
                    "energised", "since_s", "step", "applied_V", "waveform", "volts", "series_ohm"}  # fmt: skip
WORDS_KEPT = {"si", "us", "A", "B", "square", "sine", "coded", "reference", "source", "bench", "quiet", "knock",
              "drive", "joined", "divider", "end", "kept"}  # fmt: skip


def without_private(contents: Contents) -> Contents:
    """The survey as plain numbers. InputError where the pool file cannot be read: it could hold anything."""
    if contents.pool is None:
        raise InputError("the survey's pool cannot be read, so what is private in it cannot be told: mend it first")
    fittings = {f.name: f"{f.kind} {k + 1}" for k, f in enumerate(contents.fittings)}
    stations = _numbered("S", (r.station for r in [*contents.readings, *contents.withdrawn]))
    turns = _numbered("T", (r.turn for r in [*contents.readings, *contents.withdrawn]))
    covered = fittings | {"none": "none"}

    def reading(r: Any) -> Any:
        return msgspec.structs.replace(
            r, station=stations.get(r.station, ""), turn=turns.get(r.turn, ""), note="", withdrawn_why="",
            flags=(), uid="", covered=tuple(covered.get(c, "other") for c in r.covered),
        )  # fmt: skip

    return replace(
        contents,
        meta={
            "name": "survey",
            "id": hashlib.sha256(str(contents.meta.get("id", "")).encode()).hexdigest()[:32],
            **{k: v for k, v in contents.meta.items() if k in META_KEPT and not _word(v)},
        },
        pool_toml=_plain_pool(contents, fittings),
        fittings=[msgspec.structs.replace(f, name=fittings[f.name], note="") for f in contents.fittings],
        sources=[msgspec.structs.replace(s, note="") for s in contents.sources],
        settings={
            n: {k: v for k, v in s.items() if k in SETTINGS_KEPT and not _word(v)} for n, s in contents.settings.items()
        },
        safety_checks=[],
        sensitivity_tests=[msgspec.structs.replace(t, result=numbers(t.result)) for t in contents.sensitivity_tests],
        readings=[reading(r) for r in contents.readings],
        withdrawn=[reading(r) for r in contents.withdrawn],
        findings=[_finding(f) for f in contents.findings],
        loss_tests=[],
        current_steps=[
            msgspec.structs.replace(s, note="", fitting=fittings.get(s.fitting, "")) for s in contents.current_steps
        ],
        location=None,
        notes=[],
        photos=[],
        events=[],
    )


def _numbered(letter: str, names: Iterable[str]) -> dict[str, str]:
    known = list(dict.fromkeys(n for n in names if n))
    return {name: f"{letter}{k + 1}" for k, name in enumerate(known)}


def _plain_pool(contents: Contents, fittings: dict[str, str]) -> str:
    """Written anew from what it says: remarks and names are gone."""
    pool = parse_pool(contents.pool_toml, "the survey's pool")
    own = {f.name: f"{f.kind} {k + 1}" for k, f in enumerate(pool.fittings)}
    plain = replace(
        pool,
        name="",
        marks=tuple(msgspec.structs.replace(m, name=f"mark {k + 1}") for k, m in enumerate(pool.marks)),
        fittings=tuple(msgspec.structs.replace(f, name=fittings.get(f.name, own[f.name])) for f in pool.fittings),
    )
    return format_pool(plain)


def _finding(finding: Any) -> Any:
    history = tuple(
        msgspec.structs.replace(h, note="", result=None if h.result is None else numbers(h.result))
        for h in finding.history
    )
    return msgspec.structs.replace(finding, text="", history=history)


def numbers(value: Any) -> Any:
    """Numbers and yes or no out of whatever a result holds; words go."""
    if isinstance(value, dict):
        kept = {k: numbers(v) for k, v in value.items() if k.replace("_", "").isalnum()}
        return {k: v for k, v in kept.items() if v is not None}
    if isinstance(value, (list, tuple)):
        return [v for v in (numbers(item) for item in value) if v is not None]
    return value if isinstance(value, (bool, int, float)) else None


def plain_recording(content: RecordingContent) -> RecordingContent:
    """Samples as they are; of header and notes what the lock-in needs."""
    header = {k: v for k, v in content.header.items() if k in HEADER_KEPT and not _word(v)}
    notes = [
        {k: v for k, v in note.items() if k in NOTE_FIELDS_KEPT and not _word(v)}
        for note in content.notes
        if note.get("kind") in NOTES_KEPT
    ]
    return RecordingContent(header, content.blocks, notes)


def _word(value: Any) -> bool:
    """A text that the program did not choose. Versions are short and begin with a figure."""
    return isinstance(value, str) and value not in WORDS_KEPT and not (len(value) < 12 and value[:1].isdigit())
