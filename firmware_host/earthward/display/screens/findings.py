"""Findings: each suspected place with its interval and stage, and the fittings; what to do with it next."""

from __future__ import annotations

from earthward import units
from earthward.daemon.protocol import Finding, Fitting, Plan
from earthward.display import words
from earthward.display.paper import Paper, wrapped
from earthward.display.places import tapes_to
from earthward.display.snapshot import Snapshot
from earthward.display.view import View, findings_list
from earthward.errors import InputError


def paint(paper: Paper, top: int, rows: int, snapshot: Snapshot, view: View) -> None:
    items = findings_list(snapshot)
    plan = snapshot.plan
    if plan is None or not items:
        paper.paragraph(top + 1, rows - 1, words.NO_FINDINGS, indent=1)
        return
    at = view.selected % len(items)
    details = _details(items[at], plan, view.system)
    lines = [line for text in details for line in wrapped(text, paper.width - 2)]
    lines = lines[: rows - 3]
    room = rows - len(lines) - 1
    first = min(max(0, at - room // 2), max(0, len(items) - room))
    y = top
    for i in range(first, min(len(items), first + room)):
        left, right = _line(items[i])
        role = "select" if i == at else "base"
        paper.put(y, [((">" if i == at else " ") + left, role)], [(right, role)], role=role)
        y += 1
    y += 1
    for line in lines:
        paper.put(y, [("  " + line, "strong")])
        y += 1


def _line(item: Finding | Fitting) -> tuple[str, str]:
    if isinstance(item, Fitting):
        current = f"{units.current(item.current_A)}  " if item.current_A is not None else ""
        return (
            words.FITTING_LINE.format(item.name, item.kind),
            current + (words.COVERED if item.covered else words.OPEN),
        )
    current = f"{units.current(item.current_A)}  " if item.current_A is not None else ""
    return words.FINDING_LINE.format(item.number, item.stage), current.strip()


def _details(item: Finding | Fitting, plan: Plan, system: units.Units) -> list[str]:
    x, y, depth = (units.length(v, system) for v in item.position_m)
    texts = [words.FINDING_AT.format(x, y, depth)]
    try:
        (one, first), (two, second) = tapes_to(plan, item.position_m)
        texts.append(
            words.FINDING_TAPES.format(units.length(first, system), one.name, units.length(second, system), two.name)
        )
    except InputError:
        # No outline and no marks: the position alone is told.
        pass
    if isinstance(item, Fitting):
        if item.interval_A is not None:
            texts.append(words.FINDING_CURRENT.format(units.current_interval(*item.interval_A)))
        return texts
    parts = []
    if item.radius_m is not None:
        parts.append(words.FINDING_RADIUS.format(units.length(item.radius_m, system)))
    if item.current_interval_A is not None:
        parts.append(words.FINDING_CURRENT.format(units.current_interval(*item.current_interval_A)))
    if item.hole_diameter_mm is not None:
        parts.append(words.FINDING_HOLE.format(units.small_interval(*item.hole_diameter_mm, system)))
    if parts:
        texts.append(", ".join(parts))
    texts.append(words.STAGE_HELP.get(item.stage, item.stage))
    if item.text:
        texts.append(item.text)
    return texts
