"""The survey file's tables: their columns follow from the record's Structs, their history is a list of steps."""

from __future__ import annotations

import sqlite3
from typing import Any, Generic, TypeVar

import msgspec

from earthward.record.base import Record
from earthward.record.event import Event
from earthward.record.finding import Finding, FindingStage
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Note, Photo, SafetyCheck, SensitivityTest
from earthward.survey.columns import Column, Kind, Shape

T = TypeVar("T", bound=Record)

#: marks the file as ours ("EWsv")
APPLICATION_ID = 0x45577376

# One step per schema version: a new file runs them all, an old one the missing ones. Never edit a step that
# has been in a release; add one. A new field of a Struct needs none: its column is added by `bring_forward`.
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

_AFFINITY: dict[Kind, str] = {
    "number": "REAL", "integer": "INTEGER", "boolean": "INTEGER", "string": "TEXT", "words": "TEXT", "json": "TEXT",
}  # fmt: skip


class Table(Generic[T]):
    """A table that holds one kind of Struct. key: the field that names a row ("" = the file numbers the rows);
    numbered: the file gives that number. parent: a column beside the Struct's own that says to what a row belongs."""

    def __init__(
        self,
        name: str,
        kind: type[T],
        *,
        key: str = "",
        numbered: bool = False,
        parent: str = "",
        skip: tuple[str, ...] = (),
    ) -> None:
        self.name, self.key, self.numbered, self.parent = name, key, numbered, parent
        self.shape: Shape[T] = Shape(kind, skip=skip)
        self.columns = {sql_name(c): c for c in self.shape.columns}
        self.order = key if key and key != "name" else "rowid"

    def insert(self, item: T, time_s: float, parent: int | None = None) -> tuple[str, list[Any]]:
        """The statement that adds the item, and its parameters. time_s: for an item that does not say its time."""
        values = self.to_sql(item, time_s)
        if self.numbered and not values[self.key]:
            del values[self.key]
        if self.parent:
            values[self.parent] = parent
        names, slots = ", ".join(values), ", ".join("?" * len(values))
        return f"INSERT INTO {self.name}({names}) VALUES ({slots})", list(values.values())

    def upsert(self, item: T, time_s: float, keep: tuple[str, ...] = ()) -> tuple[str, list[Any]]:
        """Add the item or, where its key is there already, change it but for the columns of `keep`."""
        statement, values = self.insert(item, time_s)
        changed = ", ".join(f"{c} = excluded.{c}" for c in self.columns if c != self.key and c not in keep)
        return f"{statement} ON CONFLICT({self.key}) DO UPDATE SET {changed}", values

    def select(self, where: str = "") -> str:
        """Row number, parent (or 0), then the Struct's columns."""
        names = ", ".join(["rowid", self.parent or "0", *self.columns])
        return f"SELECT {names} FROM {self.name}{' WHERE ' + where if where else ''} ORDER BY {self.order}"

    def to_sql(self, item: T, time_s: float) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for (name, column), value in zip(self.columns.items(), self.shape.cells(item), strict=True):
            if column.kind in ("json", "words"):
                # Infinities and not-a-numbers become null, so that any reader accepts the text.
                out[name] = msgspec.json.encode(value).decode()
            else:
                out[name] = time_s if value is None and name == "at_s" else value
        return out

    def build(self, cells: tuple[Any, ...]) -> T:
        """A Struct from the columns of a row. msgspec.ValidationError or ValueError where a cell holds nonsense."""
        values: dict[str, Any] = {}
        for column, cell in zip(self.columns.values(), cells, strict=True):
            if cell is not None and column.kind == "boolean":
                cell = bool(cell)
            elif cell is not None and column.kind in ("json", "words"):
                cell = msgspec.json.decode(cell)
                if not column.required and cell == {}:
                    cell = None
            values[column.name] = cell
        return self.shape.build(values)


def sql_name(column: Column) -> str:
    return "at_s" if column.name == "time_s" else column.name


READING = Table("reading", KeptReading, key="row", numbered=True)
FITTING = Table("fitting", Fitting, key="name")
SOURCE = Table("source", Placement, key="source_id")
SAFETY_CHECK = Table("safety_check", SafetyCheck)
SENSITIVITY_TEST = Table("proof", SensitivityTest)
#: The region stays with the search's result, the history in its own table.
FINDING = Table("finding", Finding, key="number", numbered=True, skip=("history", "region"))
FINDING_STAGE = Table("finding_stage", FindingStage, parent="finding")
LOSS_TEST = Table("loss_test", LossTest)
CURRENT_STEP = Table("current_step", CurrentStep)
NOTE = Table("note", Note)
PHOTO = Table("photo", Photo)
#: The host's own clock means nothing after the visit.
EVENT = Table("event", Event, key="number", numbered=True, skip=("t_s",))
TABLES: tuple[Table[Any], ...] = (
    READING, FITTING, SOURCE, SAFETY_CHECK, SENSITIVITY_TEST, FINDING, FINDING_STAGE, LOSS_TEST, CURRENT_STEP, NOTE,
    PHOTO, EVENT,
)  # fmt: skip


def missing_columns(db: sqlite3.Connection) -> list[tuple[str, str]]:
    """(table, column and its kind) of what the Structs have and this file, made by an earlier version, does not."""
    out = []
    for table in TABLES:
        there = {row[1] for row in db.execute(f"PRAGMA table_info({table.name})")}
        out += [(table.name, f"{n} {_AFFINITY[c.kind]}") for n, c in table.columns.items() if n not in there]
    return out


def is_current(db: sqlite3.Connection, version: int) -> bool:
    return version == SCHEMA_VERSION and not missing_columns(db)


def bring_forward(db: sqlite3.Connection, version: int) -> None:
    """Run the missing steps, each whole or not at all, then add the columns that the Structs have gained since."""
    for number in range(version, SCHEMA_VERSION):
        # executescript commits what is open, so the transaction is spelt inside the script.
        db.executescript(f"BEGIN IMMEDIATE; {MIGRATIONS[number]}; PRAGMA user_version = {number + 1}; COMMIT;")
    added = [f"ALTER TABLE {table} ADD COLUMN {column};" for table, column in missing_columns(db)]
    if added:
        db.executescript(f"BEGIN IMMEDIATE; {' '.join(added)} COMMIT;")
