"""A place being said: typed as a deck distance or two tapes, or turned digit by digit with two switches."""

from __future__ import annotations

from dataclasses import replace

from earthward import units
from earthward.daemon.protocol import FromClient, MoveTo
from earthward.display import places, words
from earthward.display.keeping import keep_reading
from earthward.display.snapshot import Snapshot
from earthward.display.view import Entry, Pressed, View, with_notice
from earthward.errors import InputError


def typed(view: View, entry: Entry, action: str, snapshot: Snapshot, now_s: float) -> Pressed | None:
    """A press while a place is being given; None = not for us."""
    if action == "escape" or (action == "map" and entry.wheel is None):
        return replace(view, entry=Entry(wheel=0) if view.page == "place" else None), []
    if action.startswith("type "):
        lines = (*entry.lines[:-1], entry.lines[-1] + action[5:]) if entry.wheel is None else (action[5:],)
        return replace(view, entry=Entry(lines=lines)), []
    if action == "tab":
        lines = (*entry.lines, "") if len(entry.lines) == 1 else (entry.lines[0],)
        return replace(view, entry=Entry(lines=lines)), []
    if action == "erase":
        return replace(view, entry=Entry(lines=(*entry.lines[:-1], entry.lines[-1][:-1]))), []
    if entry.wheel is not None and view.page == "place":
        return _turning(view, entry, action, snapshot, now_s)
    if action in ("enter", "keep"):
        return _placed(view, entry.lines, snapshot, now_s, and_keep=action == "keep")
    if action == "next":
        return view, []
    return None


def _turning(view: View, entry: Entry, action: str, snapshot: Snapshot, now_s: float) -> Pressed | None:
    """The switches' way: next turns the digit, keep takes it; six digits are two tapes of tens, ones and tenths."""
    wheel = entry.wheel or 0
    if action == "next":
        digits = list(entry.wheel_digits)
        digits[wheel] = (digits[wheel] + 1) % 10
        return replace(view, entry=replace(entry, wheel_digits=tuple(digits), error="")), []
    if action in ("keep", "enter"):
        if wheel < len(entry.wheel_digits) - 1:
            return replace(view, entry=replace(entry, wheel=wheel + 1)), []
        d = entry.wheel_digits
        lines = (f"{d[0]}{d[1]}.{d[2]}", f"{d[3]}{d[4]}.{d[5]}")
        view, messages = _placed(view, lines, snapshot, now_s, and_keep=False)
        if messages:
            return replace(view, page="read"), messages
        error = view.entry.error if view.entry else ""
        return replace(view, entry=replace(entry, wheel=0, error=error)), []
    return None


def _placed(view: View, lines: tuple[str, ...], snapshot: Snapshot, now_s: float, and_keep: bool) -> Pressed:
    try:
        if snapshot.plan is None:
            raise InputError(words.PLACE_NO_PLAN)
        lengths = [units.parse_length(line, view.system) for line in lines]
        if len(lengths) == 2:
            place, deck = places.tape_place(snapshot.plan, lengths[0], lengths[1], view.system), None
        else:
            place, deck = places.deck_place(snapshot.plan, lengths[0], view.system), lengths[0]
    except InputError as error:
        return replace(view, entry=Entry(lines=lines, error=str(error))), []
    if not snapshot.connected:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    view = replace(view, entry=None, deck_m=deck)
    if view.page == "place":
        view = replace(view, page="read")
    view = with_notice(view, words.MOVED.format(place.text), now_s)
    messages: list[FromClient] = [MoveTo(place=place)]
    if and_keep:
        view, kept = keep_reading(view, snapshot, now_s, place)
        messages += kept
    return view, messages
