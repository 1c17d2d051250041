"""Files that are whole or not there: written under another name, flushed, renamed."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from earthward.errors import InputError, NotWritten


def write_whole(path: Path, data: bytes | str) -> None:
    """Write a file so that nobody ever sees half of it. An existing file is replaced. Raises NotWritten."""
    content = data.encode("utf-8") if isinstance(data, str) else data
    if not path.parent.is_dir():
        raise InputError(f"{path.parent} is no folder: create it first")
    try:
        _replace(path, content)
    except OSError as error:
        raise NotWritten(path, error) from error
    with contextlib.suppress(OSError):  # some file systems cannot flush a folder
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _replace(path: Path, content: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0o022)
        os.umask(mask)
        os.chmod(temporary, 0o666 & ~mask)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def make_folder(path: Path) -> None:
    """Create an output folder (and its parents)."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise InputError(f"{path} is a file: choose another folder for the output") from None
    except OSError as error:
        raise InputError(f"{path} cannot be created: {error.strerror}") from error
