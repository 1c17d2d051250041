"""What the person is looking at and in the middle of: a pure state machine.

`press(view, action, snapshot, now_s)` gives the next view and the lines to send. Keys, switches and tests all come
through here, so a visit can be walked without a terminal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from earthward import units
from earthward.daemon.protocol import (
    Finding,
    Fitting,
    FromClient,
    Keep,
    MoveTo,
    SelectElectrode,
    SetCovered,
    SetSound,
    SetStage,
    SourceOff,
    Station,
    Step,
    StepDone,
    WaterClear,
)
from earthward.display import places, words
from earthward.display.meaning import STALE_S
from earthward.display.snapshot import Snapshot
from earthward.display.themes import THEMES, ThemeName
from earthward.errors import InputError

SAID_S = 4.0
#: Pages that the map key walks through; "coverage" is the map with its other layer.
PAGES = ("read", "map", "coverage", "place", "steps", "findings", "budget", "log")
WATER_SOON_S = 60.0
LOG_PAGE = 8


@dataclass(frozen=True, slots=True)
class Option:
    """One answer of a choice, given by one of the three left keys."""

    key: str
    label: str
    messages: tuple[FromClient, ...] = ()
    said: str = ""


@dataclass(frozen=True, slots=True)
class Choice:
    text: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class Entry:
    """A place being typed: one line = deck distance, two lines = tapes. `wheel` is the digit that the switches turn."""

    lines: tuple[str, ...] = ("",)
    wheel: int | None = None
    wheel_digits: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    error: str = ""


@dataclass(frozen=True, slots=True)
class View:
    page: str = "read"
    help: bool = False
    choice: Choice | None = None
    entry: Entry | None = None
    selected: int = 0
    older: int = 0
    said: str = ""
    said_s: float = -1e9
    said_bad: bool = False
    deck_m: float | None = None
    theme: ThemeName = "daylight"
    system: units.Units = "si"
    volume: float = 0.7
    operator: str = words.OPERATOR

    @property
    def screen(self) -> str:
        return "map" if self.page == "coverage" else self.page


Pressed = tuple[View, list[FromClient]]


def say(view: View, text: str, now_s: float, bad: bool = False) -> View:
    return replace(view, said=text, said_s=now_s, said_bad=bad)


def press(view: View, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    """One press. Unknown actions change nothing."""
    if action == "off":
        # From everywhere, whatever is open, whatever is typed.
        if snapshot.connected:
            return say(replace(view, help=False, choice=None), words.SAID_OFF, now_s), [SourceOff()]
        return say(replace(view, help=False, choice=None), words.SAID_OFF_UNSENT, now_s, bad=True), [SourceOff()]
    if view.help:
        return replace(view, help=False), []
    if action == "help":
        return replace(view, help=True, choice=None), []
    if view.choice is not None:
        return _answer(view, view.choice, action, snapshot, now_s)
    if action == "theme":
        return replace(view, theme=THEMES[(THEMES.index(view.theme) + 1) % len(THEMES)]), []
    if action in ("louder", "softer"):
        volume = min(1.0, max(0.0, round(view.volume + (0.1 if action == "louder" else -0.1), 1)))
        view = replace(view, volume=volume)
        return say(view, words.SAID_VOLUME.format(volume * 100), now_s), [SetSound(volume=volume)]
    if action.startswith("go "):
        return _go(view, action[3:]), []
    if action == "coverage":
        return _go(view, "map" if view.page == "coverage" else "coverage"), []
    if view.entry is not None:
        done = _typing(view, view.entry, action, snapshot, now_s)
        if done is not None:
            return done
    if action in ("place",) or action.startswith("type "):
        entry = Entry(lines=(action[5:] if action.startswith("type ") else "",))
        return replace(view, entry=entry), []
    if action == "map":
        return _go(view, PAGES[(PAGES.index(view.page) + 1) % len(PAGES)]), []
    if action == "electrode":
        now = snapshot.state.source.electrode if snapshot.state else "A"
        return view, [SelectElectrode(electrode="B" if now == "A" else "A")]
    if action == "next":
        return _next(view, snapshot, now_s)
    if action == "keep":
        return _keep(view, snapshot, now_s)
    return view, []


def _go(view: View, page: str) -> View:
    if page not in PAGES:
        return view
    # A place that comes in the walk through the pages is set with the switches' digit wheel.
    entry = Entry(wheel=0) if page == "place" else None
    return replace(view, page=page, entry=entry, choice=None, selected=0, older=0)


# ---- keep and next ----------------------------------------------------------------------------------------


def _keep(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    if view.page == "steps":
        return _confirm_step(view, snapshot, now_s)
    if view.page == "findings":
        return _decide(view, snapshot, now_s)
    return keep_reading(view, snapshot, now_s, None)


def keep_reading(view: View, snapshot: Snapshot, now_s: float, place: Station | None) -> Pressed:
    """Ask the daemon to keep the present reading, or say why not."""
    if not snapshot.connected:
        return say(view, words.NOT_SENT, now_s, bad=True), []
    reading = snapshot.readings.get(0)
    if reading is None or reading.age_s(now_s) > STALE_S or reading.message.value_V is None:
        return say(view, words.KEEP_REFUSED_OLD, now_s, bad=True), []
    if snapshot.state is not None and snapshot.state.interlock.state != "energised":
        return say(view, words.KEEP_REFUSED_SOURCE, now_s, bad=True), []
    here = place or (snapshot.state.place if snapshot.state else None)
    if here is None:
        return say(view, words.KEEP_REFUSED_PLACE, now_s, bad=True), []
    return say(view, words.SAID_KEEP.format(places.place_text(here, view.system)), now_s), [Keep(place=place)]


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


def _next(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    if view.page == "steps":
        count = len(snapshot.steps.steps) if snapshot.steps else 0
        return replace(view, selected=(view.selected + 1) % max(1, count)), []
    if view.page == "findings":
        return replace(view, selected=(view.selected + 1) % max(1, len(findings_list(snapshot)))), []
    if view.page == "log":
        older = view.older + LOG_PAGE
        return replace(view, older=0 if older >= len(snapshot.events) else older), []
    if not snapshot.connected:
        return say(view, words.NOT_SENT, now_s, bad=True), []
    found = next_place(view, snapshot)
    if found is None:
        return say(view, words.NO_NEXT, now_s, bad=True), []
    view, place = found
    return say(view, words.MOVED.format(places.place_text(place, view.system)), now_s), [MoveTo(place=place)]


# ---- choices ----------------------------------------------------------------------------------------------


def _answer(view: View, choice: Choice, action: str, snapshot: Snapshot, now_s: float) -> Pressed:
    if action == "escape":
        return replace(view, choice=None), []
    for option in choice.options:
        if option.key == action:
            view = replace(view, choice=None)
            if option.messages and not snapshot.connected:
                return say(view, words.NOT_SENT, now_s, bad=True), []
            return (say(view, option.said, now_s) if option.said else view), list(option.messages)
    return view, []


def selected_step(view: View, snapshot: Snapshot) -> Step | None:
    """The step that `confirm` is about: the one chosen, else the present one."""
    steps = snapshot.steps.steps if snapshot.steps else []
    if not steps:
        return None
    now = next((i for i, step in enumerate(steps) if step.status == "now"), 0)
    return steps[(now + view.selected) % len(steps)]


def water_clear_due(snapshot: Snapshot) -> bool:
    """The statement that nobody is in the water has run out or soon will."""
    if snapshot.state is None:
        return False
    interlock = snapshot.state.interlock
    if interlock.water_clear_left_s is not None:
        return interlock.water_clear_left_s < WATER_SOON_S
    return any(not p.ok and "water" in p.name.lower() and "clear" in p.name.lower() for p in interlock.permissives)


def is_water_step(step: Step) -> bool:
    key = step.key.lower().replace("_", " ").replace("-", " ")
    return "water" in key and "clear" in key


def _confirm_step(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    step = selected_step(view, snapshot)
    back = Option("map", words.BACK)
    if (step is not None and is_water_step(step)) or (water_clear_due(snapshot) and view.selected == 0):
        messages: tuple[FromClient, ...] = (WaterClear(by=view.operator),)
        said = words.SAID_STEP.format(words.WATER_CLEAR.rstrip("?"))
        option = Option("keep", words.YES, messages, said)
        return replace(view, choice=Choice(words.CHOICE_WATER, (option, back))), []
    if step is None:
        return say(view, words.NO_STEP, now_s, bad=True), []
    option = Option("keep", words.YES, (StepDone(key=step.key),), words.SAID_STEP.format(step.title))
    return replace(view, choice=Choice(words.CHOICE_STEP.format(step.title), (option, back))), []


def findings_list(snapshot: Snapshot) -> list[Finding | Fitting]:
    """Findings first, then fittings, as the Findings page lists them."""
    plan = snapshot.plan
    return [*plan.findings, *plan.fittings] if plan else []


def _decide(view: View, snapshot: Snapshot, now_s: float) -> Pressed:
    items = findings_list(snapshot)
    if not items:
        return say(view, words.NO_FINDING, now_s, bad=True), []
    item = items[view.selected % len(items)]
    back = Option("map", words.BACK)
    if isinstance(item, Fitting):
        covered = Option("keep", words.COVERED, (SetCovered(fitting=item.name, covered=True),))
        uncovered = Option("next", words.OPEN, (SetCovered(fitting=item.name, covered=False),))
        state = words.COVERED if item.covered else words.OPEN
        text = words.CHOICE_FITTING.format(item.name, state)
        return replace(view, choice=Choice(text, (covered, uncovered, back))), []

    def to(key: str, stage: str) -> Option:
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
    return replace(view, choice=Choice(words.CHOICE_FINDING.format(item.number, item.stage), options)), []


# ---- saying where the pole is -----------------------------------------------------------------------------


def _typing(view: View, entry: Entry, action: str, snapshot: Snapshot, now_s: float) -> Pressed | None:
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
        return say(view, words.NOT_SENT, now_s, bad=True), []
    view = replace(view, entry=None, deck_m=deck)
    if view.page == "place":
        view = replace(view, page="read")
    view = say(view, words.MOVED.format(place.text), now_s)
    messages: list[FromClient] = [MoveTo(place=place)]
    if and_keep:
        view, kept = keep_reading(view, snapshot, now_s, place)
        messages += kept
    return view, messages
