"""The bundle file: a zip archive with a table of its contents, each part's SHA-256, and what the lock-in made of it.

`bundle.json`: format, versions, parts. `survey.json`: the survey as `earthward export --format json` writes it.
`recordings/N/`: header.json and samples.ewc as docs/recording.md has them, and readings.json: what the lock-in gave
when the bundle was made. `calibration.json`, `truth.csv`: as they are. The same contents always make the same bytes.
"""

from __future__ import annotations

import hashlib
import io
import json
import platform
import tempfile
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import scipy

from earthward import __version__
from earthward.bundle import offline, privacy
from earthward.daemon.recorder import Chunk, ChunkKind, RecordingContent, pack_samples, read_recording
from earthward.daemon.recorder import split_at_range_changes as split
from earthward.errors import InputError
from earthward.survey.contents import load
from earthward.survey.files.document import Document, parse_document, to_text
from earthward.survey.files.whole import make_folder, write_whole
from earthward.survey.store import SurveyStore

FORMAT, VERSION = "earthward-bundle", 1
LARGEST_PART = 2 << 30
#: two computers' mathematics libraries may round otherwise: so far apart is still the same
SAME = 1e-9


@dataclass
class Parts:
    """Name in the archive -> bytes, and what is said of the whole."""

    files: dict[str, bytes] = field(default_factory=dict)
    told: dict[str, Any] = field(default_factory=dict)


# ---- making --------------------------------------------------------------------------------------------------------


def collect(
    survey: Path | None,
    recordings: list[Path],
    calibration: bytes | None = None,
    truth: bytes | None = None,
    *,
    public: bool = False,
) -> Parts:
    """InputError for what is no survey or recording, or for nothing at all."""
    if survey is None and not recordings:
        raise InputError("a bundle needs a survey (--survey) or a recording (--recording)")
    parts = Parts()
    emulated: list[bool] = []
    if survey is not None:
        with SurveyStore.open(survey, read_only=True) as store:
            contents = load(store)
        if contents.damaged:
            raise InputError(f"{survey} has damaged rows ({contents.damaged[0]}): nothing is bundled from it")
        emulated.append(contents.emulated)
        parts.files["survey.json"] = to_text(privacy.without_private(contents) if public else contents).encode()
    replayed = []
    for number, folder in enumerate(recordings):
        content = read_recording(folder)
        emulated.append(bool(content.header.get("emulated", False)))
        content = privacy.plain_recording(content) if public else content
        replayed.append(_put_recording(parts, f"recordings/{number}", content))
    if calibration is not None:
        parts.files["calibration.json"] = calibration
    if truth is not None:
        parts.files["truth.csv"] = truth
    if len(set(emulated)) > 1:
        raise InputError("an emulated and a real part do not belong into one bundle")
    parts.told = {
        "format": FORMAT,
        "version": VERSION,
        "emulated": emulated[0],
        "public": public,
        "left_out": list(privacy.LEFT_OUT) if public else [],
        "made_with": versions(),
        "recordings": replayed,
        "parts": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(parts.files.items())},
    }
    return parts


def versions() -> dict[str, str]:
    return {"earthward": __version__, "python": platform.python_version(), "numpy": np.__version__,
            "scipy": scipy.__version__, "machine": platform.machine()}  # fmt: skip


def _put_recording(parts: Parts, where: str, content: RecordingContent) -> dict[str, Any]:
    parts.files[f"{where}/header.json"] = json.dumps(content.header, indent=1, sort_keys=True).encode()
    chunks = [pack_samples(piece).encode() for block in content.blocks for piece in split(block)]
    notes = [Chunk(ChunkKind.NOTE, 0, json.dumps(note).encode()).encode() for note in content.notes]
    parts.files[f"{where}/samples.ewc"] = b"".join([*chunks, *notes])
    told: dict[str, Any] = {"folder": where, "channels": {}}
    tables = {}
    for channel in sorted({b.channel for b in content.blocks}):
        table = offline.rows(offline.readings_of(content, channel))
        tables[str(channel)] = table
        told["channels"][str(channel)] = {"readings": len(table), "sha256": offline.digest(table)}
    parts.files[f"{where}/readings.json"] = json.dumps({"fields": offline.FIELDS, "channels": tables}).encode()
    return told


