"""Something that happened: never dropped, always recorded."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from earthward.record.base import Record, said

Severity = Literal["info", "caution", "alarm"]


class Event(Record, frozen=True, kw_only=True):
    """`code` is stable, for scripts; `text` and `remedy` are for a person. number: 0 = not recorded yet."""

    severity: Annotated[Severity, said("how grave")]
    code: Annotated[str, said("short name of the kind of event")]
    text: Annotated[str, said("what happened")]
    remedy: Annotated[str, said("what to do")] = ""
    number: Annotated[int, said("number of the event")] = 0
    t_s: float = math.nan
    time_s: Annotated[float, said("when")] = math.nan
