"""What lies over a screen for a moment: the help, and a choice that the three left keys answer."""

from __future__ import annotations

from earthward.display import keys, words
from earthward.display.look import Look
from earthward.display.paper import Paper, wrapped
from earthward.display.view import Choice


def help_page(paper: Paper, top: int, rows: int, look: Look) -> None:
    y, end = top, top + rows
    # At 40 x 13 there is no room for all: the first lines are the ones needed at the pool side.
    column = 8 if paper.width >= 53 else 6
    for action, text in words.HELP_LINES:
        names = (
            "F1-F6"
            if action == "screens"
            else " ".join(keys.shown(k) for k in look.keys.get(action, ())[: 2 if paper.width >= 53 else 1])
        )
        lines = wrapped(text, paper.width - column - 2)
        if y + len(lines) > end - 1:
            break
        for k, line in enumerate(lines):
            paper.put(y, [(f" {names:<{column}} " if k == 0 else " " * (column + 2), "strong"), (line, "base")])
            y += 1
    paper.paragraph(end - 1, 1, words.HELP_FOOT, "strong")


def choice_panel(paper: Paper, top: int, rows: int, choice: Choice, look: Look) -> None:
    y = top
    y += paper.paragraph(y, max(2, rows - len(choice.options) - 1), choice.text, "strong", indent=1)
    y += 1
    for option in choice.options:
        if y >= top + rows:
            break
        name = keys.shown(look.keys[option.key][0])
        paper.put(y, [(" ", "base"), (f" {name} ", "key"), (f" {option.label}", "strong")])
        y += 1
