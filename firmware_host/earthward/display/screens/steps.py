"""Steps: the guided course of the visit, safety first, with what was measured."""

from __future__ import annotations

from earthward.display import words
from earthward.display.paper import Paper, wrapped
from earthward.display.snapshot import Snapshot
from earthward.display.view import View, selected_step


def paint(paper: Paper, top: int, rows: int, snapshot: Snapshot, view: View) -> None:
    y = top
    state = snapshot.state
    if state is not None and rows >= 6:
        left = state.interlock.water_clear_left_s
        if left is not None:
            text = words.WATER_CLEAR_LEFT.format(f"{left / 60:.0f} min") if left > 0 else words.WATER_CLEAR_OVER
            paper.put(y, [(text, "base" if left > 60 else "caution")])
            y += 1
        missing = [p for p in state.interlock.permissives if not p.ok]
        for permissive in missing[:3]:
            used = wrapped("- " + permissive.text, paper.width)
            for line in used[:2]:
                paper.put(y, [(line, "caution")])
                y += 1
    steps = snapshot.steps.steps if snapshot.steps else []
    if not steps:
        paper.paragraph(y + 1, top + rows - y - 1, words.NO_STEPS, indent=1)
        return
    chosen = selected_step(view, snapshot)
    at = next((i for i, step in enumerate(steps) if step is chosen), 0)
    # The chosen step's own text needs room; the list scrolls so that the chosen one is always seen.
    told = wrapped(chosen.text, paper.width - 4) if chosen and chosen.text else ()
    told = told[: max(1, (top + rows - y) // 2)] if told else ()
    room = top + rows - y - len(told)
    first = min(max(0, at - room // 2), max(0, len(steps) - room))
    for i in range(first, min(len(steps), first + room)):
        step = steps[i]
        role = "select" if i == at else ("strong" if step.status in ("now", "failed") else "base")
        left_text = f"{words.STEP_STATUS[step.status]} {step.title}"
        value = words.STEP_STATUS_WORD[step.status]
        if i != at and step.text and paper.width >= 80:
            value = f"{step.text.splitlines()[0][: paper.width - len(left_text) - 12]}  {value}".strip()
        paper.put(y, [(left_text, role)], [(value, role)], role=role)
        y += 1
        if i == at:
            for line in told:
                paper.put(y, [("    " + line, "strong")])
                y += 1
