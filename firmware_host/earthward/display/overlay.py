"""What lies over a screen for a moment: the help, and a choice that the three left keys answer."""

from __future__ import annotations

from earthward.display import keys, words
from earthward.display.canvas import Canvas, wrapped
from earthward.display.options import Options
from earthward.display.view import Choice


def help_page(canvas: Canvas, top: int, rows: int, options: Options, number: int) -> None:
    """As many pages as the screen needs; the help key turns them."""
    column = 8 if canvas.width >= 53 else 6
    shown: list[list[tuple[str, str]]] = [[]]
    for action, text in words.HELP_LINES:
        names = options.keys.get(action, ())[: 2 if canvas.width >= 53 else 1]
        name = words.HELP_NAMES.get(action) or " ".join(keys.shown(k) for k in names)
        lines = wrapped(text, canvas.width - column - 2)
        if len(shown[-1]) + len(lines) > rows - 1:
            shown.append([])
        shown[-1] += [(f" {name:<{column}} " if k == 0 else " " * (column + 2), line) for k, line in enumerate(lines)]
    at = (number - 1) % len(shown)
    for k, (name, line) in enumerate(shown[at]):
        canvas.put(top + k, [(name, "strong"), (line, "base")])
    foot = words.HELP_FOOT if len(shown) == 1 else words.HELP_MORE.format(at + 1, len(shown))
    canvas.paragraph(top + rows - 1, 1, foot, "strong")


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
