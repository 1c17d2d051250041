"""Findings: each suspected place with its interval and stage, and the fittings; what to do with it next."""

from __future__ import annotations

from dataclasses import replace

from earthward import units
from earthward.daemon.protocol import Plan, SetCovered, SetStage
from earthward.display import words
from earthward.display.canvas import Canvas, fitted, wrapped
from earthward.display.hands import Hand
from earthward.display.page import Page, Scene
from earthward.display.places import in_system, tapes_to
from earthward.display.snapshot import Snapshot
from earthward.display.view import Choice, Option, Pressed, View, with_notice
from earthward.errors import InputError
from earthward.record.finding import Finding, FittingShare, Stage
from earthward.record.place import Fitting


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    snapshot, view = scene.snapshot, scene.view
    items = findings_list(snapshot)
    plan = snapshot.plan
    if plan is None or not items:
        canvas.paragraph(top + 1, rows - 1, words.NO_FINDINGS, indent=1)
        return
    at = view.selected % len(items)
    details = _details(items[at], plan, view.system)
    lines = [line for text in details for line in wrapped(text, canvas.width - 2)]
    lines = fitted(lines, rows - 3, canvas.width - 2)
    room = rows - len(lines) - 1
    first = min(max(0, at - room // 2), max(0, len(items) - room))
    y = top
    for i in range(first, min(len(items), first + room)):
        left, right = _line(items[i], plan)
        role = "select" if i == at else "base"
        canvas.put(y, [((">" if i == at else " ") + left, role)], [(right, role)], role=role)
        y += 1
    y += 1
    for line in lines:
        canvas.put(y, [("  " + line, "strong")])
        y += 1


def _share(plan: Plan, fitting: Fitting) -> FittingShare | None:
    shares = () if plan.budget is None else plan.budget.fittings
    return next((share for share in shares if share.name == fitting.name), None)


def _line(item: Finding | Fitting, plan: Plan) -> tuple[str, str]:
    if isinstance(item, Fitting):
        share = _share(plan, item)
        current = f"{units.current(share.current_A)}  " if share is not None else ""
        return (
            words.FITTING_LINE.format(item.name, item.kind),
            current + (words.COVERED if item.covered else words.OPEN),
        )
    current = f"{units.current(item.current_A)}  " if item.current_A is not None else ""
    number = str(item.number) if item.number else words.UNNUMBERED
    return words.FINDING_LINE.format(number, item.stage), current.strip()


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
        share = _share(plan, item)
        if share is not None:
            texts.append(words.FINDING_CURRENT.format(units.current_interval(*share.interval_A)))
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
        texts.append(in_system(item.text, system))
    return texts


def findings_list(snapshot: Snapshot) -> list[Finding | Fitting]:
    """Findings first, then fittings, as the Findings page lists them."""
    plan = snapshot.plan
    return [*plan.findings, *plan.fittings] if plan else []


def _decide(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    items = findings_list(snapshot)
    if not items:
        return with_notice(view, words.NO_FINDING, now_s, bad=True), []
    item = items[view.selected % len(items)]
    back = Option("map", words.BACK)
    if isinstance(item, Fitting):
        if snapshot.state is not None and snapshot.state.interlock.state == "energised":
            return with_notice(view, words.DO_SOURCE_ON, now_s, bad=True), []
        covered = Option("keep", words.COVERED, (SetCovered(fitting=item.name, covered=True),))
        uncovered = Option("next", words.OPEN, (SetCovered(fitting=item.name, covered=False),))
        state = words.COVERED if item.covered else words.OPEN
        text = words.CHOICE_FITTING.format(item.name, state)
        return replace(view, choice=Choice(text, (covered, uncovered, back))), []

    if item.number == 0:
        return with_notice(view, words.TENTATIVE, now_s, bad=True), []

    def to(key: str, stage: Stage) -> Option:
        said = words.SAID_STAGE.format(item.number, stage)
        return Option(key, stage, (SetStage(finding=item.number, stage=stage),), said)

    if item.stage == words.DYE_DRAWN:
        options: tuple[Option, ...] = (to("keep", words.REPAIRED), back)
    elif item.stage == words.DYE_NOT_DRAWN:
        options = (to("keep", words.DYE_DRAWN), back)
    elif item.stage == words.REPAIRED:
        options = (to("keep", words.REMEASURED), back)
    elif item.stage == words.REMEASURED:
        options = (back,)
    else:
        options = (to("keep", words.DYE_DRAWN), to("next", words.DYE_NOT_DRAWN), back)
        if view.hands:
            options += (Option("hand", words.DO_DYE_HAND, (Hand("dye"),), stay=True),)
    return replace(view, choice=Choice(words.CHOICE_FINDING.format(item.number, item.stage), options)), []


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    if action == "keep":
        return _decide(view, snapshot, now_s)
    return replace(view, selected=(view.selected + 1) % max(1, len(findings_list(snapshot)))), []


PAGE = Page(
    "findings",
    "Findings",
    order=60,
    paint=paint,
    press=press,
    keys=words.USUAL_KEYS | {"keep": words.DECIDE_KEY},
    shortcut="f4",
)
