"""From snapshot and view to rows: the one function that the widget, the tests and the pictures call."""

from __future__ import annotations

from typing import Any

from earthward.display import frame, overlay
from earthward.display.canvas import Canvas
from earthward.display.meaning import Meaning, meaning_of
from earthward.display.options import Options
from earthward.display.page import Scene
from earthward.display.pages import registry
from earthward.display.snapshot import Snapshot
from earthward.display.view import View


def draw(
    width: int,
    height: int,
    snapshot: Snapshot,
    view: View,
    options: Options,
    now_s: float,
    meaning: Meaning | None = None,
    shown: Meaning | None = None,
    memo: dict[Any, Any] | None = None,
) -> Canvas:
    """The whole screen. `memo` keeps what is costly to draw between calls; `shown` is what the digits still show.

    `meaning` spares working it out again.
    """
    canvas = Canvas(width, height, options.tier)
    memo = memo if memo is not None else {}
    meaning = meaning or meaning_of(snapshot, now_s)
    scene = Scene(snapshot, view, options, now_s, meaning, shown, memo)
    frame.status(canvas, scene)
    text, role = frame.message(snapshot, view, now_s, frame.now_line(scene)[1])
    message_rows = frame.message_rows(canvas, text)
    now_rows = frame.now_rows(canvas, scene)
    if role == "strong" and canvas.height < 16 and len(now_rows) > 2:
        # Where the next place has the rows, what has just been kept is said shortly.
        message_rows = min(message_rows, 1)
    top, rows = 1, height - 2 - message_rows - len(now_rows)
    if view.help:
        overlay.help_page(canvas, top, rows, options, view.help)
    elif view.choice is not None:
        overlay.choice_panel(canvas, top, rows, view.choice, options)
    else:
        page = registry()["place" if view.entry is not None else view.page]
        page.paint(canvas, top, rows, scene)
    fill = role in ("alarm", "caution")
    y = top + rows
    if message_rows:
        canvas.paragraph(y, message_rows, text, role, indent=1 if fill else 0, fill=fill)
    for k, line in enumerate(now_rows):
        canvas.put(y + message_rows + k, [(line, "strong")])
    frame.key_row(canvas, view, options, memo)
    return canvas
