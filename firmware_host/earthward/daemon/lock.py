"""One daemon a folder: a lock that ends with the process, however it ends."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from types import TracebackType
from typing import Self

from earthward.errors import InputError

NAME = ".earthward.lock"


class FolderLock:
    """Hold a folder for this process. Context manager; raises InputError if another daemon has it."""

    def __init__(self, folder: str | Path) -> None:
        self._folder = Path(folder)
        self._descriptor: int | None = None

    def __enter__(self) -> Self:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            # A file of its own: a lock on the survey itself would come in the way of its database's locks.
            descriptor = os.open(self._folder / NAME, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
        except OSError as error:
            raise InputError(
                f"{self._folder} cannot be written ({error.strerror}); set service.data_dir to a folder of yours"
            ) from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise InputError(
                f"another daemon works in {self._folder}; stop it, or set service.data_dir to another folder"
            ) from error
        self._descriptor = descriptor
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None
