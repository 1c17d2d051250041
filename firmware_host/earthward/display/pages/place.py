"""Place: say where the pole is, by deck distance or by two tapes; typed, or turned with two switches. Any form."""

from __future__ import annotations

from earthward import units
from earthward.daemon.protocol import State
from earthward.display import figures, forms, keys, words
from earthward.display.canvas import Canvas
from earthward.display.figures import FACE_5
from earthward.display.forms import DIGITS, FORMS
from earthward.display.page import Page, Scene
from earthward.display.view import Entry


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    entry = scene.view.entry or Entry(form="tapes", lines=("", ""), wheel=0)
    canvas.put(top, [(FORMS[entry.form].title, "strong")])
    names = forms.labels(entry, scene.snapshot)
    y, end = top + 1, top + rows
    if entry.wheel is not None:
        field = entry.wheel // DIGITS
        unit = forms.unit(entry, field, scene.view.system)
        y = _wheel(canvas, y, rows - 1, entry, names[field], unit)
        hint = words.PLACE_HELP_SWITCH
    else:
        for i, (label, line) in enumerate(zip(names, entry.lines, strict=True)):
            here = i == entry.at
            unit = forms.unit(entry, i, scene.view.system)
            runs = [(f"{label}: ", "base"), (f" {line}{'_' if here else ' '} {unit} ", "select" if here else "strong")]
            canvas.put(y, runs)
            y += 1
        hint = words.PLACE_HELP_KEYS.format(keys.shown(scene.options.keys["keep"][0]))
    told = depth_text(scene.snapshot.state, scene.view.system)
    if told and end > y:
        y += canvas.paragraph(y, min(2, end - y), told)
    if entry.error:
        y += canvas.paragraph(y, min(3, end - y), entry.error, "caution", fill=True)
    if end > y:
        canvas.paragraph(y, end - y, hint)


def depth_text(state: State | None, system: units.Units) -> str:
    """With a depth sensor in the head nobody has to say how deep it is held."""
    if state is None or state.depth is None:
        return ""
    told = state.depth.told
    if told is None:
        return state.depth.text
    return words.PLACE_DEPTH.format(units.length(told.depth_m, system), units.length(told.sigma_m, system))


def _wheel(canvas: Canvas, y: int, rows: int, entry: Entry, label: str, unit: str) -> int:
    wheel = entry.wheel or 0
    first = wheel // DIGITS * DIGITS
    shown = entry.wheel_digits[first : first + DIGITS]
    number = f"{shown[0]}{shown[1]}.{shown[2]}"
    canvas.put(y, [(f"{label}, {unit}", "base")])
    y += 1
    # Label, digits, mark and two rows of hint; what is wrong needs three more.
    if rows >= (12 if entry.error else 9):
        for r, line in enumerate(figures.digits(number, FACE_5)):
            canvas.put(y + r, [("  " + line, "strong")])
        y += FACE_5.rows
        # The point stands between second and third digit: 6 cells a digit, see FACE_5.
        at = (2, 10, 20)[wheel % DIGITS]
        canvas.put(y, [(" " * at + "▲▲▲▲▲▲", "strong")])
        return y + 1
    canvas.put(y, [(f"  {number}   {words.PLACE_DIGIT} {wheel % DIGITS + 1}", "strong")])
    return y + 1


PAGE = Page(
    "place",
    "Place",
    order=40,
    paint=paint,
    keys={"keep": words.ACCEPT_KEY, "map": words.MAP, "next": words.DIGIT_KEY},
    opens_entry=True,
)
