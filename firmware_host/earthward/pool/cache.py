"""Arrays kept on disk under a content hash: the only module of this room that touches files.

Nothing here decides anything: a missing, damaged or unreadable file is the same as no cache.
"""

from __future__ import annotations

import os
import tempfile
import zipfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[np.generic]]


def load(folder: str, key: str) -> Arrays | None:
    """The arrays stored under `key`, or None."""
    try:
        with np.load(Path(folder) / f"{key}.npz", allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def store(folder: str, key: str, arrays: Arrays, keep: int = 24) -> bool:
    """Write the arrays whole (temporary name, fsync, rename). False if the disk would not: the caller goes on.

    At most `keep` pools are kept, the least recently written go first.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=place, prefix=".writing-", suffix=".npz")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **arrays)  # type: ignore[arg-type]
                file.flush()
                os.fsync(file.fileno())
            os.replace(name, place / f"{key}.npz")
        except BaseException:
            os.unlink(name)
            raise
        stored = sorted(place.glob("[!.]*.npz"), key=lambda p: p.stat().st_mtime, reverse=True)
        for old in stored[keep:]:
            old.unlink(missing_ok=True)
    except OSError:
        return False
    return True
