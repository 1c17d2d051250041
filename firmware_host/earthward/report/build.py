"""One call from survey file to report files."""

from __future__ import annotations

import os
from pathlib import Path

from earthward.report.blocks import Picture
from earthward.report.content import build
from earthward.report.html import to_html
from earthward.report.pdf import Paper, available, to_pdf
from earthward.survey.contents import Contents, load
from earthward.survey.files.whole import make_folder, write_whole
from earthward.survey.store import SurveyStore
from earthward.units import Units

#: pictures larger than this are named, not shown
LARGEST_PICTURE = 6_000_000


def build_report(
    survey: str | os.PathLike[str], folder: str | os.PathLike[str], paper: Paper = "a4", unit: Units | None = None
) -> list[Path]:
    """Write `report.html` and, if typst is installed, `report.pdf` into `folder`; returns what was written."""
    path, out = Path(survey), Path(folder)
    with SurveyStore.open(path, read_only=True) as store:
        record = load(store)
    document = build(record, unit, pictures_of(record, path.parent))
    make_folder(out)
    written = [out / "report.html"]
    write_whole(written[0], to_html(document))
    if available():
        written.append(out / "report.pdf")
        write_whole(written[1], to_pdf(document, paper))
    return written


def pictures_of(record: Contents, folder: Path) -> list[Picture]:
    """The photographs that are where the survey says, as JPEG or PNG of a sensible size."""
    found = []
    for photo in record.photos:
        file = folder / photo.path
        if not _within(folder, file) or not file.is_file() or file.stat().st_size > LARGEST_PICTURE:
            continue
        data = file.read_bytes()
        if data[:3] == b"\xff\xd8\xff":
            found.append(Picture(data, "jpg", photo.caption))
        elif data[:8] == b"\x89PNG\r\n\x1a\n":
            found.append(Picture(data, "png", photo.caption))
    return found


def _within(folder: Path, file: Path) -> bool:
    """A picture belongs to the survey's folder: a path that leads elsewhere might show anybody's file."""
    try:
        return file.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError):
        return False
