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
import shutil
import sqlite3
import tempfile
import threading
import uuid
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, Self
from urllib.parse import quote

from earthward import clock
from earthward.errors import InputError
from earthward.record.base import Point
from earthward.record.event import Event, Severity
from earthward.record.finding import NEXT_STAGES, Finding, FindingStage
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading, Purpose
from earthward.record.visit import CurrentStep, LossTest, Note, Photo, SafetyCheck, SensitivityTest
from earthward.units import Units

#: marks the file as ours ("EWsv")
APPLICATION_ID = 0x45577376

# One step per schema version: a new file runs them all, an old one the missing ones. Never edit a step that
# has been in a release; add one.
MIGRATIONS: tuple[str, ...] = (
    # 1: the visit, its places and readings
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE pool (revision INTEGER PRIMARY KEY, at_s REAL NOT NULL, toml TEXT NOT NULL);
    CREATE TABLE fitting (
        name TEXT PRIMARY KEY, kind TEXT NOT NULL, x_m REAL NOT NULL, y_m REAL NOT NULL, z_m REAL NOT NULL,
        covered INTEGER NOT NULL DEFAULT 0, at_s REAL NOT NULL, note TEXT NOT NULL DEFAULT '');
    CREATE TABLE source (
        source_id INTEGER PRIMARY KEY, x_m REAL NOT NULL, y_m REAL NOT NULL, z_m REAL NOT NULL,
        current_A REAL, at_s REAL NOT NULL, note TEXT NOT NULL DEFAULT '');
    CREATE TABLE safety_check (
        id INTEGER PRIMARY KEY, at_s REAL NOT NULL, name TEXT NOT NULL, ok INTEGER NOT NULL,
        value REAL, unit TEXT NOT NULL DEFAULT '', limit_value REAL, text TEXT NOT NULL DEFAULT '');
    CREATE TABLE reading (
        row INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE, at_s REAL NOT NULL, station TEXT NOT NULL,
        source_id INTEGER NOT NULL, channel INTEGER NOT NULL,
        front_x_m REAL NOT NULL, front_y_m REAL NOT NULL, front_z_m REAL NOT NULL,
        back_x_m REAL NOT NULL, back_y_m REAL NOT NULL, back_z_m REAL NOT NULL,
        value_V REAL NOT NULL, sigma_V REAL NOT NULL, quadrature_V REAL, snr REAL, p_sign REAL,
        window_s REAL, lost_fraction REAL, flags TEXT NOT NULL DEFAULT '[]', injected_A REAL,
        note TEXT NOT NULL DEFAULT '');
    CREATE TABLE finding (
        number INTEGER PRIMARY KEY, at_s REAL NOT NULL, x_m REAL NOT NULL, y_m REAL NOT NULL, z_m REAL NOT NULL,
        radius_m REAL, current_A REAL, current_low_A REAL, current_high_A REAL, hole_low_mm REAL, hole_high_mm REAL,
        text TEXT NOT NULL DEFAULT '');
    CREATE TABLE finding_stage (
        id INTEGER PRIMARY KEY, finding INTEGER NOT NULL REFERENCES finding(number), at_s REAL NOT NULL,
        stage TEXT NOT NULL, note TEXT NOT NULL DEFAULT '');
    CREATE TABLE note (id INTEGER PRIMARY KEY, at_s REAL NOT NULL, text TEXT NOT NULL);
    CREATE TABLE event (
        number INTEGER PRIMARY KEY AUTOINCREMENT, at_s REAL NOT NULL, severity TEXT NOT NULL, code TEXT NOT NULL,
        text TEXT NOT NULL, remedy TEXT NOT NULL DEFAULT '');
    """,
    # 2: what proves the survey: why a reading was taken, the test leak, settings, readings taken back
    """
    ALTER TABLE reading ADD COLUMN purpose TEXT NOT NULL DEFAULT 'survey';
    ALTER TABLE reading ADD COLUMN finding INTEGER;
    ALTER TABLE reading ADD COLUMN settings_id INTEGER;
    ALTER TABLE reading ADD COLUMN withdrawn_s REAL;
    ALTER TABLE reading ADD COLUMN withdrawn_why TEXT NOT NULL DEFAULT '';
    CREATE TABLE settings (id INTEGER PRIMARY KEY, at_s REAL NOT NULL, value TEXT NOT NULL);
    CREATE TABLE proof (
        id INTEGER PRIMARY KEY, at_s REAL NOT NULL, settings_id INTEGER, ok INTEGER NOT NULL, result TEXT NOT NULL);
    CREATE INDEX reading_station ON reading(station);
    """,
    # 3: what closes the job: water loss, current steps, location results, photographs
    """
    ALTER TABLE finding_stage ADD COLUMN result TEXT NOT NULL DEFAULT '{}';
    CREATE TABLE loss_test (
        id INTEGER PRIMARY KEY, at_s REAL NOT NULL, moment TEXT NOT NULL, log_csv TEXT NOT NULL, result TEXT NOT NULL);
    CREATE TABLE current_step (
        id INTEGER PRIMARY KEY, at_s REAL NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
        source_id INTEGER NOT NULL, before_A REAL NOT NULL, before_sigma_A REAL NOT NULL,
        after_A REAL NOT NULL, after_sigma_A REAL NOT NULL, note TEXT NOT NULL DEFAULT '');
    CREATE TABLE location (id INTEGER PRIMARY KEY, at_s REAL NOT NULL, result TEXT NOT NULL);
    CREATE TABLE photo (
        id INTEGER PRIMARY KEY, at_s REAL NOT NULL, path TEXT NOT NULL, caption TEXT NOT NULL DEFAULT '',
        finding INTEGER, station TEXT NOT NULL DEFAULT '', sha256 TEXT NOT NULL DEFAULT '');
    """,
    # 4: the source's output voltage beside its current: only both together give a sink's share
    """
    ALTER TABLE current_step ADD COLUMN before_V REAL;
    ALTER TABLE current_step ADD COLUMN after_V REAL;
    """,
    # 5: what earlier files said as text gets its own column: state of the test leak, what a step of current was done to
    """
    ALTER TABLE reading ADD COLUMN turn TEXT NOT NULL DEFAULT '';
    ALTER TABLE reading ADD COLUMN test_leak TEXT;
    UPDATE reading SET test_leak = note, note = ''
        WHERE purpose = 'test leak' AND note IN ('connected', 'disconnected');
    ALTER TABLE current_step ADD COLUMN fitting TEXT NOT NULL DEFAULT '';
    ALTER TABLE current_step ADD COLUMN finding INTEGER;
    UPDATE current_step SET finding = CAST(substr(subject, 9) AS INTEGER)
        WHERE kind = 'patch' AND subject GLOB 'finding [0-9]*';
    UPDATE current_step SET fitting = subject WHERE finding IS NULL;
    ALTER TABLE current_step DROP COLUMN subject;
    """,
)
SCHEMA_VERSION = len(MIGRATIONS)


class SurveyStore:
    """One open survey file. Safe to use from several threads; one process writes, others may read."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, read_only: bool, wall_s: Callable[[], float]
    ) -> None:
        self.path = path
        self.read_only = read_only
        self._db = connection
        self._wall_s = wall_s
        self._lock = threading.RLock()
        self._borrowed: tempfile.TemporaryDirectory[str] | None = None

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
        wall_s: Callable[[], float] = clock.wall_s,
    ) -> Self:
        """Start a survey file. It appears under its name only when it is complete.

        `survey_id` and `created_s` are for copies of an existing survey (an import)."""
        target = Path(path)
        if target.exists():
            raise InputError(f"{target} exists already: open it, or choose another name for a new survey")
        if not target.parent.is_dir():
            raise InputError(f"{target.parent} is no folder: create it first")
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
        os.close(handle)
        try:
            db = sqlite3.connect(temporary, isolation_level=None)
            with contextlib.closing(db):
                db.execute("PRAGMA synchronous = FULL")
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                _migrate(db, 0)
                now = created_s if math.isfinite(created_s) else wall_s()
                meta: dict[str, Any] = {
                    "id": survey_id or str(uuid.uuid4()), "name": name, "created_s": now, "emulated": bool(emulated),
                    "units": units, "technician": technician, "owner": owner, "place": place, "software": software,
                }  # fmt: skip
                db.execute("BEGIN IMMEDIATE")
                db.executemany("INSERT INTO meta VALUES (?, ?)", [(k, json.dumps(v)) for k, v in meta.items()])
                db.execute("INSERT INTO pool(at_s, toml) VALUES (?, ?)", (now, pool_toml))
                db.execute("COMMIT")
            # mkstemp makes the file private; a survey is as shareable as any other file of its owner's.
            os.chmod(temporary, 0o666 & ~_umask())
            _flush_file(Path(temporary))
            try:
                os.link(temporary, target)  # unlike rename it refuses to replace a file that appeared meanwhile
            except FileExistsError:
                raise InputError(f"{target} exists already: open it, or choose another name") from None
            except OSError:
                os.rename(temporary, target)  # file systems without hard links (a memory stick)
        finally:
            Path(temporary).unlink(missing_ok=True)
        _flush_folder(target.parent)
        return cls.open(target, wall_s=wall_s)

    @classmethod
    def open(
        cls, path: str | os.PathLike[str], read_only: bool = False, wall_s: Callable[[], float] = clock.wall_s
    ) -> Self:
        """Open an existing file. Read-only works on a read-only medium and never changes the file."""
        target = Path(path)
        if not target.is_file():
            raise InputError(f"{target} is not there: give the path of a survey file")
        with target.open("rb") as file:
            head = file.read(16)
        if head != b"SQLite format 3\x00":
            raise InputError(f"{target} is no survey file (not an SQLite database)")
        borrowed: tempfile.TemporaryDirectory[str] | None = None
        try:
            if read_only:
                db, borrowed = _connect_read_only(target)
            else:
                db = sqlite3.connect(
                    f"file:{quote(str(target.absolute()))}?mode=rw",
                    uri=True, isolation_level=None, check_same_thread=False, timeout=10.0,
                )  # fmt: skip
        except sqlite3.Error as error:
            raise InputError(f"{target} cannot be opened: {error}") from error
        try:
            _check_identity(db, target)
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            if version > SCHEMA_VERSION:
                raise InputError(
                    f"{target} was written by a later version of Earthward (format {version}, this one reads up to "
                    f"{SCHEMA_VERSION}): install the later version to open it"
                )
            if read_only and version < SCHEMA_VERSION:
                # Bring a copy forward; the file itself stays as it is.
                memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
                db.backup(memory)
                db.close()
                db = memory
                _migrate(db, version)
                db.execute("PRAGMA query_only = ON")
            elif not read_only:
                db.execute("PRAGMA journal_mode = WAL")
                db.execute("PRAGMA synchronous = FULL")
                db.execute("PRAGMA foreign_keys = ON")
                if version < SCHEMA_VERSION:
                    _migrate(db, version)
                _flush_folder(target.parent)
        except sqlite3.DatabaseError as error:
            db.close()
            raise InputError(f"{target} cannot be used: {error}") from error
        except InputError:
            db.close()
            raise
        store = cls(target, db, read_only, wall_s)
        store._borrowed = borrowed
        return store

    def close(self) -> None:
        """Fold the log into the one file and close. Closing twice is harmless."""
        with self._lock:
            if not self.read_only:
                # Another reader may hold the log open: then it stays beside the file and nothing is lost.
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                    # Without a log mode in its header the file opens anywhere, also on a medium nobody can write.
                    self._db.execute("PRAGMA journal_mode = DELETE")
            self._db.close()
            if self._borrowed is not None:
                self._borrowed.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    # ---- what the visit is ----------------------------------------------------------------------------------

    def meta(self) -> dict[str, Any]:
        """id, name, created_s, emulated, units, technician, owner, place, software, and whatever was set."""
        return {k: json.loads(v) for k, v in self._rows("SELECT key, value FROM meta ORDER BY key")}

    @property
    def emulated(self) -> bool:
        return bool(self.meta()["emulated"])

    def set_meta(self, key: str, value: Any) -> None:
        if key in ("id", "created_s", "emulated"):
            raise InputError(f"{key} of a survey cannot be changed")
        with self._write() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, _dump(value)))

    def pool_toml(self) -> str:
        return str(self._rows("SELECT toml FROM pool ORDER BY revision DESC LIMIT 1")[0][0])

    def set_pool_toml(self, toml: str) -> int:
        """A corrected pool description; earlier ones stay. Returns the revision."""
        with self._write() as db:
            return _id(db.execute("INSERT INTO pool(at_s, toml) VALUES (?, ?)", (self._wall_s(), toml)))

    # ---- places ---------------------------------------------------------------------------------------------

    def put_fitting(self, fitting: Fitting) -> None:
        """Add a fitting or change it (by name)."""
        _check_point(fitting.position_m, f"fitting {fitting.name!r}")
        with self._write() as db:
            db.execute(
                "INSERT INTO fitting(name, kind, x_m, y_m, z_m, covered, at_s, note) VALUES (?,?,?,?,?,?,?,?) "
                "ON CONFLICT(name) DO UPDATE SET kind=excluded.kind, x_m=excluded.x_m, y_m=excluded.y_m, "
                "z_m=excluded.z_m, covered=excluded.covered, at_s=excluded.at_s, note=excluded.note",
                (
                    fitting.name, fitting.kind, *fitting.position_m, int(fitting.covered),
                    self._time(fitting.time_s), fitting.note,
                ),
            )  # fmt: skip

    def set_covered(self, name: str, covered: bool, time_s: float = math.nan) -> None:
        with self._write() as db:
            done = db.execute(
                "UPDATE fitting SET covered = ?, at_s = ? WHERE name = ?", (int(covered), self._time(time_s), name)
            )
            if done.rowcount == 0:
                raise InputError(f"there is no fitting {name!r} in this survey: add it first")

    def fittings(self) -> list[Fitting]:
        query = "SELECT name, kind, x_m, y_m, z_m, covered, at_s, note FROM fitting ORDER BY rowid"
        return [
            Fitting(name=r[0], kind=r[1], position_m=(r[2], r[3], r[4]), covered=bool(r[5]), time_s=r[6], note=r[7])
            for r in self._rows(query)
        ]

    def put_source(self, source: Placement) -> None:
        """Add or move a placement of the injection electrode (by source_id)."""
        _check_point(source.position_m, f"source placement {source.source_id}")
        with self._write() as db:
            db.execute(
                "INSERT OR REPLACE INTO source(source_id, x_m, y_m, z_m, current_A, at_s, note) VALUES (?,?,?,?,?,?,?)",
                (
                    source.source_id, *source.position_m, _finite_or_none(source.current_A, "current_A"),
                    self._time(source.time_s), source.note,
                ),
            )  # fmt: skip

    def sources(self) -> list[Placement]:
        query = "SELECT source_id, x_m, y_m, z_m, current_A, at_s, note FROM source ORDER BY source_id"
        return [
            Placement(source_id=r[0], position_m=(r[1], r[2], r[3]), current_A=r[4], time_s=r[5], note=r[6])
            for r in self._rows(query)
        ]

    # ---- readings -------------------------------------------------------------------------------------------

    def keep(self, reading: KeptReading) -> int:
        """Keep one reading; returns its row when it is on the disk. The same `uid` again returns the same row."""
        _check_point(reading.front_m, f"front electrode at station {reading.station!r}")
        _check_point(reading.back_m, f"back electrode at station {reading.station!r}")
        if not math.isfinite(reading.value_V):
            raise InputError(f"the reading at station {reading.station!r} has no value: wait until it is acquired")
        if not (math.isfinite(reading.sigma_V) and reading.sigma_V > 0.0):
            raise InputError(f"the reading at station {reading.station!r} has no uncertainty and cannot be kept")
        uid = reading.uid or str(uuid.uuid4())
        values = (
            uid, self._time(reading.time_s), reading.station, reading.source_id, reading.channel,
            *reading.front_m, *reading.back_m, reading.value_V, reading.sigma_V,
            *(
                _finite_or_none(getattr(reading, key), key)
                for key in ("quadrature_V", "snr", "p_sign", "window_s", "lost_fraction")
            ),
            json.dumps(list(reading.flags)), _finite_or_none(reading.injected_A, "injected_A"), reading.note,
            reading.purpose, reading.finding, reading.settings_id, reading.turn, reading.test_leak,
        )  # fmt: skip
        with self._write() as db:
            known = db.execute("SELECT row FROM reading WHERE uid = ?", (uid,)).fetchone()
            if known is not None:
                return int(known[0])
            return _id(
                db.execute(
                    "INSERT INTO reading(uid, at_s, station, source_id, channel, front_x_m, front_y_m, front_z_m, "
                    "back_x_m, back_y_m, back_z_m, value_V, sigma_V, quadrature_V, snr, p_sign, window_s, "
                    "lost_fraction, flags, injected_A, note, purpose, finding, settings_id, turn, "
                    "test_leak) "
                    f"VALUES ({','.join('?' * 26)})",
                    values,
                )
            )

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
        query = (
            "SELECT row, uid, at_s, station, source_id, channel, front_x_m, front_y_m, front_z_m, back_x_m, back_y_m, "
            "back_z_m, value_V, sigma_V, quadrature_V, snr, p_sign, window_s, lost_fraction, flags, injected_A, note, "
            "purpose, finding, settings_id, withdrawn_s, withdrawn_why, turn, test_leak FROM reading"
        )
        conditions, parameters = [], []
        if purpose is not None:
            conditions.append("purpose = ?")
            parameters.append(purpose)
        if not withdrawn:
            conditions.append("withdrawn_s IS NULL")
        if conditions:
            query += " WHERE " + " AND ".join(conditions)
        return [_reading(r) for r in self._rows(query + " ORDER BY row", tuple(parameters))]

    # ---- settings, test leak, safety ------------------------------------------------------------------------

    def add_settings(self, value: dict[str, Any]) -> int:
        """The measuring settings from now on (spacing, waveform, frequency, range, window, current limit).

        Unchanged settings get the number that they have; changed ones a new number."""
        text = _dump(value, sort_keys=True)
        with self._write() as db:
            last = db.execute("SELECT id, value FROM settings ORDER BY id DESC LIMIT 1").fetchone()
            if last is not None and last[1] == text:
                return int(last[0])
            return _id(db.execute("INSERT INTO settings(at_s, value) VALUES (?, ?)", (self._wall_s(), text)))

    def settings(self) -> dict[int, dict[str, Any]]:
        return {int(i): json.loads(v) for i, v in self._rows("SELECT id, value FROM settings ORDER BY id")}

    def add_proof(self, proof: SensitivityTest) -> int:
        with self._write() as db:
            return _id(
                db.execute(
                    "INSERT INTO proof(at_s, settings_id, ok, result) VALUES (?,?,?,?)",
                    (self._time(proof.time_s), proof.settings_id, int(proof.ok), _dump(proof.result)),
                )
            )

    def proofs(self) -> list[SensitivityTest]:
        return [
            SensitivityTest(time_s=r[0], settings_id=r[1], ok=bool(r[2]), result=json.loads(r[3]))
            for r in self._rows("SELECT at_s, settings_id, ok, result FROM proof ORDER BY id")
        ]

    def add_safety_check(self, check: SafetyCheck) -> int:
        with self._write() as db:
            return _id(
                db.execute(
                    "INSERT INTO safety_check(at_s, name, ok, value, unit, limit_value, text) VALUES (?,?,?,?,?,?,?)",
                    (
                        self._time(check.time_s), check.name, int(check.ok), _finite_or_none(check.value, "value"),
                        check.unit, _finite_or_none(check.limit_value, "limit_value"), check.text,
                    ),
                )
            )  # fmt: skip

    def safety_checks(self) -> list[SafetyCheck]:
        query = "SELECT name, ok, value, unit, limit_value, text, at_s FROM safety_check ORDER BY id"
        return [
            SafetyCheck(name=r[0], ok=bool(r[1]), value=r[2], unit=r[3], limit_value=r[4], text=r[5], time_s=r[6])
            for r in self._rows(query)
        ]

    # ---- findings -------------------------------------------------------------------------------------------

    def put_finding(self, finding: Finding) -> int:
        """Add a finding as suspected (number 0 = next free), or update position and strength of a known one.

        The history belongs to `set_finding_stage`; what is in `finding.history` is not written."""
        _check_point(finding.position_m, f"finding {finding.number}")
        now = self._time(finding.time_s)
        current = finding.current_interval_A or (None, None)
        hole = finding.hole_diameter_mm or (None, None)
        with self._write() as db:
            number = finding.number
            if number <= 0:
                number = int(db.execute("SELECT coalesce(max(number), 0) + 1 FROM finding").fetchone()[0])
            known = db.execute("SELECT 1 FROM finding WHERE number = ?", (number,)).fetchone()
            db.execute(
                "INSERT INTO finding(number, at_s, x_m, y_m, z_m, radius_m, current_A, current_low_A, current_high_A, "
                "hole_low_mm, hole_high_mm, text) VALUES (?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT(number) DO UPDATE SET "
                "x_m=excluded.x_m, y_m=excluded.y_m, z_m=excluded.z_m, radius_m=excluded.radius_m, "
                "current_A=excluded.current_A, current_low_A=excluded.current_low_A, "
                "current_high_A=excluded.current_high_A, hole_low_mm=excluded.hole_low_mm, "
                "hole_high_mm=excluded.hole_high_mm, text=excluded.text",
                (
                    number, now, *finding.position_m, finding.radius_m, finding.current_A, *current, *hole,
                    finding.text,
                ),
            )  # fmt: skip
            if known is None:
                db.execute("INSERT INTO finding_stage(finding, at_s, stage) VALUES (?, ?, 'suspected')", (number, now))
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
            if stage not in NEXT_STAGES[last[0]]:
                raise InputError(
                    f"finding {number} is {last[0]!r} and cannot become {stage!r}: next is "
                    f"{' or '.join(NEXT_STAGES[last[0]])}"
                )
            db.execute(
                "INSERT INTO finding_stage(finding, at_s, stage, note, result) VALUES (?,?,?,?,?)",
                (number, self._time(time_s), stage, note, _dump(result or {})),
            )

    def findings(self) -> list[Finding]:
        history: dict[int, list[FindingStage]] = {}
        for number, stage, at_s, note, result in self._rows(
            "SELECT finding, stage, at_s, note, result FROM finding_stage ORDER BY id"
        ):
            parsed = json.loads(result)
            history.setdefault(number, []).append(
                FindingStage(stage=stage, time_s=at_s, note=note, result=parsed or None)
            )
        query = (
            "SELECT number, x_m, y_m, z_m, radius_m, current_A, current_low_A, current_high_A, hole_low_mm, "
            "hole_high_mm, text, at_s FROM finding ORDER BY number"
        )
        return [
            Finding(
                number=r[0],
                position_m=(r[1], r[2], r[3]),
                radius_m=r[4],
                current_A=r[5],
                current_interval_A=None if r[6] is None or r[7] is None else (r[6], r[7]),
                hole_diameter_mm=None if r[8] is None or r[9] is None else (r[8], r[9]),
                text=r[10],
                time_s=r[11],
                history=tuple(history.get(r[0], ())),
            )
            for r in self._rows(query)
        ]

    # ---- what accounts for it -------------------------------------------------------------------------------

    def add_loss_test(self, test: LossTest) -> int:
        with self._write() as db:
            return _id(
                db.execute(
                    "INSERT INTO loss_test(at_s, moment, log_csv, result) VALUES (?,?,?,?)",
                    (self._time(test.time_s), test.moment, test.log_csv, _dump(test.result)),
                )
            )

    def loss_tests(self) -> list[LossTest]:
        return [
            LossTest(time_s=r[0], moment=r[1], log_csv=r[2], result=json.loads(r[3]))
            for r in self._rows("SELECT at_s, moment, log_csv, result FROM loss_test ORDER BY id")
        ]

    def add_current_step(self, step: CurrentStep) -> int:
        with self._write() as db:
            return _id(
                db.execute(
                    "INSERT INTO current_step(at_s, kind, fitting, finding, source_id, before_A, before_sigma_A, "
                    "after_A, after_sigma_A, note, before_V, after_V) VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
                    (
                        self._time(step.time_s), step.kind, step.fitting, step.finding, step.source_id,
                        step.before_A, step.before_sigma_A, step.after_A, step.after_sigma_A, step.note,
                        _finite_or_none(step.before_V, "before_V"), _finite_or_none(step.after_V, "after_V"),
                    ),
                )
            )  # fmt: skip

    def current_steps(self) -> list[CurrentStep]:
        query = (
            "SELECT at_s, kind, fitting, finding, source_id, before_A, before_sigma_A, after_A, after_sigma_A, note, "
            "before_V, after_V FROM current_step ORDER BY id"
        )
        return [
            CurrentStep(
                time_s=r[0], kind=r[1], fitting=r[2], finding=r[3], source_id=r[4], before_A=r[5], before_sigma_A=r[6],
                after_A=r[7], after_sigma_A=r[8], note=r[9], before_V=r[10], after_V=r[11],
            )
            for r in self._rows(query)
        ]  # fmt: skip

    def add_location(self, result: dict[str, Any], time_s: float = math.nan) -> int:
        """The location result as `earthward locate --json` gives it; the latest one counts."""
        with self._write() as db:
            return _id(
                db.execute("INSERT INTO location(at_s, result) VALUES (?, ?)", (self._time(time_s), _dump(result)))
            )

    def location(self) -> dict[str, Any] | None:
        rows = self._rows("SELECT result FROM location ORDER BY id DESC LIMIT 1")
        return dict(json.loads(rows[0][0])) if rows else None

    # ---- log ------------------------------------------------------------------------------------------------

    def add_event(self, severity: Severity, code: str, text: str, remedy: str = "", time_s: float = math.nan) -> Event:
        with self._write() as db:
            at_s = self._time(time_s)
            number = _id(
                db.execute(
                    "INSERT INTO event(at_s, severity, code, text, remedy) VALUES (?,?,?,?,?)",
                    (at_s, severity, code, text, remedy),
                )
            )
        return Event(number=number, time_s=at_s, severity=severity, code=code, text=text, remedy=remedy)

    def events(self) -> list[Event]:
        return [
            Event(number=r[0], time_s=r[1], severity=r[2], code=r[3], text=r[4], remedy=r[5])
            for r in self._rows("SELECT number, at_s, severity, code, text, remedy FROM event ORDER BY number")
        ]

    def add_note(self, text: str, time_s: float = math.nan) -> None:
        with self._write() as db:
            db.execute("INSERT INTO note(at_s, text) VALUES (?, ?)", (self._time(time_s), text))

    def notes(self) -> list[Note]:
        return [Note(time_s=r[0], text=r[1]) for r in self._rows("SELECT at_s, text FROM note ORDER BY id")]

    def add_photo(self, photo: Photo) -> None:
        with self._write() as db:
            db.execute(
                "INSERT INTO photo(at_s, path, caption, finding, station, sha256) VALUES (?,?,?,?,?,?)",
                (self._time(photo.time_s), photo.path, photo.caption, photo.finding, photo.station, photo.sha256),
            )

    def photos(self) -> list[Photo]:
        return [
            Photo(time_s=r[0], path=r[1], caption=r[2], finding=r[3], station=r[4], sha256=r[5])
            for r in self._rows("SELECT at_s, path, caption, finding, station, sha256 FROM photo ORDER BY id")
        ]

    # ---- inside ---------------------------------------------------------------------------------------------

    def _time(self, time_s: float) -> float:
        return time_s if math.isfinite(time_s) else self._wall_s()

    def _rows(self, query: str, parameters: Sequence[Any] = ()) -> list[Any]:
        with self._lock:
            return self._db.execute(query, parameters).fetchall()

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
                    self._db.execute("ROLLBACK")
                if isinstance(error, sqlite3.OperationalError):
                    raise InputError(
                        f"the survey {self.path} cannot be written ({error}): make room on its disk or check it; what "
                        "was kept before is safe"
                    ) from error
                raise


