"""What every screen has: the status row on top, the message rows and the key row at the bottom."""

from __future__ import annotations

from typing import Any

from earthward import units
from earthward.display import keys, words
from earthward.display.canvas import Canvas, Run, length, shortened, wrapped
from earthward.display.hands import LESSON_TELLS
from earthward.display.meaning import Meaning
from earthward.display.next_step import what_now
from earthward.display.options import Options
from earthward.display.page import Scene
from earthward.display.pages import registry
from earthward.display.places import in_system, place_text
from earthward.display.snapshot import Snapshot
from earthward.display.view import NOTICE_S, View

#: How long an alarm or caution stays in the message rows.
ALERT_S = 15.0
MESSAGE_ROWS = 3
#: The next place in words needs so many rows at the most, on a small screen and in feet.
PLACE_ROWS = 5


def status(canvas: Canvas, scene: Scene) -> None:
    """Row 0: emulated or not, the interlock's word, the injected current, the reading in short, which screen."""
    snapshot, view = scene.snapshot, scene.view
    left: list[Run] = []
    if snapshot.emulated:
        left.append((f" {words.EMULATED} ", "badge"))
    state = snapshot.state
    if not snapshot.connected:
        left.append((f" {words.NO_DAEMON if canvas.width >= 53 else words.NO_DAEMON_SHORT} ", "alarm"))
    elif state is not None:
        name = state.interlock.state
        role = {"energised": "energised", "tripped": "alarm"}.get(name, "title")
        left.append((f" {words.INTERLOCK[name]} ", role))
        if name == "energised" and state.source.current_A is not None:
            left.append((f" {units.current(state.source.current_A)}", "title"))
            if canvas.width >= 100 and state.source.voltage_V is not None:
                left.append((f"  {words.VOLTAGE.format(state.source.voltage_V)}", "title"))
        if canvas.width >= 80:
            left.append((f"  {words.ELECTRODE.format(state.source.electrode)}", "title"))
        if canvas.width >= 60 and state.source.battery_V is not None:
            left.append((f"  {words.BATTERY.format(state.source.battery_V)}", "title"))
        if canvas.width >= 110 and state.source.frequency_Hz is not None:
            left.append((f"  {words.WAVEFORM.format(state.source.waveform, state.source.frequency_Hz)}", "title"))
    right: list[Run] = [(f"{registry()[view.page].title} ", "title")]
    on = snapshot.connected and state is not None and state.interlock.state == "energised"
    if on and view.page != "read" and canvas.width >= 53:
        right.insert(0, (f"{in_short(scene.meaning)}  ", "title"))
    if snapshot.hello is not None and snapshot.hello.read_only and canvas.width >= 53:
        right.insert(0, (f"{words.READ_ONLY}  ", "title"))
    canvas.put(0, left, right, role="title")


def in_short(meaning: Meaning) -> str:
    """The reading for pages that are about something else: "← 143 µV"."""
    if meaning.blank:
        return words.NO_READING_SHORT
    return f"{words.SIDE_MARK[meaning.side]} {meaning.number} {meaning.unit}"


def message(snapshot: Snapshot, view: View, now_s: float, now_text: str = "") -> tuple[str, str]:
    """(text, role) of the message rows: the most urgent thing to say, if there is any beside what to press now."""
    alert = next(
        ((at, e) for at, e in reversed(snapshot.events) if e.severity == "alarm" and now_s - at < ALERT_S), None
    )
    tripped = snapshot.state is not None and snapshot.state.interlock.state == "tripped" and snapshot.connected
    if alert is not None and not tripped:
        event = alert[1]
        return in_system(words.ALARM.format(_with_remedy(event.text, event.remedy)), view.system), "alarm"
    # The daemon's answer to a press comes after what we said on pressing, and takes its place.
    answered_s = max(snapshot.kept_s, snapshot.problem_s)
    if now_s - answered_s < NOTICE_S and answered_s >= view.notice_s > answered_s - NOTICE_S:
        if snapshot.problem_s > snapshot.kept_s:
            return in_system(words.REFUSED.format(snapshot.problem), view.system), "alarm"
        if snapshot.kept is not None:
            at = place_text(snapshot.kept.place, view.system)
            return words.KEPT.format(units.voltage(snapshot.kept.value_V, signed=True), at), "strong"
    told = next((e for at, e in reversed(snapshot.events) if e.code == LESSON_TELLS and now_s - at < ALERT_S), None)
    if told is not None and view.choice is not None:
        return told.text, "strong"
    if now_s - view.notice_s < NOTICE_S and view.notice and view.notice != now_text:
        return view.notice, "alarm" if view.notice_bad else "strong"
    caution = next(
        ((at, e) for at, e in reversed(snapshot.events) if e.severity == "caution" and now_s - at < ALERT_S), None
    )
    if caution is not None:
        return in_system(words.CAUTION.format(_with_remedy(caution[1].text, caution[1].remedy)), view.system), "caution"
    state = snapshot.state
    if not snapshot.connected:
        old = snapshot.plan is not None and view.page != "read"
        return (words.SHOWN_IS_OLD if old else ""), "caution"
    if state is not None:
        for health, template in ((state.link, words.LINK_BAD), (state.adc, words.INPUT_BAD)):
            if not health.ok:
                return template.format(health.text), "caution"
        if not state.recording.ok:
            return words.NOT_RECORDING.format(state.recording.text), "caution"
    return "", "base"


