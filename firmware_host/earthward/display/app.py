"""The dashboard: a Textual application around pure pages. A client of the daemon and nothing else.

One widget covers the terminal and draws rows (Textual's Line API); after each change the page is written afresh and
only rows that differ are sent. The bar moves six times a second, the digits three times; a change of side, of
the interlock, an event or a press is drawn at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, cast

from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.app import App, ComposeResult
from textual.geometry import Region, Size
from textual.screen import Screen
from textual.strip import Strip
from textual.widget import Widget

from earthward.clock import Clock, SystemClock
from earthward.daemon.protocol import FromDaemon, Plan, ReadingMessage, State, Subscribe, SwitchPressed
from earthward.display import words
from earthward.display.canvas import Row
from earthward.display.client import BATCH_S, Client
from earthward.display.draw import draw
from earthward.display.glyphs import TIERS, Tier, choose_tier
from earthward.display.hands import Hand
from earthward.display.keys import key_map
from earthward.display.meaning import STALE_S, Meaning, meaning_of, side_of
from earthward.display.options import Options
from earthward.display.press import press
from earthward.display.snapshot import Snapshot
from earthward.display.terminal import QuietDriver
from earthward.display.themes import PALETTES, THEMES, Ink, ThemeName
from earthward.display.view import View
from earthward.errors import InputError
from earthward.record.event import Event
from earthward.units import Units

Listener = Callable[[FromDaemon | None, Snapshot, float], None]

ColourMode = str  # "full", "16" or "none"
_TYPED = frozenset("0123456789.,'")
#: Rows kept drawn: digits, arrows and words come back again and again.
ROWS_KEPT = 512
#: So much before its time a page may be painted, if the loop is awake anyway.
EARLY_S = BATCH_S
#: After so many seconds everything that lives as long as the dashboard has been made.
SETTLED_S = 5.0


def style_of(ink: Ink, mode: ColourMode) -> Style:
    """A role's look as the terminal can show it."""
    if ink.fg == "default" or mode == "none":
        return Style(bold=ink.bold, reverse=ink.reverse)
    if mode == "16":
        return Style(color=ink.fg16, bgcolor=ink.bg16, bold=ink.bold)
    return Style(color=ink.fg, bgcolor=ink.bg, bold=ink.bold)


def colour_mode(environ: dict[str, str] | os._Environ[str]) -> ColourMode:
    """Sixteen colours on the Linux console and wherever no more are promised; none when NO_COLOR is set."""
    if environ.get("NO_COLOR"):
        return "none"
    term = environ.get("TERM", "")
    if environ.get("COLORTERM", "").lower() in ("truecolor", "24bit") and term != "linux":
        return "full"
    return "full" if "256color" in term or "direct" in term else "16"


class PageWidget(Widget, can_focus=True):
    """The whole terminal as rows, drawn through Textual's Line API. `show` has only those redrawn that changed."""

    DEFAULT_CSS = "PageWidget { width: 100%; height: 100%; }"

    def __init__(self, mode: ColourMode, theme: ThemeName) -> None:
        super().__init__()
        self._mode = mode
        self._rows: tuple[Row, ...] = ()
        self._strips: dict[Row, Strip] = {}
        self._styles: dict[str, Style] = {}
        self.apply_theme(theme)

    def apply_theme(self, theme: ThemeName) -> None:
        """Draw in another theme from now on."""
        self._styles = {role: style_of(ink, self._mode) for role, ink in PALETTES[theme].items()}
        self._rows = ()
        self._strips.clear()

    def show(self, rows: tuple[Row, ...]) -> int:
        """Take new rows; returns how many differ and will be drawn."""
        old, self._rows = self._rows, rows
        if len(old) != len(rows):
            self.refresh()
            return len(rows)
        changed = [y for y, (a, b) in enumerate(zip(old, rows, strict=True)) if a != b]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, y, width, 1) for y in changed))
        return len(changed)

    def _strip(self, row: Row) -> Strip:
        """The row as a strip. Kept: a strip remembers its escape codes, and the same rows come back again and again."""
        strip = self._strips.get(row)
        if strip is None:
            if len(self._strips) >= ROWS_KEPT:
                self._strips.clear()
            width = sum(len(text) for text, _ in row)
            strip = self._strips[row] = Strip([Segment(text, self._styles[role]) for text, role in row], width)
        return strip

    def render_line(self, y: int) -> Strip:
        return self._strip(self._rows[y]) if y < len(self._rows) else Strip.blank(self.size.width, self._styles["base"])

    def render_lines(self, crop: Region) -> list[Strip]:
        # There is no border and no padding: Textual's cache of them would only cost time here.
        strips = [self.render_line(y) for y in crop.line_range]
        if crop.x == 0 and crop.width == self.size.width:
            return strips
        return [strip.crop(crop.x, crop.right) for strip in strips]