def write(path: Path, parts: Parts) -> None:
    """Whole or not at all; the same parts make the same file."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        everything = {"bundle.json": json.dumps(parts.told, indent=1).encode(), **parts.files}
        for name in sorted(everything):
            entry = zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, everything[name])
    write_whole(path, buffer.getvalue())


# ---- reading -------------------------------------------------------------------------------------------------------


def read(path: Path) -> Parts:
    """Every part, checked against its digest. InputError says what is wrong with the file."""
    try:
        with zipfile.ZipFile(path) as archive:
            if any(entry.file_size > LARGEST_PART for entry in archive.infolist()):
                raise InputError(f"{path} holds a part that is larger than a bundle can have")
            files = {entry.filename: archive.read(entry) for entry in archive.infolist()}
        told = json.loads(files.pop("bundle.json"))
    except FileNotFoundError:
        raise InputError(f"{path} is not there: give the path of a bundle") from None
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, RuntimeError, NotImplementedError) as error:
        raise InputError(f"{path} is no bundle ({error})") from None
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise InputError(f"{path} is no Earthward bundle")
    if told.get("version") != VERSION:
        raise InputError(
            f"{path} is a bundle of version {told.get('version')}, this program reads {VERSION}: update it"
        )
    known = told.get("parts", {})
    wrong = [name for name in {*files, *known} if known.get(name) != hashlib.sha256(files.get(name, b"")).hexdigest()]
    if wrong:
        raise InputError(f"{path} was changed after it was made: {sorted(wrong)[0]} does not fit its digest")
    return Parts(files, told)


def survey_of(parts: Parts, where: str) -> Document:
    """InputError for a bundle without a survey."""
    if "survey.json" not in parts.files:
        raise InputError(f"{where} holds no survey: make it with --survey")
    return parse_document(parts.files["survey.json"].decode("utf-8"), f"{where}: survey.json")


def recordings_of(parts: Parts) -> dict[str, RecordingContent]:
    """By folder in the archive."""
    out = {}
    for told in parts.told.get("recordings", []):
        where = str(told["folder"])
        with tempfile.TemporaryDirectory(prefix="earthward-") as private:
            for name in ("header.json", "samples.ewc"):
                (Path(private) / name).write_bytes(parts.files[f"{where}/{name}"])
            content = read_recording(private)
            # The blocks are read when asked for, and the folder goes: take them now.
            out[where] = RecordingContent(content.header, list(content.blocks), content.notes)
    return out


@dataclass(frozen=True)
class Replayed:
    """A channel of a recording run again. same: to the last bit; apart_by: else the largest relative difference of each
    number of a reading."""

    folder: str
    channel: str
    readings: int
    same: bool
    apart_by: dict[str, float]

    @property
    def apart(self) -> float:
        return max(self.apart_by.values(), default=0.0)

    @property
    def differing(self) -> tuple[str, ...]:
        """What another lock-in than this one gave."""
        return tuple(name for name, apart in self.apart_by.items() if apart > SAME)

    @property
    def ok(self) -> bool:
        return self.same or self.apart <= SAME


def replay(parts: Parts) -> list[Replayed]:
    """Each recording through the lock-in of this computer, against what the bundle says it gave when it was made."""
    out = []
    contents = recordings_of(parts)
    for told in parts.told.get("recordings", []):
        where = str(told["folder"])
        kept = json.loads(parts.files[f"{where}/readings.json"])["channels"]
        for channel, one in told["channels"].items():
            table = offline.rows(offline.readings_of(contents[where], int(channel)))
            same = offline.digest(table) == one["sha256"]
            apart = {} if same else offline.farthest(kept[channel], table)
            out.append(Replayed(where, channel, len(table), same, apart))
    return out


def unpack(parts: Parts, folder: Path) -> list[Path]:
    """The parts as files: recordings for `earthward replay`, the survey's document for `earthward export --import`."""
    make_folder(folder)
    out = []
    for name, data in sorted({**parts.files, "bundle.json": msgspec.json.encode(parts.told)}.items()):
        target = folder / name
        if not target.resolve().is_relative_to(folder.resolve()):
            raise InputError(f"the bundle names a part outside its own folder ({name}): it is not unpacked")
        make_folder(target.parent)
        write_whole(target, data)
        out.append(target)
    return out