def _with_remedy(text: str, remedy: str) -> str:
    if not remedy:
        return text
    end = "" if text.endswith((".", "!", "?")) else "."
    return f"{text}{end} {words.REMEDY}{remedy}"


def message_rows(canvas: Canvas, text: str) -> int:
    most = 2 if canvas.height < 16 else MESSAGE_ROWS
    return min(most, len(wrapped(text, canvas.width - 1))) if text else 0


def now_line(scene: Scene) -> tuple[str, str]:
    """(key, text): what to press now, or in whose hands it is. A page with keys of its own says how to get back."""
    view = scene.view
    if view.help:
        return "", words.NOW_HELP
    if view.choice is not None:
        return "", words.NOW_ANSWER
    if view.entry is not None:
        return "", words.NOW_ENTRY
    now = what_now(view, scene.snapshot)
    page = registry()[view.page]
    if page.press is not None and scene.snapshot.connected:
        if now.page == view.page:
            return "keep", words.NOW_HERE.format(page.keys["keep"])
        return ("map", words.NOW_BACK + now.text) if now.key in ("keep", "next") else (now.key, now.text)
    return now.key, now.text


def now_rows(canvas: Canvas, scene: Scene) -> list[str]:
    """The line of what to press now, wrapped; two rows on a small screen, three on others, and the next place whole:
    who does not know how deep and which end goes where cannot press the key."""
    key, text = now_line(scene)
    shown = scene.options.keys.get(key, ())
    head = f"{keys.shown(shown[0])}: " if shown else ""
    most = 2 if canvas.height < 16 else 3
    lines = list(wrapped(head + text, canvas.width - 1))
    if key == "next":
        if len(lines) > PLACE_ROWS - 1:
            lines = list(wrapped(head + text.removeprefix(words.NOW_SPOT_DONE), canvas.width - 1))
        most = PLACE_ROWS
    if len(lines) > most:
        lines = [*lines[: most - 1], shortened(" ".join(lines[most - 1 :]), canvas.width - 1)]
    return lines


def key_row(canvas: Canvas, view: View, options: Options, memo: dict[Any, Any]) -> None:
    """The last row: the four keys and help. In a choice the same keys carry the answers."""
    form = "" if view.entry is None else "typed" if view.entry.wheel is None else "wheel"
    about = (canvas.width, view.page, view.choice, view.hands, form)
    known = memo.get("key row")
    if known is not None and known[0] == about:
        canvas.put(canvas.height - 1, *known[1])
        return
    y = canvas.height - 1
    off: list[Run] = [(f" {keys.shown(options.keys['off'][0])} {words.OFF} ", "alarm")]
    if view.choice is not None:
        labels = {option.key: option.label for option in view.choice.options}
    else:
        labels = dict(registry()[view.page].keys)
        if form == "typed":
            labels = {"keep": words.ACCEPT_KEY, "map": words.BACK}
        elif form == "wheel" and view.page != "place":
            # The numbers lie over a page whose keys do something else.
            labels = {"keep": words.ACCEPT_KEY, "map": words.BACK, "next": words.DIGIT_KEY}
    left: list[Run] = []
    for action in ("keep", "map", "next"):
        if action in labels and options.keys[action]:
            left += [(f" {keys.shown(options.keys[action][0])} ", "key"), (f"{labels[action]} ", "base")]
    if view.choice is not None and length(left) + length(off) >= canvas.width:
        # The answers stand in full above: here only which keys give them.
        names = [f" {keys.shown(options.keys[a][0])} " for a in ("keep", "map", "next") if a in labels]
        left = [run for name in names for run in ((name, "key"), (" ", "base"))] + [(words.ANSWER, "base")]
    if canvas.width >= 53 and view.choice is None:
        left += [(f" {keys.shown(options.keys['help'][0])} ", "key"), (f"{words.HELP_KEY} ", "base")]
    memo["key row"] = (about, (left, off))
    canvas.put(y, left, off)
