"""The survey record: one SQLite file per visit, and every kept reading durable before the call returns.

Write-ahead log with `synchronous = FULL`: a commit returns after the log was flushed to the disk, so whoever was told
"kept" has it, whatever happens next. Nothing is ever deleted: a reading taken in error is *withdrawn* (and stays), a
finding gets a new stage (and keeps the old ones). Each reading carries a `uid`; keeping the same uid again returns the
row it already has, so a client that lost the answer may simply ask again.

Times are seconds since 1970-01-01 UTC. Points are (x, y, z) in metres, z depth positive down. The file says which
schema it has (`PRAGMA user_version`); older ones are brought forward on opening for writing, later ones refused.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sqlite3
import tempfile
import threading
import uuid
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Self, TypeVar

import msgspec
from msgspec import structs

from earthward import clock
from earthward.errors import InputError
from earthward.record.base import Point, Record
from earthward.record.event import Event, Severity
from earthward.record.finding import NEXT_STAGES, Finding, FindingStage
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading, Purpose
from earthward.record.visit import CurrentStep, LossTest, Note, Photo, SafetyCheck, SensitivityTest
from earthward.survey import schema
from earthward.survey.opening import DAMAGE, close_file, create_file, in_one_line, open_file
from earthward.survey.schema import Table
from earthward.units import Units

T = TypeVar("T", bound=Record)


class SurveyStore:
    """One open survey file. Safe to use from several threads; one process writes, others may read.

    `damaged`: a sentence for each row that could not be read (somebody wrote into the file, or the disk failed). Such
    rows are left out; whoever shows or exports the survey must say so.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        read_only: bool,
        wall_s: Callable[[], float],
        borrowed: tempfile.TemporaryDirectory[str] | None = None,
    ) -> None:
        self.path = path
        self.read_only = read_only
        self.damaged: list[str] = []
        self._db = connection
        self._wall_s = wall_s
        self._lock = threading.RLock()
        self._borrowed = borrowed

    # ---- opening and closing ------------------------------------------------------------------------------

    @classmethod
    def create(
        cls,
        path: str | os.PathLike[str],
        *,
        name: str,
        pool_toml: str,
        emulated: bool,
        units: Units = "si",
        technician: str = "",
        owner: str = "",
        place: str = "",
        software: str = "",
        survey_id: str = "",
        created_s: float = math.nan,
        utc_offset_s: float | None = None,
        wall_s: Callable[[], float] = clock.wall_s,
    ) -> Self:
        """Start a survey file. It appears under its name only when it is complete.

        `survey_id` and `created_s` are for copies of an existing survey (an import). `utc_offset_s`: by how much
        local time at the pool is ahead of UTC, if known."""
        target = Path(path)
        meta: dict[str, Any] = {
            "id": survey_id or str(uuid.uuid4()), "name": name,
            "created_s": created_s if math.isfinite(created_s) else wall_s(), "emulated": bool(emulated),
            "units": units, "technician": technician, "owner": owner, "place": place, "software": software,
        }  # fmt: skip
        if utc_offset_s is not None:
            meta["utc_offset_s"] = utc_offset_s
        create_file(target, meta, pool_toml)
        return cls.open(target, wall_s=wall_s)

    @classmethod
    def open(
        cls, path: str | os.PathLike[str], read_only: bool = False, wall_s: Callable[[], float] = clock.wall_s
    ) -> Self:
        """Open an existing file. Read-only works on a read-only medium and never changes the file."""
        target = Path(path)
        db, borrowed = open_file(target, read_only)
        return cls(target, db, read_only, wall_s, borrowed)

    def close(self) -> None:
        """Fold the log into the one file and close. Closing twice is harmless."""
        with self._lock:
            close_file(self._db, self.read_only)
            if self._borrowed is not None:
                self._borrowed.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    # ---- what the visit is ----------------------------------------------------------------------------------

    def meta(self) -> dict[str, Any]:
        """id, name, created_s, emulated, units, technician, owner, place, software, and whatever was set."""
        rows = self._rows("SELECT key, value FROM meta ORDER BY key")
        meta = {str(k): self._json(v, f"meta {k!r}") for k, v in rows}
        for key, kind in (("id", str), ("name", str), ("created_s", (int, float)), ("emulated", bool)):
            if not isinstance(meta.get(key), kind):
                raise InputError(f"{self.path} is damaged: its meta has no usable {key}")
        return meta

    @property
    def emulated(self) -> bool:
        return bool(self.meta()["emulated"])

    def set_meta(self, key: str, value: Any) -> None:
        if key in ("id", "created_s", "emulated"):
            raise InputError(f"{key} of a survey cannot be changed")
        with self._write() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, _text(value)))

    def pool_toml(self) -> str:
        rows = self._rows("SELECT toml FROM pool ORDER BY revision DESC LIMIT 1")
        if not rows:
            raise InputError(f"{self.path} is damaged: it holds no pool")
        return str(rows[0][0])

    def set_pool_toml(self, toml: str) -> int:
        """A corrected pool description; earlier ones stay. Returns the revision."""
        with self._write() as db:
            return _id(db.execute("INSERT INTO pool(at_s, toml) VALUES (?, ?)", (self._wall_s(), toml)))

    # ---- places ---------------------------------------------------------------------------------------------

    def put_fitting(self, fitting: Fitting) -> None:
        """Add a fitting or change it (by name)."""
        _check_point(fitting.position_m, f"fitting {fitting.name!r}")
        with self._write() as db:
            db.execute(*schema.FITTING.upsert(fitting, self._wall_s()))

    def set_covered(self, name: str, covered: bool, time_s: float = math.nan) -> None:
        with self._write() as db:
            done = db.execute(
                "UPDATE fitting SET covered = ?, at_s = ? WHERE name = ?", (int(covered), self._time(time_s), name)
            )
            if done.rowcount == 0:
                raise InputError(f"there is no fitting {name!r} in this survey: add it first")

    def set_coverable(self, name: str, coverable: bool) -> None:
        with self._write() as db:
            db.execute("UPDATE fitting SET coverable = ? WHERE name = ?", (int(coverable), name))

    def fittings(self) -> list[Fitting]:
        return self._all(schema.FITTING)

    def put_source(self, source: Placement) -> None:
        """Add or move a placement of the injection electrode (by source_id)."""
        _check_point(source.position_m, f"source placement {source.source_id}")
        _check_numbers(source)
        with self._write() as db:
            db.execute(*schema.SOURCE.upsert(source, self._wall_s()))

    def sources(self) -> list[Placement]:
        return self._all(schema.SOURCE)

    # ---- readings -------------------------------------------------------------------------------------------

    def keep(self, reading: KeptReading) -> int:
        """Keep one reading; returns its row when it is on the disk. The same `uid` again returns the same row."""
        _check_point(reading.front_m, f"front electrode at station {reading.station!r}")
        _check_point(reading.back_m, f"back electrode at station {reading.station!r}")
        if not math.isfinite(reading.value_V):
            raise InputError(f"the reading at station {reading.station!r} has no value: wait until it is acquired")
        if not (math.isfinite(reading.sigma_V) and reading.sigma_V > 0.0):
            raise InputError(f"the reading at station {reading.station!r} has no uncertainty and cannot be kept")
        _check_numbers(reading)
        # A new reading counts, and the file numbers it, whatever a copy of it says elsewhere.
        new = structs.replace(reading, uid=reading.uid or str(uuid.uuid4()), row=0, withdrawn_s=None, withdrawn_why="")
        with self._write() as db:
            known = db.execute("SELECT row FROM reading WHERE uid = ?", (new.uid,)).fetchone()
            if known is not None:
                return int(known[0])
            return _id(db.execute(*schema.READING.insert(new, self._wall_s())))

    def withdraw(self, row: int, why: str, time_s: float = math.nan) -> None:
        """Take a reading back (wrong place, pole knocked). It stays in the file and in the tables, marked."""
        with self._write() as db:
            done = db.execute(
                "UPDATE reading SET withdrawn_s = ?, withdrawn_why = ? WHERE row = ?", (self._time(time_s), why, row)
            )
            if done.rowcount == 0:
                raise InputError(f"there is no reading {row} in this survey")

    def readings(self, purpose: Purpose | None = None, withdrawn: bool = False) -> list[KeptReading]:
        """Kept readings in the order they were kept; withdrawn ones only when asked for."""
        conditions, parameters = [], []
        if purpose is not None:
            conditions.append("purpose = ?")
            parameters.append(purpose)
        if not withdrawn:
            conditions.append("withdrawn_s IS NULL")
        return self._all(schema.READING, " AND ".join(conditions), parameters)

    # ---- settings, test leak, safety ------------------------------------------------------------------------

    def add_settings(self, value: dict[str, Any]) -> int:
        """The measuring settings from now on (spacing, waveform, frequency, range, window, current limit).

        Unchanged settings get the number that they have; changed ones a new number."""
        text = _text(value)
        with self._write() as db:
            last = db.execute("SELECT id, value FROM settings ORDER BY id DESC LIMIT 1").fetchone()
            if last is not None and _same_json(last[1], text):
                return int(last[0])
            return _id(db.execute("INSERT INTO settings(at_s, value) VALUES (?, ?)", (self._wall_s(), text)))

    def settings(self) -> dict[int, dict[str, Any]]:
        rows = self._rows("SELECT id, value FROM settings ORDER BY id")
        return {int(i or 0): self._json(v, f"settings {i}", dict) for i, v in rows}

    def add_sensitivity_test(self, test: SensitivityTest) -> int:
        return self._add(schema.SENSITIVITY_TEST, test)

    def sensitivity_tests(self) -> list[SensitivityTest]:
        return self._all(schema.SENSITIVITY_TEST)

    def add_safety_check(self, check: SafetyCheck) -> int:
        return self._add(schema.SAFETY_CHECK, check)

    def safety_checks(self) -> list[SafetyCheck]:
        return self._all(schema.SAFETY_CHECK)

    # ---- findings -------------------------------------------------------------------------------------------

    def put_finding(self, finding: Finding) -> int:
        """Add a finding as suspected (number 0 = next free), or update position and strength of a known one.

        The history belongs to `set_finding_stage`; what is in `finding.history` is not written."""
        _check_point(finding.position_m, f"finding {finding.number}")
        now = self._time(finding.time_s)
        with self._write() as db:
            number = finding.number
            if number <= 0:
                number = int(db.execute("SELECT coalesce(max(number), 0) + 1 FROM finding").fetchone()[0])
            known = db.execute("SELECT 1 FROM finding WHERE number = ?", (number,)).fetchone()
            db.execute(*schema.FINDING.upsert(structs.replace(finding, number=number), now, keep=("at_s",)))
            if known is None:
                first = FindingStage(stage="suspected", time_s=now)
                db.execute(*schema.FINDING_STAGE.insert(first, now, number))
            return number

    def set_finding_stage(
        self, number: int, stage: str, note: str = "", result: dict[str, Any] | None = None, time_s: float = math.nan
    ) -> None:
        """Move a finding on. `result`: the measured outcome, for example of a re-measurement."""
        with self._write() as db:
            last = db.execute(
                "SELECT stage FROM finding_stage WHERE finding = ? ORDER BY id DESC LIMIT 1", (number,)
            ).fetchone()
            if last is None:
                raise InputError(f"there is no finding {number} in this survey")
            allowed = NEXT_STAGES.get(str(last[0]), ())
            if stage not in allowed:
                raise InputError(
                    f"finding {number} is {last[0]!r} and cannot become {stage!r}: next is {' or '.join(allowed)}"
                )
            now = self._time(time_s)
            new = FindingStage(stage=stage, time_s=now, note=note, result=result)
            db.execute(*schema.FINDING_STAGE.insert(new, now, number))

    def take_back_stage(self, number: int, time_s: float = math.nan) -> None:
        """A finding is again what it was before its last stage; both stay in the file."""
        with self._write() as db:
            stages = db.execute(
                "SELECT stage FROM finding_stage WHERE finding = ? ORDER BY id DESC LIMIT 2", (number,)
            ).fetchall()
            if len(stages) < 2:
                raise InputError(f"finding {number} has no stage that could be taken back")
            db.execute(
                "INSERT INTO finding_stage(finding, at_s, stage, note) VALUES (?,?,?,?)",
                (number, self._time(time_s), stages[1][0], f"taken back: {stages[0][0]}"),
            )

    def findings(self) -> list[Finding]:
        history: dict[int, list[FindingStage]] = {}
        for number, stage in self._built(schema.FINDING_STAGE):
            history.setdefault(number, []).append(stage)
        found = self._all(schema.FINDING)
        return [structs.replace(f, history=tuple(history.get(f.number, ()))) for f in found]

    # ---- what accounts for it -------------------------------------------------------------------------------

    def add_loss_test(self, test: LossTest) -> int:
        return self._add(schema.LOSS_TEST, test)

    def loss_tests(self) -> list[LossTest]:
        return self._all(schema.LOSS_TEST)

    def add_current_step(self, step: CurrentStep) -> int:
        _check_numbers(step)
        return self._add(schema.CURRENT_STEP, step)

    def current_steps(self) -> list[CurrentStep]:
        return self._all(schema.CURRENT_STEP)

    def add_location(self, result: dict[str, Any], time_s: float = math.nan) -> int:
        """The location result as `earthward locate --json` gives it; the latest one counts."""
        with self._write() as db:
            return _id(
                db.execute("INSERT INTO location(at_s, result) VALUES (?, ?)", (self._time(time_s), _text(result)))
            )

    def location(self) -> dict[str, Any] | None:
        rows = self._rows("SELECT result FROM location ORDER BY id DESC LIMIT 1")
        return self._json(rows[0][0], "the location result", dict) if rows else None

    # ---- log ------------------------------------------------------------------------------------------------

    def add_event(self, severity: Severity, code: str, text: str, remedy: str = "", time_s: float = math.nan) -> Event:
        event = Event(severity=severity, code=code, text=text, remedy=remedy, time_s=self._time(time_s))
        return structs.replace(event, number=self._add(schema.EVENT, event))

    def events(self) -> list[Event]:
        return self._all(schema.EVENT)

    def add_note(self, text: str, time_s: float = math.nan) -> None:
        self._add(schema.NOTE, Note(text=text, time_s=time_s))

    def notes(self) -> list[Note]:
        return self._all(schema.NOTE)

    def add_photo(self, photo: Photo) -> None:
        self._add(schema.PHOTO, photo)

    def photos(self) -> list[Photo]:
        return self._all(schema.PHOTO)

    # ---- inside ---------------------------------------------------------------------------------------------

    def _time(self, time_s: float) -> float:
        return time_s if math.isfinite(time_s) else self._wall_s()

    def _add(self, table: Table[T], item: T) -> int:
        with self._write() as db:
            return _id(db.execute(*table.insert(item, self._wall_s())))

    def _all(self, table: Table[T], where: str = "", parameters: Sequence[Any] = ()) -> list[T]:
        return [item for _, item in self._built(table, where, parameters)]

    def _built(self, table: Table[T], where: str = "", parameters: Sequence[Any] = ()) -> Iterator[tuple[int, T]]:
        """(parent, item) of each row; a row that cannot be read is left out and noted in `damaged`."""
        for number, parent, *cells in self._rows(table.select(where), parameters):
            try:
                yield parent, table.build(tuple(cells))
            except (msgspec.MsgspecError, ValueError, TypeError, RecursionError) as error:
                sentence = f"{self.path}: row {number} of {table.name} is damaged and left out: {in_one_line(error)}"
                if sentence not in self.damaged:
                    self.damaged.append(sentence)

    def _json(self, text: Any, what: str, kind: type = object) -> Any:
        try:
            value = json.loads(text)
        except (ValueError, TypeError, RecursionError) as error:
            raise InputError(f"{self.path} is damaged: {what} cannot be read ({in_one_line(error)})") from None
        if not isinstance(value, kind):
            raise InputError(f"{self.path} is damaged: {what} is not what it should be")
        return value

    def _rows(self, query: str, parameters: Sequence[Any] = ()) -> list[Any]:
        with self._lock:
            try:
                return self._db.execute(query, parameters).fetchall()
            except DAMAGE as error:
                raise InputError(f"{self.path} is damaged: {in_one_line(error)}") from error

    @contextlib.contextmanager
    def _write(self) -> Iterator[sqlite3.Connection]:
        """One transaction: whole or not at all, and on the disk when the block is left."""
        if self.read_only:
            raise InputError(f"{self.path} is open for reading only")
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except BaseException as error:
                if self._db.in_transaction:
                    with contextlib.suppress(sqlite3.Error):  # the disk may refuse even that; nothing was committed
                        self._db.execute("ROLLBACK")
                if isinstance(error, sqlite3.OperationalError):
                    raise InputError(
                        f"the survey {self.path} cannot be written ({in_one_line(error)}): make room on its disk or "
                        "check it; what was kept before is safe"
                    ) from error
                if isinstance(error, DAMAGE):
                    raise InputError(
                        f"the survey {self.path} cannot be written ({in_one_line(error)}): its file is damaged; begin "
                        "a new survey and keep this file"
                    ) from error
                raise


def _id(cursor: sqlite3.Cursor) -> int:
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _check_point(point: Point, what: str) -> None:
    if len(point) != 3 or not all(math.isfinite(c) for c in point):
        raise InputError(f"{what} needs three finite coordinates in metres, not {point}")


def _check_numbers(item: Record) -> None:
    """A number that is given must be one. A time that is not known may be left open: the store fills it in."""
    for name, value in structs.asdict(item).items():
        if isinstance(value, float) and not math.isfinite(value) and name != "time_s":
            raise InputError(f"{name} is {value}: give a number or leave it out")


def _text(value: Any) -> str:
    """JSON that any reader accepts: infinities and not-a-numbers become null."""
    return msgspec.json.encode(value, order="sorted").decode()


def _same_json(one: str, other: str) -> bool:
    """Earlier versions spaced the text differently."""
    return one == other or json.loads(one) == json.loads(other)
