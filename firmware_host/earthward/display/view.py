"""What the person is looking at and in the middle of."""

from __future__ import annotations

from dataclasses import dataclass, replace

from earthward import units
from earthward.daemon.protocol import FromClient
from earthward.display import words
from earthward.display.hands import Hand
from earthward.display.themes import ThemeName

NOTICE_S = 4.0


@dataclass(frozen=True, slots=True)
class Option:
    """One answer of a choice, given by one of the three left keys."""

    key: str
    label: str
    messages: tuple[FromClient | Hand, ...] = ()
    said: str = ""
    form: str = ""
    """Opens the form of this name instead."""
    stay: bool = False
    """The choice stays open."""


@dataclass(frozen=True, slots=True)
class Choice:
    text: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """Numbers being given, one line each. `form`: what for. `wheel`: the digit that the switches turn, three a line."""

    form: str = "deck"
    lines: tuple[str, ...] = ("",)
    at: int = 0
    wheel: int | None = None
    wheel_digits: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    error: str = ""


@dataclass(frozen=True, slots=True)
class View:
    page: str = "read"
    help: int = 0
    """Which page of the help is open, from 1."""
    choice: Choice | None = None
    entry: Entry | None = None
    selected: int = 0
    older: int = 0
    back: str = ""
    """The page to go back to once the present choice is answered: the keep key led here by itself."""
    notice: str = ""
    notice_s: float = -1e9
    notice_bad: bool = False
    theme: ThemeName = "daylight"
    system: units.Units = "si"
    volume: float = 0.7
    zoom: bool = False
    paused: bool = False
    """The emulated bench's time stands still."""
    hands: bool = False
    """An emulated bench: keys do what a hand does at the pool side."""
    operator: str = words.OPERATOR


Send = FromClient | Hand
Pressed = tuple[View, list[Send]]


def with_notice(view: View, text: str, now_s: float, bad: bool = False) -> View:
    return replace(view, notice=text, notice_s=now_s, notice_bad=bad)
