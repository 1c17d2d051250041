"""Something that happened: never dropped, always recorded."""

from __future__ import annotations

import math
from typing import Literal

from earthward.record.base import Record

Severity = Literal["info", "caution", "alarm"]


class Event(Record, frozen=True, kw_only=True):
    """`code` is stable, for scripts; `text` and `remedy` are for a person. number: 0 = not recorded yet."""

    severity: Severity
    code: str
    text: str
    remedy: str = ""
    number: int = 0
    t_s: float = math.nan
    time_s: float = math.nan
