"""The running dashboard against a stand-in daemon on a real socket: a whole visit by keys, and by switches; trouble."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import msgspec
import pytest
from gpiozero.pins.mock import MockFactory
from tests.display import fake_feed
from tests.display.fake_feed import FakeDaemon, Visit
from textual.pilot import Pilot
from textual.widgets import Input

from earthward.daemon.protocol import (
    Ask,
    BeginSpot,
    Hello,
    Lost,
    Problem,
    SourceOff,
    State,
    Subscribe,
    SwitchPressed,
    WaterClear,
    WriteReport,
    encode,
)
from earthward.devices.gpio import PoolSide
from earthward.display.app import EarthwardApp, colour_mode
from earthward.display.keys import key_map
from earthward.display.options import Options
from earthward.display.pages import registry
from earthward.display.press import press as press_one
from earthward.display.snapshot import Snapshot, connection, updated
from earthward.display.view import View
from earthward.errors import InputError

pytestmark = pytest.mark.realtime
PATIENCE_S = 30.0


def text_of(app: EarthwardApp) -> str:
    """The screen as Textual drew it, read back from its own lines."""
    sheet = app._widget
    return "\n".join(sheet.render_line(y).text for y in range(sheet.size.height))


async def until(condition: Callable[[], object], what: str = "") -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def feeding(daemon: FakeDaemon, value_V: float = 123e-6) -> AsyncIterator[None]:
    """Readings twenty times a second while the block runs."""

    async def feed() -> None:
        n = 0
        while True:
            n += 1
            daemon.say(fake_feed.reading(n, value_V))
            await asyncio.sleep(0.05)

    task = asyncio.create_task(feed())
    try:
        yield
    finally:
        task.cancel()


@contextlib.asynccontextmanager
async def opened(
    daemon: FakeDaemon, size: tuple[int, int] = (53, 20), **more: object
) -> AsyncIterator[tuple[EarthwardApp, Pilot[int]]]:
    await daemon.start()
    app = EarthwardApp(str(daemon.path), **more)  # type: ignore[arg-type]
    try:
        async with app.run_test(size=size) as pilot:
            await until(lambda: app.client.snapshot.state is not None)
            yield app, pilot
    finally:
        await daemon.stop()


@pytest.fixture
def daemon(tmp_path: Path) -> FakeDaemon:
    return FakeDaemon(tmp_path / "d.sock")


Press = Callable[[str], Awaitable[None]]


async def reaches(read: Callable[[], object], wanted: object) -> None:
    await until(lambda: read() == wanted)


async def leaves(read: Callable[[], object], before: object) -> None:
    await until(lambda: read() != before)


async def walk_a_visit(app: EarthwardApp, visit: Visit, press: Press) -> None:
    """From arrival to the report, with nothing but keep, map, next and off."""

    def line() -> str:
        """What the last rows say is to be pressed now."""
        return " ".join(" ".join(text_of(app).splitlines()[-4:]).split())

    async def says(words: str) -> None:
        await until(lambda: words in line())

    async def go(page: str) -> None:
        for _ in range(len(registry())):
            if app.view.page == page:
                return
            before = app.view.page
            await press("map")
            await leaves(lambda: app.view.page, before)
        raise AssertionError(f"the map key never reaches {page}")

    # Safety first: nothing is on, and the screen says what to press.
    await until(lambda: "K: look at the whole pool" in line())
    await press("keep")
    await until(lambda: app.view.choice is not None)
    await press("keep")
    await until(lambda: any(isinstance(m, WaterClear) for m in visit.daemon.heard))
    await until(lambda: "Hold the enable" in line())
    # Only the hand at the pool side switches on: no message can.
    visit.energise()
    await until(lambda: app.client.snapshot.state and app.client.snapshot.state.interlock.state == "energised")
    async with feeding(visit.daemon):
        await until(lambda: "TOWARD ONE RING" in text_of(app))
        await until(lambda: "test leak" in line())
        for k in range(4):
            # One press at the place, one after each turn of the pole.
            await press("next")
            await reaches(lambda: visit.place and visit.place.name, f"g{k}")
            await until(lambda: "ACROSS" in line())
            await press("keep")
            await until(lambda: "UPRIGHT" in line())
            await press("keep")
            await reaches(lambda: len(visit.kept), 3 * (k + 1))
            if k == 0:
                for words in ("NOT joined", "JOIN", "part"):
                    await says(words)
                    await press("keep")
                await until(lambda: visit.leak_read == 3)
            await says(f"place {k + 1}")
        # One place by two tapes: 5.0 m and 7.1 m, digit by digit.
        await go("place")
        for digit in (0, 5, 0, 0, 7, 1):
            for _ in range(digit):
                digits = app.view.entry
                await press("next")
                await leaves(lambda: app.view.entry, digits)
            before = app.view.entry, app.view.page
            await press("keep")
            await leaves(lambda: (app.view.entry, app.view.page), before)
        await until(lambda: visit.place is not None and visit.place.name == "tape 5.00 7.10")
        assert visit.place is not None
        # Corners 1 and 2 are (0, 0) and (10, 0): x = (25 - 50.41 + 100) / 20, y = sqrt(25 - x^2).
        assert visit.place.position_m[:2] == pytest.approx((3.7295, 3.3302), abs=1e-3)
        assert app.view.page == "read"
        for _ in range(2):
            count = len(visit.kept)
            await until(lambda: "when turned" in line())
            await press("keep")
            await reaches(lambda: len(visit.kept), count + 1)
        # Look at everything.
        for page in ("map", "coverage", "budget", "log", "do"):
            await go(page)
        visit.find()
        await go("read")
        await until(lambda: "Let go of the enable" in line())
    visit.let_go()
    for words, stage in (("K: dye at finding 1", "dye drawn"), ("K: finding 1: repair", "repaired")):
        await says(words)
        # Straight to the question, and back to where one was once it is answered.
        await press("keep")
        await until(lambda: app.view.page == "findings" and app.view.choice is not None)
        await press("keep")
        await reaches(lambda: app.client.snapshot.plan and app.client.snapshot.plan.findings[0].stage, stage)
        await until(lambda: app.view.page == "read")
    await until(lambda: "compare before and after" in line())
    await press("keep")
    await until(lambda: visit.stages[-1] == (1, "re-measured"))
    await until(lambda: "K: write the report" in line())
    await press("keep")
    await until(lambda: any(isinstance(m, WriteReport) for m in visit.daemon.heard))
    await until(lambda: "All is saved in" in line())
    await press("off")
    await until(lambda: visit.lock.state == "off")
    assert len(visit.kept) == 15


async def test_whole_visit_by_keys_alone(daemon: FakeDaemon) -> None:
    visit = Visit(daemon)
    async with opened(daemon) as (app, pilot):
        names = {"keep": "k", "map": "m", "next": "n", "off": "space"}

        async def press(name: str) -> None:
            await pilot.press(names[name])

        await walk_a_visit(app, visit, press)


async def test_whole_visit_by_mock_gpio_switches_alone(daemon: FakeDaemon) -> None:
    """gpiozero's mock pins are pulled to ground; the daemon's side turns that into messages for the display."""
    visit = Visit(daemon)
    factory = MockFactory()
    pins = {"keep": 5, "map": 6, "next": 13, "off": 19}
    loop = asyncio.get_running_loop()
    pressed: list[str] = []

    def changed(name: str, active: bool) -> None:
        if active and name in pins:
            pressed.append(name)
            loop.call_soon_threadsafe(forward, name)

    def forward(name: str) -> None:
        if name == "off":
            # The daemon obeys by itself, display or not.
            visit.lock = fake_feed.interlock("off")
            daemon.say(visit.state())
        daemon.say(SwitchPressed(name=name, t_s=0.0))  # type: ignore[arg-type]

    with PoolSide(emergency_stop=17, enable=27, switches=pins, on_change=changed, pin_factory=factory):
        async with opened(daemon) as (app, _):
            await until(lambda: any(isinstance(m, Subscribe) and m.switches for m in daemon.heard))

            async def press(name: str) -> None:
                pin = factory.pin(pins[name])
                # A contact must rest as long as its debouncing asks before it counts again.
                await asyncio.sleep(0.03)
                pin.drive_low()
                await asyncio.sleep(0.03)
                pin.drive_high()

            await walk_a_visit(app, visit, press)
    assert pressed[-1] != "keep" and "off" in pressed
    assert not any(isinstance(m, SourceOff) for m in daemon.heard)


@pytest.mark.parametrize("page", list(registry()))
async def test_one_press_takes_the_source_off_from_every_page(daemon: FakeDaemon, page: str) -> None:
    async with opened(daemon, view=View(page=page)) as (app, pilot):
        for opening in ((), ("h",), ("3",), ("k",)):
            daemon.heard.clear()
            if opening:
                await pilot.press(*opening)
            await pilot.press("space")
            await until(lambda: any(isinstance(m, SourceOff) for m in daemon.heard))
        assert "SOURCE OFF" in text_of(app)


async def test_off_works_while_an_input_holds_the_keyboard(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, pilot):
        box = Input()
        await app.screen.mount(box)
        box.focus()
        await pilot.pause()
        assert app.focused is box
        await pilot.press("a", "space")
        await until(lambda: any(isinstance(m, SourceOff) for m in daemon.heard))
        assert box.value == "a"


async def test_keys_can_be_remapped(daemon: FakeDaemon) -> None:
    keys = key_map(["off=f12", "keep=enter,f9", "map=f8"])
    async with opened(daemon, options=Options(keys=keys)) as (app, pilot):
        await pilot.press("space", "k", "m")
        await asyncio.sleep(0.1)
        assert app.view.page == "read"
        assert not any(isinstance(m, SourceOff) for m in daemon.heard)
        await pilot.press("f9")
        await until(lambda: any(isinstance(m, BeginSpot) for m in daemon.heard))
        await pilot.press("f8")
        assert app.view.page == "map"
        await pilot.press("f12")
        await until(lambda: any(isinstance(m, SourceOff) for m in daemon.heard))
        assert "F12 OFF" in text_of(app)


def test_wrong_key_settings_are_told() -> None:
    for wrong in ("off", "off=", "jump=x", "keep=3", "keep=space,o"):
        with pytest.raises(InputError):
            key_map([wrong])


async def test_a_spot_by_deck_distance_typed(daemon: FakeDaemon) -> None:
    """Beside the digits one press; afterwards next goes where the daemon proposes, not on along the deck."""
    async with opened(daemon) as (app, pilot), feeding(daemon):
        await until(lambda: app.client.snapshot.readings and app.client.snapshot.plan)
        await pilot.press("3", ".", "4", "k")
        await until(lambda: any(isinstance(m, BeginSpot) for m in daemon.heard))
        begun = next(m for m in daemon.heard if isinstance(m, BeginSpot))
        assert begun.place.position_m == pytest.approx((3.4, 0.3, 0.5))
        daemon.heard.clear()
        await pilot.press("n")
        await until(lambda: daemon.heard)
        assert daemon.heard[0].place == fake_feed.NEXT  # type: ignore[union-attr]


async def test_a_spot_by_two_tapes_typed(daemon: FakeDaemon) -> None:
    """A place by two tapes is read like any other: it needs no bearing said."""
    async with opened(daemon) as (app, pilot), feeding(daemon):
        await until(lambda: app.client.snapshot.readings and app.client.snapshot.plan)
        await pilot.press("5", "tab", "7", ".", "1", "k")
        await until(lambda: any(isinstance(m, BeginSpot) for m in daemon.heard))
        begun = next(m for m in daemon.heard if isinstance(m, BeginSpot))
        assert begun.place.position_m[:2] == pytest.approx((3.7295, 3.3302), abs=1e-3)
        daemon.heard.clear()
        await pilot.press("1", "tab", "1", "k")
        await until(lambda: app.view.entry is not None and app.view.entry.error)
        assert not daemon.heard
        assert "do not meet" in text_of(app)


async def test_a_digit_on_the_place_page_is_a_tape_and_no_deck_distance(daemon: FakeDaemon) -> None:
    async with opened(daemon, view=press_view("go place")) as (app, pilot):
        await until(lambda: app.client.snapshot.plan)
        await pilot.press("5")
        assert app.view.entry is not None and app.view.entry.form == "tapes"
        await pilot.press("k", "7", ".", "1", "k")
        await until(lambda: any(isinstance(m, BeginSpot) for m in daemon.heard))


def press_view(action: str) -> View:
    return press_one(View(), action, Snapshot(), 0.0)[0]


async def test_a_mere_suspicion_offers_no_dye(daemon: FakeDaemon) -> None:
    async with opened(daemon, view=View(page="findings")) as (app, pilot):
        one = msgspec.structs.replace(fake_feed.plan().findings[0], number=0)
        daemon.say(fake_feed.plan(revision=9, findings=[one]))
        await until(lambda: app.client.snapshot.plan and app.client.snapshot.plan.revision == 9)
        await pilot.press("k")
        assert app.view.choice is None
        assert "only suspected" in text_of(app)


async def test_a_fitting_is_covered_with_the_source_off_only(daemon: FakeDaemon) -> None:
    async with opened(daemon, view=View(page="findings", selected=2)) as (app, pilot):
        await until(lambda: app.client.snapshot.plan)
        await pilot.press("k")
        assert app.view.choice is None
        assert "source off first" in text_of(app)


async def test_feed_stops_and_the_number_goes(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, _):
        async with feeding(daemon):
            await until(lambda: "TOWARD ONE RING" in text_of(app))
        await until(lambda: "NO NEW READING" in text_of(app))
        assert "TOWARD" not in text_of(app)


async def test_daemon_goes_and_comes_back(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, pilot), feeding(daemon):
        await until(lambda: "TOWARD ONE RING" in text_of(app))
        await daemon.stop()
        await until(lambda: "NO CONTACT" in text_of(app) and "NOT CONNECTED" in text_of(app))
        assert "EMULATED" in text_of(app)
        await pilot.press("space")
        assert "USE THE EMERGENCY STOP" in text_of(app)
        await daemon.start()
        await until(lambda: "TOWARD ONE RING" in text_of(app))


async def test_rubbish_on_the_line_is_survived(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, _):
        for writer in daemon._writers:
            writer.write(b'{"type":"something newer","x":1}\n\n\xff\xfe\n{"type":"reading"}\n')
        daemon.say(fake_feed.reading(1))
        await until(lambda: app.client.snapshot.readings)
        assert app.client.snapshot.connected


async def test_lost_readings_are_told(daemon: FakeDaemon) -> None:
    async with opened(daemon, size=(80, 24)) as (app, _), feeding(daemon):
        daemon.say(Lost(readings=7))
        daemon.say(fake_feed.state(stations=123))
        await until(lambda: "7 readings left out" in text_of(app))


async def test_what_the_daemon_answers_to_a_press_is_shown(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, pilot), feeding(daemon):
        await until(lambda: app.client.snapshot.readings)
        await pilot.press("n")
        daemon.say(Problem(text="the pole has only just come here"))
        await until(lambda: "not done: the pole has only just come here" in " ".join(text_of(app).split()))
        await pilot.press("n")
        daemon.say(fake_feed.kept(fake_feed.PLACE))
        await until(lambda: "kept +123 µV at deck 2.40 m" in " ".join(text_of(app).split()))


async def test_help_on_one_key_and_any_key_closes_it(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, pilot):
        await pilot.press("h")
        assert "source off, at once" in text_of(app)
        await pilot.press("n")
        assert not app.view.help


async def test_themes_change_at_a_key(daemon: FakeDaemon) -> None:
    async with opened(daemon) as (app, pilot):
        looks = []
        for _ in range(3):
            strip = app._widget.render_line(0)
            looks.append(str([s.style for s in strip]))
            await pilot.press("t")
        assert len(set(looks)) == 3
        assert str([s.style for s in app._widget.render_line(0)]) == looks[0]


async def test_only_rows_that_changed_are_drawn(daemon: FakeDaemon) -> None:
    async with opened(daemon, view=View(page="map")) as (app, _), feeding(daemon):
        await until(lambda: app.client.snapshot.plan and "→ 123 µV" in text_of(app))
        await asyncio.sleep(1.2)
        before, painted = app.rows_sent, app.paints
        await until(lambda: app.paints >= painted + 3)
        assert app.rows_sent == before


async def test_lines_of_several_at_once_and_nothing_sent_when_read_only(daemon: FakeDaemon) -> None:
    """What the display sends are the messages of the protocol and nothing else."""
    async with opened(daemon) as (app, pilot):
        await pilot.press("n", "k", "m", "plus", "e", "space")
        await until(lambda: any(isinstance(m, SourceOff) for m in daemon.heard))
        # Plan and steps are sent when they change: who comes later asks.
        assert {m.what for m in daemon.heard if isinstance(m, Ask)} == {"plan", "steps"}
        assert app.client.snapshot.hello == Hello(version="0.1.0", emulated=True)
        assert isinstance(app.client.snapshot.state, State)
        assert encode(app.client.snapshot.state)


async def test_sigterm_leaves_in_order(daemon: FakeDaemon) -> None:
    await daemon.start()
    app = EarthwardApp(str(daemon.path))
    async with app.run_test(size=(53, 20)):
        await until(lambda: app.client.snapshot.connected)
        os.kill(os.getpid(), signal.SIGTERM)
        await until(lambda: app._exit)
    await daemon.stop()
    assert app.return_code == 0


def test_colours_are_chosen_from_the_terminal() -> None:
    assert colour_mode({"TERM": "linux"}) == "16"
    assert colour_mode({"TERM": "linux", "COLORTERM": "truecolor"}) == "16"
    assert colour_mode({"TERM": "xterm-256color"}) == "full"
    assert colour_mode({"TERM": "xterm", "NO_COLOR": "1"}) == "none"


def test_the_line_that_asks_for_dye_opens_that_finding() -> None:
    """With the first place settled and a second one found, the page opens at the second."""
    one = msgspec.structs.replace(fake_feed.plan().findings[0], history=fake_feed.staged("re-measured"))
    two = msgspec.structs.replace(one, number=2, history=())
    snapshot = connection(Snapshot(), True, 0.1)
    for message in (fake_feed.state("off"), fake_feed.plan(findings=[one, two])):
        snapshot = updated(snapshot, message, 0.2)
    view, _ = press_one(View(), "keep", snapshot, 0.3)
    assert (view.page, view.selected, view.back) == ("findings", 1, "read")
    assert view.choice is not None and view.choice.text.startswith("Finding 2")
