"""Files that are whole or not there: written under another name, flushed, renamed."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from earthward.errors import InputError, NotWritten


def write_whole(path: Path, data: bytes | str | Iterable[str], mode: int | None = None) -> None:
    """Write a file so that nobody ever sees half of it. An existing file is replaced. Raises NotWritten.

    data: the whole, or its pieces one after another. mode: permissions; without it those of any new file.
    """
    pieces: Iterable[bytes]
    if isinstance(data, bytes | str):
        pieces = [data.encode("utf-8") if isinstance(data, str) else data]
    else:
        pieces = (piece.encode("utf-8") for piece in data)
    if not path.parent.is_dir():
        raise InputError(f"{path.parent} is no folder: create it first")
    try:
        _replace(path, pieces, mode)
    except OSError as error:
        raise NotWritten(path, error) from error
    with contextlib.suppress(OSError):  # some file systems cannot flush a folder
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _replace(path: Path, pieces: Iterable[bytes], mode: int | None) -> None:
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        if mode is None:
            mask = os.umask(0o022)
            os.umask(mask)
            mode = 0o666 & ~mask
        os.chmod(temporary, mode)
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