def _reading(r: Sequence[Any]) -> KeptReading:
    return KeptReading(
        row=r[0], uid=r[1], time_s=r[2], station=r[3], source_id=r[4], channel=r[5], front_m=(r[6], r[7], r[8]),
        back_m=(r[9], r[10], r[11]), value_V=r[12], sigma_V=r[13], quadrature_V=r[14], snr=r[15], p_sign=r[16],
        window_s=r[17], lost_fraction=r[18], flags=tuple(json.loads(r[19])), injected_A=r[20], note=r[21],
        purpose=r[22], finding=r[23], settings_id=r[24], withdrawn_s=r[25], withdrawn_why=r[26],
        turn=r[27], test_leak=r[28],
    )  # fmt: skip


def _id(cursor: sqlite3.Cursor) -> int:
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _check_point(point: Point, what: str) -> None:
    if len(point) != 3 or not all(math.isfinite(c) for c in point):
        raise InputError(f"{what} needs three finite coordinates in metres, not {point}")


def _finite_or_none(value: float | None, name: str) -> float | None:
    if value is None:
        return None
    if not math.isfinite(value):
        raise InputError(f"{name} is {value}: give a number or leave it out")
    return value


def _check_identity(db: sqlite3.Connection, path: Path) -> None:
    try:
        application = db.execute("PRAGMA application_id").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise InputError(f"{path} is damaged: {error}") from error
    if application != APPLICATION_ID:
        raise InputError(f"{path} is an SQLite file but no Earthward survey")


