"""What the person is looking at and in the middle of."""

from __future__ import annotations

from dataclasses import dataclass, replace

from earthward import units
from earthward.daemon.protocol import FromClient
from earthward.display import words
from earthward.display.themes import ThemeName

NOTICE_S = 4.0


@dataclass(frozen=True, slots=True)
class Option:
    """One answer of a choice, given by one of the three left keys."""

    key: str
    label: str
    messages: tuple[FromClient, ...] = ()
    said: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    text: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """A place being typed: one line = deck distance, two lines = tapes. `wheel` is the digit that the switches turn."""

    lines: tuple[str, ...] = ("",)
    wheel: int | None = None
    wheel_digits: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    error: str = ""


@dataclass(frozen=True, slots=True)
class View:
    page: str = "read"
    help: bool = False
    choice: Choice | None = None
    entry: Entry | None = None
    selected: int = 0
    older: int = 0
    notice: str = ""
    notice_s: float = -1e9
    notice_bad: bool = False
    deck_m: float | None = None
    theme: ThemeName = "daylight"
    system: units.Units = "si"
    volume: float = 0.7
    zoom: bool = False
    operator: str = words.OPERATOR


Pressed = tuple[View, list[FromClient]]


def with_notice(view: View, text: str, now_s: float, bad: bool = False) -> View:
    return replace(view, notice=text, notice_s=now_s, notice_bad=bad)
