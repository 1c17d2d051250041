"""What a page is: a name, a title, the words of its keys, and one function that paints it.

A page is one file in `pages/` with a `PAGE` of this kind; nothing else lists it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from earthward.display import words
from earthward.display.canvas import Canvas
from earthward.display.meaning import Meaning
from earthward.display.options import Options
from earthward.display.snapshot import Snapshot
from earthward.display.view import Pressed, View


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a page may show."""

    snapshot: Snapshot
    view: View
    options: Options
    now_s: float
    meaning: Meaning
    shown: Meaning | None = None
    """The meaning whose digits stand on the screen at present."""
    memo: dict[Any, Any] = field(default_factory=dict)
    """What is costly to draw, kept between calls."""


#: (canvas, first row, number of rows, what to show)
Paint = Callable[[Canvas, int, int, Scene], None]
#: (view, "keep" or "next", snapshot, now) -> the press's effect
Press = Callable[[View, str, Snapshot, float], Pressed]


@dataclass(frozen=True, slots=True)
class Page:
    name: str
    title: str
    order: int
    """Place in the walk of the map key."""
    paint: Paint
    keys: Mapping[str, str] = field(default_factory=lambda: dict(words.USUAL_KEYS))
    """What the keys keep, map and next are called here."""
    press: Press | None = None
    """What keep and next do here; None = what they do on the reading page."""
    shortcut: str = ""
    """A key that goes straight to the page, by Textual's name."""
    help: str = ""
    """One line for the help page, if keep or next mean something of their own."""
    opens_entry: bool = False
    """The page is a place being said with the digit wheel."""
