"""Themes as data: what each role looks like in full colour, on a 16-colour console and without colour.

`daylight` is dark on light with at least 7:1 everywhere (W3C WCAG 2.1, success criterion 1.4.6 computes the ratio),
`night` keeps the eye dark-adapted, `mono` uses no colour at all: reverse and bold only. Colour never carries meaning
alone: every state has its own word and place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

ThemeName = Literal["daylight", "night", "mono"]
THEMES: tuple[ThemeName, ...] = ("daylight", "night", "mono")

#: Console colours by name, as the standard VGA palette shows them (Linux console default, from memory).
VGA: dict[str, str] = {
    "black": "#000000",
    "red": "#AA0000",
    "green": "#00AA00",
    "yellow": "#AA5500",
    "blue": "#0000AA",
    "magenta": "#AA00AA",
    "cyan": "#00AAAA",
    "white": "#AAAAAA",
    "bright_black": "#555555",
    "bright_red": "#FF5555",
    "bright_green": "#55FF55",
    "bright_yellow": "#FFFF55",
    "bright_blue": "#5555FF",
    "bright_magenta": "#FF55FF",
    "bright_cyan": "#55FFFF",
    "bright_white": "#FFFFFF",
}


@dataclass(frozen=True, slots=True)
class Ink:
    """How one role looks. `fg16`/`bg16` are console colour names; backgrounds only from the first eight."""

    fg: str
    bg: str
    fg16: str
    bg16: str
    bold: bool = False
    reverse: bool = False
    """Used by the mono theme, where fg and bg are the terminal's own."""


Palette = dict[str, Ink]

ROLES = (
    "base",
    "strong",
    "title",
    "badge",
    "front",
    "back",
    "none",
    "good",
    "caution",
    "energised",
    "alarm",
    "key",
    "select",
    "wall",
    "here",
    "next",
    "finding",
    "fitting",
    "station",
    "ramp0",
    "ramp1",
    "ramp2",
    "ramp3",
    "ramp4",
)


def _daylight() -> Palette:
    base = Ink("#000000", "#FFFFFF", "black", "white")
    inverse = Ink("#FFFFFF", "#000000", "bright_white", "black")
    return {
        "base": base,
        "strong": replace(base, bold=True),
        "title": inverse,
        "badge": Ink("#FFFFFF", "#4B0082", "bright_white", "blue", bold=True),
        "front": Ink("#003C00", "#FFFFFF", "black", "white", bold=True),
        "back": Ink("#6A0000", "#FFFFFF", "black", "white", bold=True),
        "none": base,
        "good": Ink("#003C00", "#FFFFFF", "black", "white"),
        "caution": Ink("#000000", "#FFD400", "bright_yellow", "black", bold=True),
        "energised": Ink("#000000", "#FFD400", "bright_yellow", "black", bold=True),
        "alarm": Ink("#FFFFFF", "#A00000", "bright_white", "red", bold=True),
        "key": inverse,
        "select": inverse,
        "wall": base,
        "here": Ink("#FFFFFF", "#00337A", "bright_white", "blue", bold=True),
        "next": Ink("#000000", "#FFD400", "bright_yellow", "black", bold=True),
        "finding": Ink("#FFFFFF", "#A00000", "bright_white", "red", bold=True),
        "fitting": Ink("#FFFFFF", "#000000", "bright_white", "black"),
        "station": Ink("#00226A", "#FFFFFF", "black", "white", bold=True),
        # The ramp darkens on white; every step that can be seen as more is also darker.
        "ramp0": base,
        "ramp1": Ink("#4A4A00", "#FFFFFF", "black", "white"),
        "ramp2": Ink("#4A3600", "#FFFFFF", "black", "white"),
        "ramp3": Ink("#4A1C00", "#FFFFFF", "black", "white"),
        "ramp4": Ink("#3A0000", "#FFFFFF", "black", "white"),
    }


def _night() -> Palette:
    base = Ink("#FF8A66", "#000000", "bright_red", "black")
    return {
        "base": base,
        "strong": Ink("#FFB08A", "#000000", "bright_yellow", "black", bold=True),
        "title": Ink("#000000", "#D86040", "black", "yellow"),
        "badge": Ink("#000000", "#FFC080", "bright_yellow", "red", bold=True),
        "front": Ink("#FFD9A0", "#000000", "bright_yellow", "black", bold=True),
        "back": Ink("#FF9A80", "#000000", "bright_red", "black", bold=True),
        "none": base,
        "good": base,
        "caution": Ink("#000000", "#FFB040", "black", "yellow", bold=True),
        "energised": Ink("#000000", "#FFB040", "black", "yellow", bold=True),
        "alarm": Ink("#FFFFFF", "#A00000", "bright_white", "red", bold=True),
        "key": Ink("#000000", "#D86040", "black", "yellow"),
        "select": Ink("#000000", "#D86040", "black", "yellow"),
        "wall": base,
        "here": Ink("#000000", "#FFC080", "bright_white", "blue", bold=True),
        "next": Ink("#000000", "#FFB040", "black", "yellow", bold=True),
        "finding": Ink("#FFFFFF", "#A00000", "bright_white", "red", bold=True),
        "fitting": Ink("#000000", "#D86040", "black", "yellow"),
        "station": Ink("#FFD9A0", "#000000", "bright_yellow", "black", bold=True),
        "ramp0": Ink("#402010", "#000000", "red", "black"),
        "ramp1": Ink("#803018", "#000000", "red", "black"),
        "ramp2": Ink("#B85028", "#000000", "yellow", "black"),
        "ramp3": Ink("#E88848", "#000000", "bright_red", "black"),
        "ramp4": Ink("#FFD090", "#000000", "bright_yellow", "black"),
    }


def _mono() -> Palette:
    plain = Ink("default", "default", "default", "default")
    bold = replace(plain, bold=True)
    inverse = replace(plain, reverse=True)
    strong_inverse = replace(plain, reverse=True, bold=True)
    palette = dict.fromkeys(ROLES, plain)
    palette |= dict.fromkeys(("strong", "front", "back", "good", "station", "energised"), bold)
    palette |= dict.fromkeys(("title", "key", "select", "here", "next", "fitting"), inverse)
    palette |= dict.fromkeys(("badge", "caution", "alarm", "finding"), strong_inverse)
    return palette


PALETTES: dict[ThemeName, Palette] = {"daylight": _daylight(), "night": _night(), "mono": _mono()}


def luminance(colour: str) -> float:
    """Relative luminance of "#RRGGBB", WCAG 2.1."""

    def linear(channel: int) -> float:
        c = channel / 255
        return c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4

    r, g, b = (linear(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21, WCAG 2.1."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)
