"""A page of fixed size that a screen is written on: rows of (text, role) runs, never wider than the page.

Screens are pure functions that write on a `Canvas`; a widget turns rows into terminal cells. What did not fit is
remembered in `clipped`, so that tests can demand that nothing was.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from functools import lru_cache

from earthward.display.glyphs import Tier, clean

#: What a text that had to be cut ends with; drawable by every console font.
MARK = "..."

Run = tuple[str, str]
Row = tuple[Run, ...]


def merge(runs: Iterable[Run]) -> Row:
    """Neighbours of one role joined, empties dropped: equal looks become equal rows."""
    out: list[Run] = []
    for text, role in runs:
        if not text:
            continue
        if out and out[-1][1] == role:
            out[-1] = (out[-1][0] + text, role)
        else:
            out.append((text, role))
    return tuple(out)


def length(runs: Iterable[Run]) -> int:
    return sum(len(text) for text, _ in runs)


@lru_cache(maxsize=256)
def wrapped(text: str, width: int) -> tuple[str, ...]:
    """The text in lines of at most `width` cells."""
    return tuple(textwrap.wrap(text, width=max(1, width), break_long_words=True)) or ("",)


@lru_cache(maxsize=512)
def laid_out(width: int, tier: Tier, left: Row, right: Row, role: str) -> tuple[Row, str]:
    """A row with `left` at its left edge, `right` at its right edge and `role` between them; and the whole text if not
    all of it fits. Kept: from paint to paint most rows stay as they are."""
    left = tuple((clean(text, tier), r) for text, r in left)
    right = tuple((clean(text, tier), r) for text, r in right)
    clipped, space = "", width - length(left) - length(right)
    # One cell between the two sides, or they read as one word.
    if space < 0 or (space == 0 and left and right and left[-1][1] == right[0][1]):
        clipped = "".join(text for text, _ in (*left, *right))
        left = tuple(_cut(left, max(0, width - length(right) - 1)))
        right = tuple(_cut(right, width - length(left)))
        space = width - length(left) - length(right)
    return merge([*left, (" " * space, role), *right]), clipped


class Canvas:
    """`width` x `height` cells. Rows not written are blank."""

    def __init__(self, width: int, height: int, tier: Tier) -> None:
        self.width = width
        self.height = height
        self.tier = tier
        self._rows: list[Row | None] = [None] * height
        #: what did not fit, as text
        self.clipped: list[str] = []

    def put(self, y: int, left: Sequence[Run], right: Sequence[Run] = (), role: str = "base") -> None:
        """Write row y: `left` from the left edge, `right` against the right edge, `role` between them."""
        if not 0 <= y < self.height:
            self.clipped.append("".join(text for text, _ in (*left, *right)))
            return
        self._rows[y], clipped = laid_out(self.width, self.tier, tuple(left), tuple(right), role)
        if clipped:
            self.clipped.append(clipped)

    def text(self, y: int, text: str, role: str = "base") -> None:
        self.put(y, [(text, role)])

    def centred(self, y: int, runs: Sequence[Run]) -> None:
        pad = max(0, (self.width - length(runs)) // 2)
        self.put(y, [(" " * pad, "base"), *runs])

    def paragraph(self, y: int, rows: int, text: str, role: str = "base", indent: int = 0, fill: bool = False) -> int:
        """Write the text wrapped, at most `rows` rows; returns how many were used. `fill` colours whole rows."""
        lines = wrapped(clean(text, self.tier), self.width - indent)
        if len(lines) > rows:
            self.clipped.append(text)
            if rows < 1:
                return 0
            lines = (*lines[: rows - 1], shortened(" ".join(lines[rows - 1 :]), self.width - indent))
        for i, line in enumerate(lines):
            self.put(y + i, [(" " * indent, role if fill else "base"), (line, role)], role=role if fill else "base")
        return len(lines)

    def rows(self) -> tuple[Row, ...]:
        blank: Row = ((" " * self.width, "base"),)
        return tuple(row if row is not None else blank for row in self._rows)


def shortened(text: str, width: int) -> str:
    """The text in so many cells; what is cut off is marked."""
    if len(text) <= width:
        return text
    return text[: max(0, width - len(MARK))].rstrip() + MARK if width > len(MARK) else MARK[:width]


def fitted(lines: Sequence[str], rows: int, width: int) -> list[str]:
    """At most so many lines; where some are left out the last one that is shown says so."""
    if len(lines) <= rows:
        return list(lines)
    if rows < 1:
        return []
    return [*lines[: rows - 1], shortened(" ".join(lines[rows - 1 :]), width)]


def _cut(runs: Sequence[Run], width: int) -> list[Run]:
    """Runs in so many cells; the last one that is cut says so."""
    if length(runs) <= width:
        return list(runs)
    out: list[Run] = []
    for k, (text, role) in enumerate(runs):
        if width <= 0:
            break
        if len(text) > width or (len(text) == width and k + 1 < len(runs)):
            out.append((shortened(text + MARK, width), role))
            return out
        out.append((text, role))
        width -= len(text)
    return out