def _migrate(db: sqlite3.Connection, version: int) -> None:
    """Bring the schema forward, one whole step at a time."""
    for number in range(version, SCHEMA_VERSION):
        # executescript commits what is open, so the transaction is spelt inside the script.
        db.executescript(f"BEGIN IMMEDIATE; {MIGRATIONS[number]}; PRAGMA user_version = {number + 1}; COMMIT;")


def _connect_read_only(path: Path) -> tuple[sqlite3.Connection, tempfile.TemporaryDirectory[str] | None]:
    """Open without ever changing the file. A log left beside the file on a medium that cannot be written (a copied
    card, say) cannot be read in place: then a copy is read."""
    base = f"file:{quote(str(path.absolute()))}"
    log = path.with_name(path.name + "-wal")
    has_log = log.exists() and log.stat().st_size > 0
    if not has_log and not os.access(path.parent, os.W_OK):
        return _connect(base + "?mode=ro&immutable=1"), None
    with contextlib.suppress(sqlite3.OperationalError):
        db = _connect(base + "?mode=ro")
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return db, None
        except sqlite3.OperationalError:
            db.close()
    borrowed = tempfile.TemporaryDirectory(prefix="earthward-")
    copy = Path(borrowed.name) / path.name
    shutil.copyfile(path, copy)
    if has_log:
        shutil.copyfile(log, copy.with_name(copy.name + "-wal"))
    return _connect(f"file:{quote(str(copy))}?mode=rw"), borrowed


def _connect(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False, timeout=10.0)


def _dump(value: Any, sort_keys: bool = False) -> str:
    """JSON that any reader accepts: infinities and not-a-numbers become null."""
    return json.dumps(_plain(value), sort_keys=sort_keys, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


def _flush_file(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _flush_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # some file systems cannot flush a folder
        _flush_file(folder)
