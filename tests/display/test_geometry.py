"""Nothing is cut, wrapped or wider than the screen: the reading page at 40 x 13, every page at three sizes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from msgspec import structs
from tests.display import fake_feed
from tests.display.scenes import PAGES, SIZES, SMALL, TIERS, scene

from earthward.daemon.protocol import FromDaemon, Steps
from earthward.display.canvas import Canvas
from earthward.display.draw import draw
from earthward.display.forms import FORMS
from earthward.display.frame import now_line
from earthward.display.meaning import meaning_of
from earthward.display.options import Options
from earthward.display.page import Scene
from earthward.display.places import place_text, tapes_to
from earthward.display.press import press
from earthward.display.snapshot import Snapshot, connection
from earthward.display.view import Entry, View
from earthward.record.step import Step
from earthward.survey.steps import STEP_TITLES


def lines(canvas: Canvas) -> list[str]:
    return ["".join(text for text, _ in row) for row in canvas.rows()]


def check(width: int, height: int, snapshot: Snapshot, view: View, now: float, tier: str = "safe") -> list[str]:
    canvas = draw(width, height, snapshot, view, Options(tier=tier), now)  # type: ignore[arg-type]
    text = lines(canvas)
    # What does not fit whole says so; nothing ends in the middle of a sentence as if it were one.
    marked = [piece.strip() for line in text for piece in line.split("...")[:-1]]
    for lost in canvas.clipped:
        whole = " ".join(lost.split())
        assert any(" ".join(piece.split())[-8:] in whole for piece in marked if piece), (lost, *text)
    assert len(text) == height
    assert [len(line) for line in text] == [width] * height
    assert "EMULATED" in text[0]
    assert "SPACE OFF" in text[-1]
    return text


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("tier", TIERS)
def test_every_page_fits(page: str, size: tuple[int, int], tier: str) -> None:
    snapshot, now = scene()
    for system in ("si", "us"):
        check(*size, snapshot, View(page=page, system=system), now, tier)


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("state", ["off", "checking", "ready", "energised", "tripped", "gone", "spot", "turn", "alarm"])
def test_nothing_is_cut_without_saying_so(state: str, size: tuple[int, int]) -> None:
    """Every page in every state in both systems of units; and always a line that says what to press now."""
    lock = state if state in ("off", "checking", "ready", "tripped") else "energised"
    extra: list[FromDaemon] = []
    if state in ("spot", "turn"):
        extra.append(fake_feed.state(spot=fake_feed.spot("hold" if state == "spot" else "turn")))
    if state == "alarm":
        extra.append(fake_feed.events()[3])
    snapshot, now = scene(lock, extra=extra)
    if state == "gone":
        snapshot = connection(snapshot, False, now - 3.0)
    for page in PAGES:
        for system in ("si", "us"):
            view = View(page=page, system=system)
            text = check(*size, snapshot, view, now)
            key, said = now_line(Scene(snapshot, view, Options(), now, meaning_of(snapshot, now)))
            assert said
            assert said.split()[0] in " ".join(text[-4:-1])
            assert key in ("", "keep", "next", "map", "hand")


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
def test_questions_forms_and_help_are_not_cut(size: tuple[int, int]) -> None:
    """What lies over a page: every page of the help, every question that the keys open, every form."""
    off, now = scene("off")
    on, _ = scene()
    views: list[tuple[Snapshot, View]] = [(on, View(help=n)) for n in range(1, 6)]
    for snapshot in (off, on):
        for page in PAGES:
            for selected in range(12):
                view, _ = press(View(page=page, selected=selected, hands=True), "keep", snapshot, now)
                if view.choice is not None:
                    views.append((snapshot, view))
    for name, form in FORMS.items():
        empty = ("",) * len(form.fields)
        views += [
            (on, View(entry=Entry(form=name, lines=empty))),
            (on, View(entry=Entry(form=name, lines=empty, wheel=0))),
        ]
    asked = {view.choice.text for _, view in views if view.choice is not None}
    assert len(asked) >= 6
    for snapshot, view in views:
        for system in ("si", "us"):
            check(*size, snapshot, replace(view, system=system), now)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("status", ["to do", "now", "done", "failed", "skipped"])
def test_the_titles_that_the_daemon_gives_its_steps_are_not_cut(status: str, size: tuple[int, int]) -> None:
    snapshot, now = scene()
    steps = [Step(key=key, title=title, status=status) for key, title in STEP_TITLES.items()]  # type: ignore[arg-type]
    text = "\n".join(check(*size, replace(snapshot, steps=Steps(steps=steps)), View(page="steps"), now))
    for title in STEP_TITLES.values():
        assert title in text


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
@pytest.mark.parametrize("lock", ["off", "checking", "ready", "energised", "tripped"])
def test_reading_page_fits_in_every_state_of_the_interlock(lock: str, size: tuple[int, int]) -> None:
    snapshot, now = scene(lock)
    check(*size, snapshot, View(), now)


def test_reading_page_is_complete_at_40x13() -> None:
    text = "\n".join(check(40, 13, *_at(scene())))
    for needed in ("TOWARD TWO RINGS", "µV", "(95 %)", "ENERGISED", "10.0 mA", "two rings", "│"):
        assert needed in text
    assert "steady" in text.lower()


def _at(made: tuple[Snapshot, float]) -> tuple[Snapshot, View, float]:
    return made[0], View(), made[1]


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
def test_number_is_at_least_five_rows_high(size: tuple[int, int]) -> None:
    snapshot, now = scene(value_of=lambda t: 888e-6, noise_V=0.0)
    text = check(*size, snapshot, View(), now)
    assert sum("█" in line[size[0] // 2 :] for line in text[2 : size[1] - 5]) >= 5


@pytest.mark.parametrize("size", [SMALL, *SIZES], ids=lambda s: f"{s[0]}x{s[1]}")
def test_long_alarm_pushes_the_page_up_and_is_not_cut(size: tuple[int, int]) -> None:
    snapshot, now = scene(extra=[fake_feed.events()[3]])
    text = " ".join(check(*size, snapshot, View(), now))
    assert "ALARM" in text
    assert "look at" in text


def test_choices_and_help_fit() -> None:
    snapshot, now = scene()
    for size in (SMALL, *SIZES):
        check(*size, snapshot, View(help=1), now)
        check(*size, snapshot, press(View(), "type 3", snapshot, now)[0], now)
        for page in ("steps", "findings"):
            view, _ = press(View(page=page), "keep", snapshot, now)
            assert view.choice is not None
            check(*size, snapshot, view, now)


@pytest.mark.parametrize("size", SIZES, ids=lambda s: f"{s[0]}x{s[1]}")
def test_all_of_the_words_for_the_next_place_are_on_the_map(size: tuple[int, int]) -> None:
    """Where to stand is of no use without how deep and which end goes where."""
    told = (
        "11.7 m along the right long wall from its near end corner, 1.0 m off the wall, 0.5 m deep, "
        "front end toward the wall"
    )
    following = fake_feed.Station(position_m=(1.7, 2.5, 0.5), bearing_deg=270.0, name="g1", text=told)
    snapshot, now = scene(extra=[fake_feed.state(next_station=following, place=fake_feed.PLACE)])
    wide = size[0] >= 80
    shown = check(*size, snapshot, View(page="map"), now)
    words_of = " ".join((line[-24:] if wide else line).strip() for line in shown)
    assert told in " ".join(words_of.split())
    assert snapshot.plan is not None
    (one, first), (two, second) = tapes_to(snapshot.plan, following.position_m)
    assert f"tapes: {first:.2f} m from {one.name}, {second:.2f} m from {two.name}" in " ".join(words_of.split())


@pytest.mark.parametrize("page", ["read", "map"])
@pytest.mark.parametrize("system", ["si", "us"])
def test_the_smallest_screen_says_all_of_the_next_place_once_it_is_to_be_read(page: str, system: str) -> None:
    told = (
        "11.7 m along the right long wall from its near end corner, 1.0 m off the wall, 0.5 m deep, "
        "front end toward the wall"
    )
    following = fake_feed.Station(position_m=(1.7, 2.5, 0.5), bearing_deg=270.0, name="g1", text=told)
    steps = [structs.replace(s, status="done") for s in fake_feed.STEPS if s.key not in ("survey", "locate")]
    for finding in (None, 1):
        state = fake_feed.state(next_station=following, next_finding=finding)
        plan = fake_feed.plan(findings=[], budget=None, next_station=following)
        snapshot, now = scene(extra=[plan, state, Steps(steps=steps)])
        shown = check(*SMALL, snapshot, View(page=page, system=system), now)  # type: ignore[arg-type]
        assert place_text(following, system) in " ".join(" ".join(shown).split())  # type: ignore[arg-type]
        if page == "map":
            assert any("┌" in line for line in shown), "the outline is there all the same"
        else:
            assert sum("█" in line[20:] for line in shown) >= 5


def test_odd_names_and_long_texts_do_not_break_the_rows() -> None:
    snapshot, now = scene(
        extra=[fake_feed.state(place=fake_feed.Station(position_m=(1, 1, 1), text="große 池 \t Müller " * 3))]
    )
    canvas = draw(53, 20, snapshot, View(), Options(tier="safe"), now)
    assert {len(line) for line in lines(canvas)} == {53}
