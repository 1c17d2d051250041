"""The presses that a survey is made of: be at a place, do what is next."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import msgspec

from earthward.daemon.protocol import BeginSpot, MoveTo, Plan
from earthward.display import places, words
from earthward.display.hands import Act, Hand
from earthward.display.next_step import what_now
from earthward.display.pages import registry
from earthward.display.snapshot import Snapshot
from earthward.display.view import Pressed, View, with_notice
from earthward.record.place import Station


def do_now(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    """The keep key: the next thing, or why it cannot be pressed."""
    now = what_now(view, snapshot)
    if now.key != "keep":
        return with_notice(view, now.text, now_s, bad=not snapshot.connected), []
    if now.choice is not None:
        return replace(view, choice=now.choice), []
    if now.page:
        # Straight to the question; once it is answered, back to where the person was.
        there = replace(view, page=now.page, selected=now.line, back=view.page)
        own = registry()[now.page].press
        return (there, []) if own is None else own(there, "keep", snapshot, now_s)
    return view, list(now.messages)


def go_next(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    """The next key: the pole is at the proposed place."""
    state = snapshot.state
    if not snapshot.connected or state is None:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    if state.interlock.state != "energised":
        return with_notice(view, words.SPOT_SOURCE_OFF, now_s, bad=True), []
    if state.spot is not None and state.spot.phase != "done" and state.spot.at == 0 and state.spot.phase == "hold":
        return with_notice(view, words.SPOT_RUNNING, now_s, bad=True), []
    place = state.next_station or (snapshot.plan.next_station if snapshot.plan else None)
    if place is None:
        return with_notice(view, words.NO_NEXT, now_s, bad=True), []
    return begin_spot(view, place, state.next_finding, now_s)


def begin_spot(view: View, place: Station, finding: int | None, now_s: float) -> Pressed:
    """Tell the daemon that the pole is at this place, held along."""
    text = words.MOVED.format(places.place_text(place, view.system))
    return with_notice(view, text, now_s), [BeginSpot(place=place, finding=finding)]


def hand(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    """On the emulated bench a key is the hand at the enable and at the board's reset button."""
    if not view.hands:
        return view, []
    state = snapshot.state
    held = state is not None and any(p.name == "enable" and p.ok for p in state.interlock.permissives)
    tripped = state is not None and state.interlock.state == "tripped"
    act: Act = "let go" if held or tripped else "hold"
    return with_notice(view, words.SAID_HAND[act], now_s), [Hand(act)]


def pause(view: View, now_s: float) -> Pressed:
    """The emulated bench's time stands still while somebody explains, and goes on with the same key."""
    if not view.hands:
        return view, []
    paused = not view.paused
    act: Act = "pause" if paused else "go on"
    return with_notice(replace(view, paused=paused), words.SAID_HAND[act], now_s), [Hand(act)]


#: One press moves the pole so far, in plan or in depth, or turns it so much.
POLE_STEP_M, POLE_TURN_DEG = 0.2, 45.0
#: The middle of the pair stays so far inside the edge and below the surface.
POLE_INSIDE_M = 0.2
_WAYS = {
    "left": (-1.0, 0.0, 0.0),
    "right": (1.0, 0.0, 0.0),
    "up": (0.0, 1.0, 0.0),
    "down": (0.0, -1.0, 0.0),
    "deeper": (0.0, 0.0, 1.0),
    "higher": (0.0, 0.0, -1.0),
}


def move_pole(view: View, way: str, snapshot: Snapshot, now_s: float) -> Pressed:
    """On an emulated bench keys hold the pole: as the map shows it, y upwards. The display of a real instrument has no
    hands, and its person holds the pole himself."""
    state, plan = snapshot.state, snapshot.plan
    if not view.hands or state is None or plan is None or not plan.outline_m:
        return view, []
    if state.spot is not None and state.spot.phase != "done":
        return with_notice(view, words.SPOT_RUNNING, now_s, bad=True), []
    place = moved(state.place or _middle(plan), way)
    x, y, _ = place.position_m
    edges = [(x + dx, y + dy) for dx in (-POLE_INSIDE_M, POLE_INSIDE_M) for dy in (-POLE_INSIDE_M, POLE_INSIDE_M)]
    if not all(places.inside(p, plan.outline_m) for p in edges) or place.position_m[2] < POLE_INSIDE_M:
        return with_notice(view, words.POLE_AT_EDGE, now_s, bad=True), []
    return with_notice(view, words.MOVED.format(places.place_text(place, view.system)), now_s), [MoveTo(place=place)]


def moved(place: Station, way: str) -> Station:
    """The place after one press."""
    bearing = place.bearing_deg or 0.0
    if way == "upright":
        return replace_place(place, vertical=not place.vertical, bearing_deg=bearing)
    if way.startswith("turn "):
        turn = POLE_TURN_DEG if way == "turn left" else -POLE_TURN_DEG
        return replace_place(place, bearing_deg=(bearing + turn) % 360.0)
    x, y, z = (round(p + POLE_STEP_M * d, 3) for p, d in zip(place.position_m, _WAYS[way], strict=True))
    return replace_place(place, position_m=(x, y, z))


def replace_place(place: Station, **changes: Any) -> Station:
    """A place that is no longer the one that was named."""
    return msgspec.structs.replace(place, **{"name": "", "text": "", **changes})


def _middle(plan: Plan) -> Station:
    xs, ys = [p[0] for p in plan.outline_m], [p[1] for p in plan.outline_m]
    return Station(position_m=((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2, places.DEPTH_M), bearing_deg=0.0)
