"""How values stand in the cells of CSV tables."""

from __future__ import annotations

import re
from typing import Any

import msgspec

from earthward.survey.columns import Column
from earthward.survey.contents import utc_text

#: A spreadsheet takes a text that begins so for a formula and works it out.
_FORMULA = re.compile(r"'*[=+\-@\t\r]")


def file_name(column: Column) -> str:
    """The column's name in a table: a moment is written as a date there."""
    return "time_utc" if column.name == "time_s" else column.name


def cell(column: Column, value: Any) -> str:
    """RFC 4180 leaves the contents open: numbers read back bit for bit, nothing is an empty cell, a text that a
    spreadsheet would work out as a formula gets an apostrophe in front (`plain` takes it off)."""
    if value is None:
        return ""
    if column.name == "time_s":
        return utc_text(value)
    if column.kind == "words":
        return _safe(";".join(value))
    if column.kind == "json":
        return msgspec.json.encode(value).decode()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    return _safe(str(value)) if isinstance(value, str) else str(value)


def _safe(text: str) -> str:
    return "'" + text if _FORMULA.match(text) else text


def plain(text: str) -> str:
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text
