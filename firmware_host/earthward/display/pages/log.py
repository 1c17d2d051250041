"""Log: what happened, newest first, in full."""

from __future__ import annotations

from dataclasses import replace

from earthward.display import words
from earthward.display.canvas import Canvas, fitted, wrapped
from earthward.display.keeping import do_now
from earthward.display.page import Page, Scene
from earthward.display.places import in_system
from earthward.display.snapshot import Snapshot
from earthward.display.view import Pressed, View

#: So many events older at a press.
OLDER = 8


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view, now_s = scene.snapshot, scene.view, scene.now_s
    if not snapshot.events:
        canvas.paragraph(top + 1, rows - 1, words.NO_EVENTS, indent=1)
        return
    y, end = top, top + rows
    events = list(reversed(snapshot.events))
    for at, event in events[min(view.older, len(events) - 1) :]:
        head = f"{ago(now_s - at)} {words.SEVERITY[event.severity]} "
        text = event.text + (f" {words.REMEDY}{event.remedy}" if event.remedy else "")
        lines = wrapped(in_system(one_line(text), view.system), max(10, canvas.width - len(head)))
        if y + len(lines) > end:
            # A very long one still shows its beginning when it is the only one on the page.
            if y > top:
                break
            lines = tuple(fitted(lines, end - y, max(10, canvas.width - len(head))))
        role = {"alarm": "alarm", "caution": "caution"}.get(event.severity, "base")
        for k, line in enumerate(lines):
            canvas.put(y, [(head if k == 0 else " " * len(head), role if k == 0 else "base"), (line, "base")])
            y += 1
        if y >= end:
            break


def one_line(text: str) -> str:
    return " ".join(text.split())


def ago(seconds: float) -> str:
    """ " 12 s", "  3 min": coarse, so that it does not change at every redraw."""
    seconds = max(0.0, seconds)
    if seconds < 60:
        return words.AGO_S.format(seconds // 10 * 10).ljust(7)
    if seconds < 3600:
        return words.AGO_MIN.format(seconds // 60).ljust(7)
    return words.AGO_H.format(seconds // 3600).ljust(7)


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    if action == "keep":
        return do_now(view, snapshot, now_s)
    older = view.older + OLDER
    return replace(view, older=0 if older >= len(snapshot.events) else older), []


PAGE = Page(
    "log", "Log", order=80, paint=paint, press=press, keys=words.USUAL_KEYS | {"next": words.OLDER_KEY}, shortcut="f6"
)
