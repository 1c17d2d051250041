"""The two presses that a survey is made of: go to a place, keep what is read there."""

from __future__ import annotations

from dataclasses import replace

from earthward.daemon.protocol import Keep, MoveTo
from earthward.display import places, words
from earthward.display.meaning import STALE_S
from earthward.display.snapshot import Snapshot
from earthward.display.view import Pressed, View, with_notice
from earthward.errors import InputError
from earthward.record.place import Station


def keep_reading(view: View, snapshot: Snapshot, now_s: float, place: Station | None) -> Pressed:
    """Ask the daemon to keep the present reading, or say why not."""
    if not snapshot.connected:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    reading = snapshot.readings.get(0)
    if reading is None or reading.age_s(now_s) > STALE_S or reading.message.value_V is None:
        return with_notice(view, words.KEEP_REFUSED_OLD, now_s, bad=True), []
    if snapshot.state is not None and snapshot.state.interlock.state != "energised":
        return with_notice(view, words.KEEP_REFUSED_SOURCE, now_s, bad=True), []
    here = place or (snapshot.state.place if snapshot.state else None)
    if here is None:
        return with_notice(view, words.KEEP_REFUSED_PLACE, now_s, bad=True), []
    return with_notice(view, words.SAID_KEEP.format(places.place_text(here, view.system)), now_s), [Keep(place=place)]


def next_place(view: View, snapshot: Snapshot) -> tuple[View, Station] | None:
    """The place that `next` goes to: along the deck once a deck distance was given, else where the daemon proposes."""
    plan, state = snapshot.plan, snapshot.state
    if view.deck_m is None:
        proposed = (state.next_station if state else None) or (plan.next_station if plan else None)
        if proposed is not None:
            return view, proposed
    if plan is None:
        return None
    deck_m = 0.0 if view.deck_m is None else view.deck_m + places.DECK_STEP_M
    try:
        return replace(view, deck_m=deck_m), places.deck_place(plan, deck_m, view.system)
    except InputError:
        return None


def go_next(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    """Tell the daemon that the pole goes to the next place."""
    if not snapshot.connected:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    found = next_place(view, snapshot)
    if found is None:
        return with_notice(view, words.NO_NEXT, now_s, bad=True), []
    view, place = found
    text = words.MOVED.format(places.place_text(place, view.system))
    return with_notice(view, text, now_s), [MoveTo(place=place)]
