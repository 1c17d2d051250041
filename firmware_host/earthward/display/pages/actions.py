"""Do: everything that is not the next step, for whoever has four keys only. Next chooses, keep does."""

from __future__ import annotations

from dataclasses import dataclass, replace

from earthward.daemon.protocol import (
    AtSurface,
    AtWall,
    KeepTail,
    Plumb,
    ReadDetails,
    SelectElectrode,
    SetAutoKeep,
    SetSound,
    SkipTurn,
    StepDone,
    Undo,
    WriteReport,
)
from earthward.display import words
from earthward.display.canvas import Canvas, wrapped
from earthward.display.hands import Hand
from earthward.display.next_step import loss_choice
from earthward.display.page import Page, Scene
from earthward.display.snapshot import Snapshot
from earthward.display.view import Choice, Option, Pressed, Send, View, with_notice


@dataclass(frozen=True, slots=True)
class Item:
    label: str
    messages: tuple[Send, ...] = ()
    why_not: str = ""
    choice: Choice | None = None
    said: str = ""


def items(view: View, snapshot: Snapshot) -> list[Item]:
    """What can be done now, and why not what cannot."""
    state = snapshot.state
    if state is None:
        return []
    spot = state.spot
    running = spot is not None and spot.phase != "done"
    on = state.interlock.state == "energised"
    step = next((s for s in (snapshot.steps.steps if snapshot.steps else []) if s.status == "now"), None)
    other = "B" if state.source.electrode == "A" else "A"
    several = snapshot.plan is not None and len(snapshot.plan.sources) > 1
    out = [
        Item(
            words.DO_UNDO.format(state.can_undo or words.DO_NOTHING),
            (Undo(),),
            "" if state.can_undo else words.NOTHING_TO_UNDO,
        ),
        Item(words.DO_SKIP_TURN, (SkipTurn(),), "" if running else words.DO_NO_SPOT),
        Item(words.DO_AUTO[state.auto_keep], (SetAutoKeep(on=not state.auto_keep),)),
        Item(words.DO_ZOOM[view.zoom], (SetSound(zoom=not view.zoom),)),
        Item(
            words.DO_ELECTRODE.format(other),
            (SelectElectrode(electrode=other),),  # type: ignore[arg-type]
            "" if on and several else words.DO_NO_ELECTRODE,
        ),
        Item(words.DO_LEVELS_AFTER, choice=loss_choice("after")),
        Item(words.DO_DETAILS, (ReadDetails(),), said=words.SAID_DETAILS),
        Item(words.DO_TAIL, (KeepTail(),)),
        Item(words.DO_REPORT, (WriteReport(),), words.DO_SOURCE_ON if on else "", said=words.SAID_REPORT),
    ]
    if state.head is not None:
        out[2:2] = [
            Item(words.DO_AT_WALL, (AtWall(),), said=words.SAID_AT_WALL),
            Item(words.DO_PLUMB, (Plumb(),), said=words.SAID_PLUMB),
        ]
    if state.depth is not None:
        out.insert(2, Item(words.DO_SURFACE, (AtSurface(),), said=words.SAID_SURFACE))
    if step is not None:
        skip = Option("keep", words.YES, (StepDone(key=step.key, note=words.SKIPPED),), words.SKIPPED)
        choice = Choice(words.CHOICE_SKIP.format(step.title), (skip, Option("map", words.BACK)))
        out.append(Item(words.DO_SKIP_STEP.format(step.title), choice=choice))
    if view.hands:
        out.insert(0, Item(words.DO_DYE_HAND, (Hand("dye"),), words.DO_SOURCE_ON if on else ""))
    return out


def paint(canvas: Canvas, top: int, rows: int, scene: Scene) -> None:
    listed = items(scene.view, scene.snapshot)
    if not listed:
        canvas.paragraph(top + 1, rows - 1, words.WAITING, indent=1)
        return
    at = scene.view.selected % len(listed)
    why = wrapped(listed[at].why_not, canvas.width - 4) if listed[at].why_not else ()
    room = rows - len(why)
    first = min(max(0, at - room // 2), max(0, len(listed) - room))
    y = top
    for i in range(first, min(len(listed), first + room)):
        mark = ">" if i == at else " "
        label = listed[i].label
        canvas.put(y, [(f"{mark}{label}", "select" if i == at else "base")], role="select" if i == at else "base")
        y += 1
        if i == at:
            for line in why:
                canvas.put(y, [("    " + line, "caution")])
                y += 1


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    listed = items(view, snapshot)
    if not listed:
        return view, []
    if action == "next":
        return replace(view, selected=(view.selected + 1) % len(listed)), []
    item = listed[view.selected % len(listed)]
    if not snapshot.connected:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    if item.why_not:
        return with_notice(view, item.why_not, now_s, bad=True), []
    if item.choice is not None:
        return replace(view, choice=item.choice), []
    for message in item.messages:
        if isinstance(message, SetSound) and message.zoom is not None:
            view = replace(view, zoom=message.zoom)
    return with_notice(view, item.said or item.label, now_s), list(item.messages)


PAGE = Page(
    "do", "Do", order=45, paint=paint, press=press, keys=words.USUAL_KEYS | {"keep": words.DO_KEY}, shortcut="f7"
)
