"""The course of a visit: its steps and where it stands."""

from __future__ import annotations

from typing import Literal

from earthward.record.base import Record

StepStatus = Literal["to do", "now", "done", "failed", "skipped"]


class Step(Record, frozen=True, kw_only=True):
    """One step of the visit with what was measured."""

    key: str
    title: str
    status: StepStatus
    text: str = ""
