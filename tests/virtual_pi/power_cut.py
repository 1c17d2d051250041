"""What a power cut leaves on a disk, from the log of its writes: all up to the last flush, any part of what followed.

A killed qemu loses nothing that the guest has written, flushed or not: its host keeps it. So the writes are logged
(qemu's blklogwrites, the kernel's dm-log-writes format), and a cut is made up from the log: whatever the guest had not
flushed may be on the card or not, in any combination.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import struct
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

MAGIC = 0x6A736677736872
SUPER = struct.Struct("<QQQI")
ENTRY = struct.Struct("<QQQQ")
FLUSH, FUA, DISCARD = 1, 2, 4


@dataclass(frozen=True)
class Write:
    """A logged write: where its data are in the log, where they go on the disk; `end`: the log's length after it."""

    at: int
    size: int
    target: int
    flags: int
    end: int


@dataclass(frozen=True)
class Found:
    """Of all cuts: acknowledged readings that are not there, file systems that are not sound once replayed."""

    tried: int
    writes: int
    missing: int
    unsound: int


def read_log(path: Path) -> list[Write]:
    """Every whole entry. Raises ValueError for another kind of file."""
    size = path.stat().st_size
    writes: list[Write] = []
    with path.open("rb") as file:
        magic, version, _, sector = SUPER.unpack(file.read(SUPER.size))
        if magic != MAGIC or version != 1:
            raise ValueError(f"{path} is no log of writes")
        at = sector
        while at + sector <= size:
            file.seek(at)
            where, count, flags, _ = ENTRY.unpack(file.read(ENTRY.size))
            data = 0 if flags & DISCARD else count * sector
            end = at + sector + data
            if end > size or (not count and not flags):
                break
            writes.append(Write(at + sector, data, where * sector, flags, end))
            at = end
    return writes


class Cuts:
    """base: the disk before; log: what was written to it; after: scratch for the disk that a cut leaves."""

    def __init__(self, base: Path, log: Path, after: Path, seed: int = 1) -> None:
        self._base, self._log, self._after = base, log, after
        self._draw = random.Random(seed)
        self.writes = read_log(log)

    def try_out(self, acknowledged: list[tuple[int, int]], survey: str, cuts: int) -> Found:
        """acknowledged: (length of the log when it was heard, row). survey: the file's path on the disk."""
        first = next((k for k, w in enumerate(self.writes) if acknowledged and w.end >= acknowledged[0][0]), 0)
        missing = unsound = 0
        for _ in range(cuts):
            at = self._draw.randrange(first, len(self.writes))
            self._cut(at)
            unsound += not self._sound()
            want = {row for length, row in acknowledged if length <= self.writes[at].end}
            missing += len(want - self._rows(survey))
        return Found(cuts, len(self.writes), missing, unsound)

    def _cut(self, at: int) -> None:
        flushed = max((k for k in range(at + 1) if self.writes[k].flags & FLUSH), default=-1)
        subprocess.run(["cp", "--sparse=always", str(self._base), str(self._after)], check=True)
        with self._log.open("rb") as log, self._after.open("r+b") as disk:
            for k, write in enumerate(self.writes[: at + 1]):
                if write.size and (k <= flushed or write.flags & FUA or self._draw.random() < 0.5):
                    log.seek(write.at)
                    disk.seek(write.target)
                    disk.write(log.read(write.size))

    def _sound(self) -> bool:
        """The journal is replayed, as at the next start; then nothing may be left to repair."""
        # Without -y it asks a terminal, finds none, and leaves the journal as it is.
        replay = ["e2fsck", "-y", "-E", "journal_only", str(self._after)]
        done = subprocess.run(replay, capture_output=True, text=True, check=False)
        if done.returncode > 1:
            raise ValueError(f"the journal could not be replayed: {done.stdout}{done.stderr}")
        return subprocess.run(["e2fsck", "-fn", str(self._after)], capture_output=True, check=False).returncode == 0

    def _rows(self, survey: str) -> set[int]:
        folder = Path(tempfile.mkdtemp())
        try:
            for end in ("", "-wal"):
                command = f"dump {survey}{end} {folder / ('survey.db' + end)}"
                subprocess.run(["debugfs", "-R", command, str(self._after)], capture_output=True, check=True)
            with sqlite3.connect(folder / "survey.db") as connection:
                return {row for (row,) in connection.execute("SELECT row FROM reading")}
        finally:
            shutil.rmtree(folder)
