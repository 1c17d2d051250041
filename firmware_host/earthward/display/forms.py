"""Numbers that a person gives: typed with a keypad, or turned digit by digit with two switches.

A form is a few fields and what becomes of them: a place by deck distance or two tapes, a level log read off two rulers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from earthward import units
from earthward.daemon.protocol import Levels
from earthward.display import places, words
from earthward.display.keeping import begin_spot
from earthward.display.places import marks_of
from earthward.display.snapshot import Snapshot
from earthward.display.view import Entry, Pressed, View, with_notice
from earthward.errors import InputError

DIGITS = 3
"""The wheel turns so many digits a field: tens, ones, tenths."""
MM_PER_IN = 25.4


@dataclass(frozen=True, slots=True)
class Form:
    title: str
    fields: tuple[str, ...]
    unit: dict[units.Units, str]
    submit: Callable[[View, tuple[str, ...], Snapshot, float], Pressed]
    unit_of_last: str = ""


def _needed(snapshot: Snapshot) -> None:
    if snapshot.plan is None:
        raise InputError(words.PLACE_NO_PLAN)


def _deck(view: View, lines: tuple[str, ...], snapshot: Snapshot, now_s: float) -> Pressed:
    _needed(snapshot)
    assert snapshot.plan is not None
    place = places.deck_place(snapshot.plan, units.parse_length(lines[0], view.system), view.system)
    return begin_spot(view, place, None, now_s)


def _tapes(view: View, lines: tuple[str, ...], snapshot: Snapshot, now_s: float) -> Pressed:
    _needed(snapshot)
    assert snapshot.plan is not None
    first, second = (units.parse_length(line, view.system) for line in lines)
    return begin_spot(view, places.tape_place(snapshot.plan, first, second, view.system), None, now_s)


def _levels(view: View, lines: tuple[str, ...], snapshot: Snapshot, now_s: float) -> Pressed:
    try:
        pool, bucket, hours = (float(line.replace(",", ".")) for line in lines)
    except ValueError as error:
        raise InputError(words.LEVELS_BAD) from error
    factor = 1.0 if view.system == "si" else MM_PER_IN
    wish = Levels(hours=hours, pool_fall_mm=pool * factor, bucket_fall_mm=bucket * factor)
    return with_notice(view, words.SAID_LEVELS, now_s), [wish]


FORMS: dict[str, Form] = {
    "deck": Form(words.PLACE_TITLE, (words.PLACE_DECK,), {"si": "m", "us": "ft"}, _deck),
    "tapes": Form(words.PLACE_TITLE, (words.PLACE_TAPE_1, words.PLACE_TAPE_2), {"si": "m", "us": "ft"}, _tapes),
    "levels": Form(
        words.LEVELS_TITLE,
        (words.LEVELS_POOL, words.LEVELS_BUCKET, words.LEVELS_HOURS),
        {"si": "mm", "us": "in"},
        _levels,
        unit_of_last="h",
    ),
}


def labels(entry: Entry, snapshot: Snapshot) -> list[str]:
    """The fields' names; tapes and deck with the mark that they begin at."""
    names = list(FORMS[entry.form].fields)
    if entry.form == "levels":
        return names
    try:
        marks = marks_of(snapshot.plan) if snapshot.plan is not None else ()
    except InputError:
        marks = ()
    return [f"{name} {words.PLACE_FROM.format(mark.name)}" for name, mark in zip(names, marks, strict=False)] or names


def unit(entry: Entry, field: int, system: units.Units) -> str:
    form = FORMS[entry.form]
    last = field == len(form.fields) - 1
    return form.unit_of_last if last and form.unit_of_last else form.unit[system]


def typed(view: View, entry: Entry, action: str, snapshot: Snapshot, now_s: float) -> Pressed | None:
    """A press while numbers are being given; None = not for us."""
    empty = ("",) * len(FORMS[entry.form].fields)
    if action == "escape" or (action == "map" and entry.wheel is None):
        fresh = Entry(form="tapes", lines=("", ""), wheel=0) if view.page == "place" else None
        return replace(view, entry=fresh), []
    if action == "map":
        # The wheel is left as any page is; a form that lies over a page is taken away first.
        return None if view.page == "place" else (replace(view, entry=None), [])
    if action.startswith("type "):
        lines = list(entry.lines if entry.wheel is None else empty)
        at = entry.at if entry.wheel is None else 0
        lines[at] += action[5:]
        return replace(view, entry=replace(entry, lines=tuple(lines), at=at, wheel=None, error="")), []
    if action == "tab":
        if entry.form == "deck":
            return replace(view, entry=Entry(form="tapes", lines=(entry.lines[0], ""), at=1)), []
        return replace(view, entry=replace(entry, at=(entry.at + 1) % len(entry.lines))), []
    if action == "erase":
        lines = list(entry.lines)
        lines[entry.at] = lines[entry.at][:-1]
        return replace(view, entry=replace(entry, lines=tuple(lines))), []
    if entry.wheel is not None:
        return _turning(view, entry, action, snapshot, now_s)
    if action in ("enter", "keep"):
        if entry.at < len(entry.lines) - 1:
            return replace(view, entry=replace(entry, at=entry.at + 1)), []
        return _submitted(view, entry, entry.lines, snapshot, now_s)
    if action == "next":
        return view, []
    return None


def _turning(view: View, entry: Entry, action: str, snapshot: Snapshot, now_s: float) -> Pressed | None:
    """The switches' way: next turns the digit, keep takes it."""
    wheel = entry.wheel or 0
    if action == "next":
        digits = list(entry.wheel_digits)
        digits[wheel] = (digits[wheel] + 1) % 10
        return replace(view, entry=replace(entry, wheel_digits=tuple(digits), error="")), []
    if action in ("keep", "enter"):
        if wheel < len(entry.wheel_digits) - 1:
            return replace(view, entry=replace(entry, wheel=wheel + 1)), []
        d = entry.wheel_digits
        lines = tuple(f"{d[k]}{d[k + 1]}.{d[k + 2]}" for k in range(0, len(d), DIGITS))
        return _submitted(view, entry, lines, snapshot, now_s)
    return None


def _submitted(view: View, entry: Entry, lines: tuple[str, ...], snapshot: Snapshot, now_s: float) -> Pressed:
    try:
        done, messages = FORMS[entry.form].submit(view, lines, snapshot, now_s)
    except InputError as error:
        wheel = None if entry.wheel is None else 0
        return replace(view, entry=replace(entry, lines=lines, at=0, wheel=wheel, error=str(error))), []
    if not snapshot.connected:
        return with_notice(view, words.NOT_SENT, now_s, bad=True), []
    return replace(done, entry=None, page="read" if done.page == "place" else done.page), messages
