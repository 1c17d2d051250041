"""Place: say where the pole is, by deck distance or by two tapes; typed, or turned with two switches."""

from __future__ import annotations

from earthward.display import figures, keys, words
from earthward.display.canvas import Canvas
from earthward.display.figures import FACE_5
from earthward.display.page import Page, Scene
from earthward.display.places import marks_of
from earthward.display.view import Entry
from earthward.errors import InputError


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view, options = scene.snapshot, scene.view, scene.options
    entry = view.entry or Entry(wheel=0)
    canvas.put(top, [(words.PLACE_TITLE, "strong")])
    names = ("", "")
    if snapshot.plan is not None:
        try:
            one, two = marks_of(snapshot.plan)
            names = (one.name, two.name)
        except InputError as error:
            canvas.paragraph(top + 1, 1, str(error), "caution")
    y = top + 1
    if entry.wheel is not None:
        y = _wheel(canvas, y, rows - 1, entry, names)
        hint = words.PLACE_HELP_SWITCH
    else:
        unit = "m" if view.system == "si" else "ft"
        typed = len(entry.lines)
        labels = (words.PLACE_DECK,) if typed == 1 else (words.PLACE_TAPE_1, words.PLACE_TAPE_2)
        for i, (label, line) in enumerate(zip(labels, entry.lines, strict=True)):
            cursor = "_" if i == typed - 1 else " "
            left = f"{label} {words.PLACE_FROM.format(names[i] or '-')}: "
            canvas.put(y, [(left, "base"), (f" {line}{cursor} {unit} ", "select" if i == typed - 1 else "strong")])
            y += 1
        hint = words.PLACE_HELP_KEYS.format(keys.shown(options.keys["keep"][0]))
    if entry.error:
        y += canvas.paragraph(y, min(3, top + rows - y), entry.error, "caution", fill=True)
    canvas.paragraph(y, top + rows - y, hint)


def _wheel(canvas: Canvas, y: int, rows: int, entry: Entry, names: tuple[str, str]) -> int:
    wheel = entry.wheel or 0
    tape = wheel // 3
    shown = entry.wheel_digits[3 * tape : 3 * tape + 3]
    label = (words.PLACE_TAPE_1, words.PLACE_TAPE_2)[tape]
    canvas.put(y, [(f"{label} {words.PLACE_FROM.format(names[tape] or '-')}", "base")])
    y += 1
    # Label, digits, mark and two rows of hint; what is wrong needs three more.
    if rows >= (12 if entry.error else 9):
        cells = figures.digits(f"{shown[0]}{shown[1]}.{shown[2]}", FACE_5)
        for r, line in enumerate(cells):
            canvas.put(y + r, [("  " + line, "strong")])
        y += len(cells)
        # The point stands between second and third digit: 6 cells a digit, see FACE_5.
        at = (2, 10, 20)[wheel % 3]
        canvas.put(y, [(" " * at + "▲▲▲▲▲▲", "strong")])
        y += 1
    else:
        canvas.put(y, [(f"  {shown[0]}{shown[1]}.{shown[2]}   {words.PLACE_DIGIT} {wheel % 3 + 1}", "strong")])
        y += 1
    return y


PAGE = Page(
    "place",
    "Place",
    order=40,
    paint=paint,
    keys={"keep": words.ACCEPT_KEY, "map": words.MAP, "next": words.DIGIT_KEY},
    opens_entry=True,
)
