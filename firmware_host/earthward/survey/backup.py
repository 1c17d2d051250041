"""Copy surveys to another disk while the daemon goes on writing them."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from earthward.errors import InputError

SURVEY = "survey.db"
#: SQLite's own files beside a survey: the copy is whole without them
_BESIDE = ("survey.db-wal", "survey.db-shm")


@dataclass(frozen=True)
class Copied:
    """files: copied now. same: were there already, unchanged."""

    files: int
    same: int
    size: int


def back_up(source: Path, target: Path, folders: tuple[str, ...]) -> Copied:
    """Copy everything in these folders of `source` that the target has not, or has older.

    Raises InputError: no such place, no room, no stick any more; what has been copied until then stays. Also, when all
    the rest is copied, for surveys that are damaged: their earlier copies stay.
    """
    if not source.is_dir():
        raise InputError(f"there is no folder {source}: name the daemon's data_dir with --data")
    if not target.is_dir():
        raise InputError(f"there is no folder {target}: plug the stick in and name the folder it is mounted at")
    if target.resolve().is_relative_to(source.resolve()):
        raise InputError(f"{target} lies inside {source}: a backup belongs on another disk")
    due = [(path, target / path.relative_to(source)) for path in _files(source, folders)]
    same = [pair for pair in due if _newest_s(pair[0]) <= _newest_s(pair[1])]
    due = [pair for pair in due if pair not in same]
    size = sum(path.stat().st_size for path, _ in due)
    if size > shutil.disk_usage(target).free:
        raise InputError(f"{target} has no room for {size / 1e6:.0f} MB: empty it, or take a larger one")
    damaged = []
    for path, copy in due:
        try:
            _copy(path, copy)
        except OSError as error:
            raise InputError(f"{copy} cannot be written ({error.strerror}): is the stick still there?") from error
        except sqlite3.Error as error:
            damaged.append(f"{path} ({error})")
    if damaged:
        raise InputError(
            f"cannot be copied: {', '.join(damaged)}; the survey may be damaged. All the rest was copied: "
            f"{len(due) - len(damaged)} files"
        )
    return Copied(len(due), len(same), size)


def _files(source: Path, folders: tuple[str, ...]) -> Iterator[Path]:
    for folder in folders:
        for path in sorted((source / folder).rglob("*")):
            if path.is_file() and not path.is_symlink() and path.name not in _BESIDE:
                yield path


def _newest_s(path: Path) -> float:
    """When it was last written; a survey's newest lines may stand in the log beside it."""
    parts = [path, path.with_name(path.name + "-wal")]
    return max((part.stat().st_mtime for part in parts if part.exists()), default=float("-inf"))


def _copy(path: Path, copy: Path) -> None:
    """Whole or not at all, and on the disk when it returns."""
    copy.parent.mkdir(parents=True, exist_ok=True)
    part = copy.with_name(copy.name + ".part")
    part.unlink(missing_ok=True)
    seen_s = _newest_s(path)
    if path.name == SURVEY:
        try:
            _copy_survey(path, part)
        except sqlite3.Error:
            part.unlink(missing_ok=True)
            raise
    else:
        shutil.copyfile(path, part)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    # The moment that was copied, not that of copying: what is written meanwhile is due the next time.
    os.utime(part, (seen_s, seen_s))
    os.replace(part, copy)


def _copy_survey(path: Path, part: Path) -> None:
    """As one transaction sees it, then checked. Raises sqlite3.Error."""
    source = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        target = sqlite3.connect(part)
        try:
            source.backup(target)
            # One file on the stick: no log beside it.
            target.execute("PRAGMA journal_mode = DELETE")
            (said,) = target.execute("PRAGMA integrity_check").fetchone()
            if said != "ok":
                raise sqlite3.DatabaseError(str(said))
        finally:
            target.close()
    finally:
        source.close()
