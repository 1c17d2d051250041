"""From snapshot and view to rows: the one function that the widget, the tests and the pictures call."""

from __future__ import annotations

from typing import Any

from earthward.display.look import Look
from earthward.display.meaning import Meaning, meaning_of
from earthward.display.paper import Paper
from earthward.display.screens import budget, findings, frame, log, overlay, place, read, steps
from earthward.display.screens import map as map_screen
from earthward.display.snapshot import Snapshot
from earthward.display.view import View


def draw(
    width: int,
    height: int,
    snapshot: Snapshot,
    view: View,
    look: Look,
    now_s: float,
    meaning: Meaning | None = None,
    shown: Meaning | None = None,
    memo: dict[Any, Any] | None = None,
) -> Paper:
    """The whole screen. `memo` keeps what is dear to draw between calls; `shown` is what the digits still show.

    `meaning` spares working it out again.
    """
    paper = Paper(width, height, look.tier)
    memo = memo if memo is not None else {}
    frame.status(paper, snapshot, view, now_s)
    text, role = frame.message(snapshot, view, now_s)
    message_rows = frame.message_rows(paper, text)
    top, rows = 1, height - 2 - message_rows
    if view.help:
        overlay.help_page(paper, top, rows, look)
    elif view.choice is not None:
        overlay.choice_panel(paper, top, rows, view.choice, look)
    elif view.page == "place" or view.entry is not None:
        place.paint(paper, top, rows, snapshot, view, look)
    elif view.page == "read":
        read.paint(paper, top, rows, snapshot, now_s, meaning or meaning_of(snapshot, now_s), shown, memo)
    elif view.screen == "map":
        map_screen.paint(paper, top, rows, snapshot, view, memo)
    elif view.page == "steps":
        steps.paint(paper, top, rows, snapshot, view)
    elif view.page == "findings":
        findings.paint(paper, top, rows, snapshot, view)
    elif view.page == "budget":
        budget.paint(paper, top, rows, snapshot, view)
    elif view.page == "log":
        log.paint(paper, top, rows, snapshot, view, now_s)
    fill = role in ("alarm", "caution")
    paper.paragraph(height - 1 - message_rows, message_rows, text, role, indent=1 if fill else 0, fill=fill)
    frame.key_row(paper, view, look, memo)
    return paper
