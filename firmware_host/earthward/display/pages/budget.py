"""Budget: how much of the current, and of the water, is explained."""

from __future__ import annotations

from earthward import units
from earthward.display import figures, words
from earthward.display.canvas import Canvas
from earthward.display.page import Page, Scene
from earthward.display.places import in_system


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view = scene.snapshot, scene.view
    plan = snapshot.plan
    if plan is None:
        canvas.paragraph(top + 1, rows - 1, words.NO_PLAN, indent=1)
        return
    budget, water = plan.budget, plan.water
    y, end = top, top + rows
    air = rows >= 17
    canvas.put(y, [(words.CURRENT_BUDGET, "strong")])
    y += 1
    whole = None if budget is None else budget.injected_A
    for label, value in (
        (words.INJECTED, whole),
        (words.FITTINGS, None if budget is None else budget.fittings_A),
        (words.FINDINGS, None if budget is None else budget.findings_A),
        (words.UNEXPLAINED, None if budget is None else budget.unexplained_A),
    ):
        _share(canvas, y, label, value, whole)
        y += 1
    if budget is not None:
        text = units.current_interval(*budget.unexplained_interval_A)
        canvas.put(y, [(f"{words.UNEXPLAINED:>12} {text} (90 %)", "base")])
        y += 1
    y += 1 if air else 0
    canvas.put(y, [(words.WATER_BUDGET, "strong")])
    y += 1
    loss = words.NOT_KNOWN if water is None else units.water_interval(*water.loss, view.system)
    canvas.put(y, [(f"  {words.LOSS} ", "base"), (loss, "strong")])
    y += 1
    explained = words.NOT_KNOWN
    if water is not None and water.by != "nothing":
        explained = units.water_interval(*water.explained, view.system)
    label = words.EXPLAINED if len(words.EXPLAINED) + len(explained) + 4 <= canvas.width else words.EXPLAINED_SHORT
    canvas.put(y, [(f"  {label} ", "base"), (explained, "strong")])
    y += 1
    y += 1 if air else 0
    current_text = words.NOTHING_KEPT if budget is None else f"{budget.text}.".replace("..", ".")
    water_text = "" if water is None else f"Water: {water.verdict}, {water.text}."
    for text in (current_text, water_text, plan.text, words.PLUMBING_NOTE):
        if text and y < end:
            y += canvas.paragraph(y, end - y, in_system(text, view.system), indent=2)


def _share(canvas: Canvas, y: int, label: str, value_A: float | None, whole_A: float | None) -> None:
    text = units.current(value_A) if value_A is not None else words.NOT_KNOWN
    bar = ""
    percent = ""
    if value_A is not None and whole_A:
        width = max(8, min(40, canvas.width - 34))
        bar = figures.share_cells(value_A / whole_A, width)
        percent = f" {100 * value_A / whole_A:3.0f} %"
    canvas.put(y, [(f"{label:>12} ", "base"), (f"{text:>9} ", "strong"), (bar, "base"), (percent, "base")])


PAGE = Page("budget", "Budget", order=70, paint=paint, shortcut="f5")
