"""What a report is made of, before it is HTML or PDF. Text is plain; each renderer escapes it in its own way."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True, slots=True)
class Heading:
    text: str
    level: Literal[1, 2] = 1


@dataclass(frozen=True, slots=True)
class Paragraph:
    """`kind`: lead (first sentences), plain, small (remarks), caution (boxed)."""

    text: str
    kind: Literal["lead", "plain", "small", "caution"] = "plain"


@dataclass(frozen=True, slots=True)
class Bullets:
    items: list[str]


@dataclass(frozen=True, slots=True)
class KeyFigure:
    label: str
    value: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class KeyFigures:
    items: list[KeyFigure]


@dataclass(frozen=True, slots=True)
class Table:
    """`align`: one letter per column, l or r. `widths`: relative; 0 = as wide as its content."""

    head: list[str]
    rows: list[list[str]]
    align: str
    widths: list[float] = field(default_factory=list)
    caption: str = ""
    small: bool = False


@dataclass(frozen=True, slots=True)
class Figure:
    """An SVG drawing (complete document). `width`: share of the text width."""

    svg: str
    caption: str = ""
    alt: str = ""
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph: bytes of a JPEG or PNG."""

    data: bytes
    kind: Literal["jpg", "png"]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class NewPage:
    pass


Block = Heading | Paragraph | Bullets | KeyFigures | Table | Figure | Picture | NewPage


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report. `stamp`: a word that must be seen on every page ("EMULATED"), or ""."""

    title: str
    subtitle: str
    facts: list[tuple[str, str]]
    blocks: list[Block]
    stamp: str = ""
    stamp_text: str = ""
    footer: str = ""


def printable(text: str) -> str:
    """Control characters have no glyph, and stop the PDF's compiler and any reader of a drawing."""
    return "".join(" " if unicodedata.category(c) == "Cc" else c for c in text)