def _freeze() -> None:
    gc.collect()
    gc.freeze()


class BareScreen(Screen[None]):
    """Lies under the widget and is never seen: it must not cost anything either."""

    BLANK = True


class EarthwardApp(App[int]):
    """`feed` listeners hear every message, so that the cue can be written to a file beside the display."""

    ENABLE_COMMAND_PALETTE = False
    CSS = "Screen { overflow: hidden; }"

    def __init__(
        self,
        address: str,
        *,
        clock: Clock | None = None,
        options: Options | None = None,
        view: View | None = None,
        mode: ColourMode = "full",
        switches: bool = True,
        listeners: Sequence[Listener] = (),
        hands: Callable[[Hand], None] | None = None,
    ) -> None:
        # We choose every colour ourselves: nothing may be translated on the way.
        super().__init__(ansi_color=True, driver_class=QuietDriver if sys.platform == "linux" else None)
        self.clock: Clock = clock or SystemClock()
        self.options = options or Options()
        self.view = view or View()
        self._mode = mode
        self._listeners = list(listeners)
        self._hands = hands
        if hands is not None:
            self.view = replace(self.view, hands=True)
        rate = 5.0 if self.options.reduced else 20.0
        self.client = Client(
            address,
            self.clock,
            Subscribe(max_rate_Hz=rate, switches=switches),
            self._heard,
            self._paused,
        )
        self._memo: dict[Any, Any] = {}
        self._widget = PageWidget(mode, self.view.theme)
        self._size: Size | None = None
        self._task: asyncio.Task[None] | None = None
        self._painted_s = -1e9
        self._due: asyncio.TimerHandle | None = None
        self._due_s = 0.0
        self._stale_check: asyncio.TimerHandle | None = None
        self._digits: Meaning | None = None
        self._digits_s = -1e9
        self._last_side = ""
        #: counters for benchmarks: paints, rows sent, and the delay from message to paint of readings
        self.paints = 0
        self.rows_sent = 0
        self.unpainted_s: list[float] = []
        self.delays_s: list[float] = []
        self._actions = {name: action for action, names in self.options.keys.items() for name in names}

    def get_default_screen(self) -> Screen[Any]:
        return BareScreen(id="_default")

    def compose(self) -> ComposeResult:
        yield self._widget

    def on_mount(self) -> None:
        self._widget.focus()
        loop = asyncio.get_running_loop()
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            # Killed politely, the terminal must be left usable.
            loop.add_signal_handler(signal.SIGTERM, partial(self.exit, 0))
        self._task = asyncio.create_task(self.client.run(), name="line to the daemon")
        # What is here now stays: the collector need not look through it at every turn.
        loop.call_later(SETTLED_S, _freeze)
        # Ages and messages that fade: once a second is enough, the rest is drawn as it comes.
        self.set_interval(1.0, self._tick)

    async def on_unmount(self) -> None:
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):
            asyncio.get_running_loop().remove_signal_handler(signal.SIGTERM)
        for handle in (self._due, self._stale_check):
            if handle is not None:
                handle.cancel()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def on_resize(self) -> None:
        self._memo.clear()
        self._size = None
        self.paint()

    # ---- from the daemon ----------------------------------------------------------------------------------

    def _heard(self, message: FromDaemon | None, snapshot: Snapshot) -> None:
        now = self.clock.now()
        for listener in self._listeners:
            listener(message, snapshot, now)
        if isinstance(message, SwitchPressed):
            # The daemon has already taken the source off: the screen only shows it.
            if message.name == "off":
                self.view, _ = press(self.view, "off", snapshot, now)
                self.paint()
            else:
                self.act(message.name)
            return
        if isinstance(message, ReadingMessage):
            self._watch_age()
            if self.view.page != "read":
                # Elsewhere the reading stands in short in the status row.
                self._paint_within(self.options.map_gap_s)
                return
            self.unpainted_s.append(now)
            side = self._side(snapshot, message, now)
            if side != self._last_side:
                self._last_side = side
                self.paint()
            else:
                self._paint_within(self.options.bar_gap_s)
            return
        if isinstance(message, State):
            word = (message.interlock.state, message.link.ok, message.adc.ok, message.adc.saturated)
            if self._memo.get("state word") != word:
                self._memo["state word"] = word
                self.paint()
            elif message.interlock.warning_s > 0:
                self._paint_within(self.options.map_gap_s)  # a countdown
            # The rest of a state may wait for the next reading or tick.
            return
        if isinstance(message, Plan):
            self._paint_within(self.options.map_gap_s)
            return
        if message is None or isinstance(message, Event):
            self.paint()
            return
        self._paint_within(self.options.bar_gap_s)

    def _side(self, snapshot: Snapshot, message: ReadingMessage, now: float) -> str:
        """The side that the newest reading claims; with a crossed pair both channels count."""
        if snapshot.state is not None and snapshot.state.pair.crossed:
            return meaning_of(snapshot, now).side
        return side_of(message)

    def _watch_age(self) -> None:
        """Look again when the present number would be too old."""
        if self._stale_check is None:
            self._stale_check = asyncio.get_running_loop().call_later(STALE_S / self.clock.speed, self._age_is_up)

    def _age_is_up(self) -> None:
        self._stale_check = None
        received = self.client.snapshot.readings.get(0)
        if received is None:
            return
        age = received.age_s(self.clock.now())
        if age > STALE_S:
            self.paint()
        else:
            wait = (STALE_S - age) / self.clock.speed + 0.005
            self._stale_check = asyncio.get_running_loop().call_later(wait, self._age_is_up)

    # ---- from the person ----------------------------------------------------------------------------------

    async def on_event(self, event: events.Event) -> None:
        """Keys come here before Textual's own bindings.

        Textual takes printable keys away from priority bindings while a text field is focused, and a modal screen takes
        them all: the source must go off whatever has the keyboard.
        """
        if isinstance(event, events.Key) and not event.is_forwarded:
            action = self._actions.get(event.key)
            mine = self.focused is None or self.focused is self._widget
            # A character of a number is typed; but with no form open "," turns a pole that bench hands hold.
            held = self.view.hands and self.view.entry is None
            if action != "off" and mine and event.character in _TYPED and not (held and action):
                event.stop()
                self.act(f"type {event.character}")
                return
            if action == "off" or (mine and action is not None):
                event.stop()
                self.act(action)
                return
        await super().on_event(event)

    def act(self, action: str) -> None:
        """One press of a key or switch."""
        if action == "quit":
            self.exit(0)
            return
        theme = self.view.theme
        self.view, messages = press(self.view, action, self.client.snapshot, self.clock.now())
        for message in messages:
            if isinstance(message, Hand):
                if self._hands is not None:
                    self._hands(message)
            else:
                self.client.send(message)
        if self.view.theme != theme:
            self._widget.apply_theme(self.view.theme)
        self.paint()

    # ---- to the terminal ----------------------------------------------------------------------------------

    def _tick(self) -> None:
        # Half a second: where readings come, one of them brings the change with it.
        self._paint_within(0.5)

    def _paint_within(self, gap_s: float) -> None:
        """Paint when the last one is `gap_s` old. What is due by then is painted after the batch that is being read."""
        due_s = self._painted_s + gap_s
        if self._due is not None and self._due_s <= due_s:
            return
        if self._due is not None:
            self._due.cancel()
        self._due_s = due_s
        wait = max(0.0, due_s - self.clock.now())
        self._due = asyncio.get_running_loop().call_later(wait / self.clock.speed, self._paint_due)

    def _paused(self) -> None:
        """A batch is read: what is due before the next one comes is painted in the same turn of the loop."""
        if self._due is not None and self._due_s - self.clock.now() < EARLY_S:
            self.paint()

    def _paint_due(self) -> None:
        self._due = None
        self.paint()

    def paint(self) -> None:
        """Write the page and send the rows that differ."""
        # Asking a widget for its size goes through the whole layout: once is enough.
        size = self._size = self._size or self._widget.size
        if size.width <= 0 or size.height <= 0:
            return
        if self._due is not None:
            self._due.cancel()
            self._due = None
        now = self.clock.now()
        snapshot = self.client.snapshot
        meaning: Meaning | None = None
        if self.view.page == "read":
            meaning = meaning_of(snapshot, now)
            held = self._digits
            if (
                held is None
                or held.side != meaning.side
                or bool(held.blank) != bool(meaning.blank)
                or now - self._digits_s >= self.options.digit_gap_s - 0.01
            ):
                self._digits, self._digits_s = meaning, now
        canvas = draw(
            size.width, size.height, snapshot, self.view, self.options, now, meaning, self._digits, self._memo
        )
        self.rows_sent += self._widget.show(canvas.rows())
        self.paints += 1
        self._painted_s = now
        if self.unpainted_s:
            self.delays_s += [now - at for at in self.unpainted_s]
            self.unpainted_s.clear()
            del self.delays_s[:-1000]


