"""Pictures that belong to a survey: they stay files beside it, the record names them and knows their contents' hash."""

from __future__ import annotations

import hashlib
from pathlib import Path

from earthward.errors import InputError
from earthward.record.visit import Photo

#: A picture larger than this is none that a phone or camera makes.
MOST_BYTES = 64 << 20
_KINDS = {b"\xff\xd8\xff": "JPEG", b"\x89PNG\r\n\x1a\n": "PNG"}


def photo_in(folder: Path, path: Path, caption: str = "", finding: int | None = None, station: str = "") -> Photo:
    """The record's entry for a picture inside the survey's folder. Raises InputError for anything else."""
    whole = (path if path.is_absolute() else folder / path).resolve()
    if not whole.is_relative_to(folder.resolve()):
        raise InputError(f"the picture {path} is outside the survey's folder {folder}: copy it there first")
    try:
        if whole.stat().st_size > MOST_BYTES:
            raise InputError(f"the picture {path} is larger than {MOST_BYTES >> 20} MB: make it smaller")
        data = whole.read_bytes()
    except OSError as error:
        raise InputError(f"the picture {path} cannot be read ({error.strerror}): give its path") from error
    if not data.startswith(tuple(_KINDS)):
        raise InputError(f"{path} is no JPEG or PNG picture")
    return Photo(
        path=str(whole.relative_to(folder.resolve())),
        caption=caption,
        finding=finding,
        station=station,
        sha256=hashlib.sha256(data).hexdigest(),
    )
