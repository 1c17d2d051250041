"""What a press does: `press(view, action, snapshot, now_s)` gives the next view and the lines to send.

Pure. Keys, switches and tests all come through here, so a visit can be walked without a terminal.
"""

from __future__ import annotations

from dataclasses import replace

from earthward.daemon.protocol import SelectElectrode, SetSound, SourceOff, Undo
from earthward.display import words
from earthward.display.forms import FORMS, typed
from earthward.display.keeping import do_now, go_next, hand, move_pole, pause
from earthward.display.pages import registry
from earthward.display.snapshot import Snapshot
from earthward.display.themes import THEMES
from earthward.display.view import Choice, Entry, Pressed, View, with_notice


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    """One press. Unknown actions change nothing."""
    if action == "off":
        # From everywhere, whatever is open, whatever is typed.
        view = replace(view, help=0, choice=None)
        text = words.SAID_OFF if snapshot.connected else words.SAID_OFF_UNSENT
        return with_notice(view, text, now_s, bad=not snapshot.connected), [SourceOff()]
    if action == "help":
        return replace(view, help=view.help + 1, choice=None), []
    if view.help:
        return replace(view, help=0), []
    if view.choice is not None:
        return _answer(view, view.choice, action, snapshot, now_s)
    if action == "theme":
        return replace(view, theme=THEMES[(THEMES.index(view.theme) + 1) % len(THEMES)]), []
    if action in ("louder", "softer"):
        volume = min(1.0, max(0.0, round(view.volume + (0.1 if action == "louder" else -0.1), 1)))
        view = replace(view, volume=volume)
        return with_notice(view, words.SAID_VOLUME.format(volume * 100), now_s), [SetSound(volume=volume)]
    if action == "zoom":
        view = replace(view, zoom=not view.zoom)
        return with_notice(view, words.SAID_ZOOM[view.zoom], now_s), [SetSound(zoom=view.zoom)]
    if action.startswith("go "):
        return _go(view, action[3:]), []
    if action == "coverage":
        return _go(view, "map" if view.page == "coverage" else "coverage"), []
    if view.entry is not None:
        done = typed(view, view.entry, action, snapshot, now_s)
        if done is not None:
            return done
    if action == "place":
        return replace(view, entry=Entry()), []
    if action.startswith("type "):
        return replace(view, entry=Entry(lines=(action[5:],))), []
    pages = list(registry())
    if action == "map":
        return _go(view, pages[(pages.index(view.page) + 1) % len(pages)]), []
    if action == "electrode":
        now = snapshot.state.source.electrode if snapshot.state else "A"
        return view, [SelectElectrode(electrode="B" if now == "A" else "A")]
    if action == "undo":
        can = snapshot.state.can_undo if snapshot.state else ""
        if not can:
            return with_notice(view, words.NOTHING_TO_UNDO, now_s, bad=True), []
        return with_notice(view, words.SAID_UNDO.format(can), now_s), [Undo()]
    if action == "pause":
        return pause(view, now_s)
    if action == "hand":
        return hand(view, snapshot, now_s)
    if action.startswith("pole "):
        return move_pole(view, action.removeprefix("pole "), snapshot, now_s)
    if action in ("keep", "next"):
        own = registry()[view.page].press
        if own is not None:
            return own(view, action, snapshot, now_s)
        return go_next(view, snapshot, now_s) if action == "next" else do_now(view, snapshot, now_s)
    return view, []


def _go(view: View, page: str) -> View:
    if page not in registry():
        return view
    # A place that comes in the walk through the pages is set with the switches' digit wheel.
    entry = Entry(form="tapes", lines=("", ""), wheel=0) if registry()[page].opens_entry else None
    return replace(view, page=page, entry=entry, choice=None, selected=0, older=0, back="")


def _answer(view: View, choice: Choice, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    if action == "escape":
        return replace(view, choice=None, page=view.back or view.page, back=""), []
    for option in choice.options:
        if option.key == action:
            if not option.stay:
                view = replace(view, choice=None, page=view.back or view.page, back="")
            if option.form:
                fields = len(FORMS[option.form].fields)
                entry = Entry(form=option.form, lines=("",) * fields, wheel=0, wheel_digits=(0,) * 3 * fields)
                return replace(view, entry=entry), []
            if option.messages and not snapshot.connected:
                return with_notice(view, words.NOT_SENT, now_s, bad=True), []
            return (with_notice(view, option.said, now_s) if option.said else view), list(option.messages)
    return view, []
