"""What lies over a screen for a moment: the help, and a choice that the three left keys answer."""

from __future__ import annotations

from earthward.display import keys, words
from earthward.display.canvas import Canvas, wrapped
from earthward.display.options import Options
from earthward.display.view import Choice


def help_page(canvas: Canvas, top: int, rows: int, options: Options) -> None:
    y, end = top, top + rows
    # At 40 x 13 there is no room for all: the first lines are the ones needed at the pool side.
    column = 8 if canvas.width >= 53 else 6
    for action, text in words.HELP_LINES:
        names = (
            "F1-F6"
            if action == "screens"
            else " ".join(keys.shown(k) for k in options.keys.get(action, ())[: 2 if canvas.width >= 53 else 1])
        )
        lines = wrapped(text, canvas.width - column - 2)
        if y + len(lines) > end - 1:
            break
        for k, line in enumerate(lines):
            canvas.put(y, [(f" {names:<{column}} " if k == 0 else " " * (column + 2), "strong"), (line, "base")])
            y += 1
    canvas.paragraph(end - 1, 1, words.HELP_FOOT, "strong")


def choice_panel(canvas: Canvas, top: int, rows: int, choice: Choice, options: Options) -> None:
    y = top
    y += canvas.paragraph(y, max(2, rows - len(choice.options) - 1), choice.text, "strong", indent=1)
    y += 1
    for option in choice.options:
        if y >= top + rows:
            break
        name = keys.shown(options.keys[option.key][0])
        canvas.put(y, [(" ", "base"), (f" {name} ", "key"), (f" {option.label}", "strong")])
        y += 1