def run_dashboard(
    address: str,
    *,
    theme: str = "daylight",
    glyphs: str = "auto",
    units: Units = "si",
    reduced: bool = False,
    keys: Sequence[str] = (),
    operator: str = "",
    switches: bool = True,
    listeners: Sequence[Listener] = (),
    hands: Callable[[Hand], None] | None = None,
    clock: Clock | None = None,
) -> int:
    """Open the dashboard in this terminal until the person leaves. Returns the exit code; raises InputError."""
    if theme not in THEMES:
        raise InputError(f"{theme!r} is no theme; choose one of {', '.join(THEMES)}")
    if glyphs not in (*TIERS, "auto"):
        raise InputError(f"{glyphs!r} is no glyph tier; choose one of {', '.join(TIERS)} or auto")
    if not (sys.__stdin__ and sys.__stdin__.isatty() and sys.__stderr__ and sys.__stderr__.isatty()):
        raise InputError("the dashboard needs a terminal; run it in one, or use --headless where a command offers it")
    tier = choose_tier(os.environ, sys.__stderr__.fileno()) if glyphs == "auto" else cast(Tier, glyphs)
    options = Options(tier=tier, keys=key_map(keys), reduced=reduced)
    view = View(theme=theme, system=units, operator=operator or words.OPERATOR)
    app = EarthwardApp(
        address,
        clock=clock,
        options=options,
        view=view,
        mode=colour_mode(os.environ),
        switches=switches,
        listeners=listeners,
        hands=hands,
    )
    # Drops on a touch panel make ghost touches: nothing here listens to them.
    code = app.run(mouse=False)
    return app.return_code or (code or 0)
