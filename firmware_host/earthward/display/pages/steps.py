"""Steps: the guided course of the visit, safety first, with what was measured."""

from __future__ import annotations

from dataclasses import replace

from earthward.daemon.protocol import FromClient, StepDone, WaterClear
from earthward.display import words
from earthward.display.canvas import Canvas, fitted, shortened, wrapped
from earthward.display.page import Page, Scene
from earthward.display.places import in_system
from earthward.display.snapshot import Snapshot
from earthward.display.view import Choice, Option, Pressed, View, with_notice
from earthward.record.step import Step

#: A statement that runs out so soon is asked for again.
WATER_SOON_S = 60.0
#: That nobody is in the water: the name of the permissive, and the key of the step.
WATER_CLEAR = "water clear"


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view = scene.snapshot, scene.view
    y = top
    state = snapshot.state
    # Without contact nothing is known of the interlock: what was true then may not be now.
    if state is not None and snapshot.connected and rows >= 6:
        left = state.interlock.water_clear_left_s
        if left is not None:
            text = words.WATER_CLEAR_LEFT.format(f"{left / 60:.0f} min") if left > 0 else words.WATER_CLEAR_OVER
            canvas.put(y, [(text, "base" if left > 60 else "caution")])
            y += 1
    steps = snapshot.steps.steps if snapshot.steps else []
    if not steps:
        canvas.paragraph(y + 1, top + rows - y - 1, words.NO_STEPS, indent=1)
        return
    chosen = selected_step(view, snapshot)
    at = next((i for i, step in enumerate(steps) if step is chosen), 0)
    # The chosen step's own text needs room; the list scrolls so that the chosen one is always seen.
    said = wrapped(in_system(chosen.text, view.system), canvas.width - 4) if chosen and chosen.text else ()
    lines = fitted(said, max(1, (top + rows - y) // 2), canvas.width - 4)
    listed = top + rows - y - len(lines)
    first = min(max(0, at - listed // 2), max(0, len(steps) - listed))
    for i in range(first, min(len(steps), first + listed)):
        step = steps[i]
        role = "select" if i == at else ("strong" if step.status in ("now", "failed") else "base")
        left_text = f"{words.STEP_STATUS[step.status]} {step.title}"
        value = words.STEP_STATUS_WORD[step.status]
        if i != at and step.text and canvas.width >= 80:
            room = max(0, canvas.width - len(left_text) - 12)
            value = f"{shortened(in_system(step.text.splitlines()[0], view.system), room)}  {value}".strip()
        canvas.put(y, [(left_text, role)], [(value, role)], role=role)
        y += 1
        if i == at:
            for line in lines:
                canvas.put(y, [("    " + line, "strong")])
                y += 1


def selected_step(view: View, snapshot: Snapshot) -> Step | None:
    """The step that `confirm` is about: the one chosen, else the present one."""
    steps = snapshot.steps.steps if snapshot.steps else []
    if not steps:
        return None
    now = next((i for i, step in enumerate(steps) if step.status == "now"), 0)
    return steps[(now + view.selected) % len(steps)]


def water_clear_due(snapshot: Snapshot) -> bool:
    """The statement that nobody is in the water has run out or soon will."""
    if snapshot.state is None:
        return False
    interlock = snapshot.state.interlock
    if interlock.water_clear_left_s is not None:
        return interlock.water_clear_left_s < WATER_SOON_S
    return any(not p.ok and p.name == WATER_CLEAR for p in interlock.permissives)


def is_water_step(step: Step) -> bool:
    return step.key == WATER_CLEAR


def _confirm_step(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    step = selected_step(view, snapshot)
    back = Option("map", words.BACK)
    if (step is not None and is_water_step(step)) or (water_clear_due(snapshot) and view.selected == 0):
        messages: tuple[FromClient, ...] = (WaterClear(by=view.operator),)
        said = words.SAID_STEP.format(words.WATER_CLEAR.rstrip("?"))
        option = Option("keep", words.YES, messages, said)
        return replace(view, choice=Choice(words.CHOICE_WATER, (option, back))), []
    if step is None:
        return with_notice(view, words.NO_STEP, now_s, bad=True), []
    if step.status in ("done", "skipped"):
        return with_notice(view, words.STEP_ALREADY, now_s), []
    option = Option("keep", words.YES, (StepDone(key=step.key, note=words.SKIPPED),), words.SKIPPED)
    return replace(view, choice=Choice(words.CHOICE_SKIP.format(step.title), (option, back))), []


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    if action == "keep":
        return _confirm_step(view, snapshot, now_s)
    count = len(snapshot.steps.steps) if snapshot.steps else 0
    return replace(view, selected=(view.selected + 1) % max(1, count)), []


PAGE = Page(
    "steps",
    "Steps",
    order=50,
    paint=paint,
    press=press,
    keys=words.USUAL_KEYS | {"keep": words.CONFIRM_KEY},
    shortcut="f3",
)
