"""Opening, creating and closing the one file that a survey is, so that it is whole whatever happens."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any
from urllib.parse import quote

from earthward.errors import InputError
from earthward.survey.schema import APPLICATION_ID, SCHEMA_VERSION, bring_forward, is_current

#: What a damaged file ends in: SQLite's own complaint, or one that quotes bytes that are no text.
DAMAGE = (sqlite3.DatabaseError, UnicodeDecodeError)


def create_file(target: Path, meta: dict[str, Any], pool_toml: str) -> None:
    """Make a survey file. It appears under its name only when it is complete, and replaces nothing."""
    if target.exists():
        raise InputError(f"{target} exists already: open it, or choose another name for a new survey")
    if not target.parent.is_dir():
        raise InputError(f"{target.parent} is no folder: create it first")
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
    except (OSError, ValueError) as error:
        raise InputError(f"{target} cannot be created ({in_one_line(error)}): choose another folder or name") from None
    os.close(handle)
    try:
        _fill(temporary, meta, pool_toml)
        # mkstemp makes the file private; a survey is as shareable as any other file of its owner's.
        os.chmod(temporary, 0o666 & ~_umask())
        flush_file(Path(temporary))
        try:
            os.link(temporary, target)  # unlike rename it refuses to replace a file that appeared meanwhile
        except FileExistsError:
            raise InputError(f"{target} exists already: open it, or choose another name") from None
        except OSError:
            os.rename(temporary, target)  # file systems without hard links (a memory stick)
    except (sqlite3.Error, OSError) as error:
        raise InputError(
            f"{target} cannot be written ({in_one_line(error)}): make room on its disk or check it"
        ) from error
    finally:
        Path(temporary).unlink(missing_ok=True)
    flush_folder(target.parent)


def _fill(temporary: str, meta: dict[str, Any], pool_toml: str) -> None:
    with contextlib.closing(sqlite3.connect(temporary, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        bring_forward(db, 0)
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO meta VALUES (?, ?)", [(k, json.dumps(v)) for k, v in meta.items()])
        db.execute("INSERT INTO pool(at_s, toml) VALUES (?, ?)", (meta["created_s"], pool_toml))
        db.execute("COMMIT")


def open_file(target: Path, read_only: bool) -> tuple[sqlite3.Connection, tempfile.TemporaryDirectory[str] | None]:
    """A connection to an existing file in today's form, and the folder of a copy if one had to be made. Read-only works
    on a medium that cannot be written and never changes the file. InputError says what is wrong with it."""
    _check_head(target)
    borrowed: tempfile.TemporaryDirectory[str] | None = None
    try:
        if read_only:
            db, borrowed = _connect_read_only(target)
        else:
            db = _connect(f"file:{quote(str(target.absolute()))}?mode=rw")
    except (*DAMAGE, sqlite3.Error, OSError) as error:
        raise InputError(f"{target} cannot be opened: {in_one_line(error)}") from error
    try:
        version = _version(db, target)
        if read_only and not is_current(db, version):
            # Bring a copy forward; the file itself stays as it is.
            memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
            db.backup(memory)
            db.close()
            db = memory
            bring_forward(db, version)
            db.execute("PRAGMA query_only = ON")
        elif not read_only:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA foreign_keys = ON")
            bring_forward(db, version)
            flush_folder(target.parent)
    except DAMAGE as error:
        db.close()
        raise InputError(f"{target} cannot be used: {in_one_line(error)}") from error
    except InputError:
        db.close()
        raise
    return db, borrowed


def close_file(db: sqlite3.Connection, read_only: bool) -> None:
    """Fold the log into the one file and close."""
    if not read_only:
        # Another reader may hold the log open: then it stays beside the file and nothing is lost.
        with contextlib.suppress(sqlite3.Error):
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            # Without a log mode in its header the file opens anywhere, also on a medium nobody can write.
            db.execute("PRAGMA journal_mode = DELETE")
    db.close()


def in_one_line(error: Exception) -> str:
    """SQLite quotes whole statements, line breaks included."""
    return " ".join(str(error).split())


def _check_head(target: Path) -> None:
    try:
        if not target.is_file():
            raise InputError(f"{target} is not there: give the path of a survey file")
        with target.open("rb") as file:
            head = file.read(16)
    except (OSError, ValueError) as error:
        raise InputError(f"{str(target)!r} cannot be read: {in_one_line(error)}") from None
    if head != b"SQLite format 3\x00":
        raise InputError(f"{target} is no survey file (not an SQLite database)")


def _version(db: sqlite3.Connection, path: Path) -> int:
    try:
        application = db.execute("PRAGMA application_id").fetchone()[0]
    except DAMAGE as error:
        raise InputError(f"{path} is damaged: {in_one_line(error)}") from error
    if application != APPLICATION_ID:
        raise InputError(f"{path} is an SQLite file but no Earthward survey")
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if version < 1:
        raise InputError(f"{path} is damaged: it says format {version}, and the first one was 1")
    if version > SCHEMA_VERSION:
        raise InputError(
            f"{path} was written by a later version of Earthward (format {version}, this one reads up to "
            f"{SCHEMA_VERSION}): install the later version to open it"
        )
    return version


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


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current


def flush_file(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def flush_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):  # some file systems cannot flush a folder
        flush_file(folder)
