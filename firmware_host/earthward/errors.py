"""Errors a person can act on."""

from __future__ import annotations

from typing import ClassVar


class InputError(Exception):
    """Bad input. The message is one sentence: what is wrong, where, and what to do. The CLI exits with 2.

    `code` tells programs which refusal it is, where they can do something about it themselves; else it is empty.
    """

    code: ClassVar[str] = ""


class NotWritten(InputError, OSError):
    """A file that the system would not write. Also an OSError, for those who can go on without the file."""

    def __init__(self, path: object, error: OSError) -> None:
        super().__init__(error.errno, error.strerror or str(error))
        self.path = path

    def __str__(self) -> str:
        return f"{self.path} cannot be written ({self.strerror}): make room, or choose another place"
