"""Keys hold the pole on an emulated bench, and nowhere else."""

from __future__ import annotations

from tests.display import fake_feed

from earthward.daemon.protocol import MoveTo, State
from earthward.display.press import press
from earthward.display.snapshot import Snapshot
from earthward.display.view import View
from earthward.record.place import Station

OUTLINE = [(0.0, 0.0), (8.0, 0.0), (8.0, 4.0), (0.0, 4.0)]


def at(x: float, y: float, spot: bool = False) -> Snapshot:
    place = Station(position_m=(x, y, 0.5), bearing_deg=0.0, name="S1")
    state = fake_feed.state(place=place, spot=fake_feed.spot() if spot else None)
    assert isinstance(state, State)
    return Snapshot(connected=True, state=state, plan=fake_feed.plan(outline=OUTLINE))


def pressed(way: str, snapshot: Snapshot) -> Station:
    _, sent = press(View(hands=True), f"pole {way}", snapshot, 0.0)
    assert len(sent) == 1 and isinstance(sent[0], MoveTo)
    return sent[0].place


def test_it_moves_turns_and_stands_upright() -> None:
    here = at(2.0, 2.0)
    assert pressed("up", here) == Station(position_m=(2.0, 2.2, 0.5), bearing_deg=0.0)
    assert pressed("left", here).position_m == (1.8, 2.0, 0.5)
    assert pressed("deeper", here).position_m == (2.0, 2.0, 0.7)
    assert pressed("turn left", here).bearing_deg == 45.0
    assert pressed("turn right", here).bearing_deg == 315.0
    assert pressed("upright", here).vertical


def test_not_through_the_wall_nor_in_the_middle_of_a_spot() -> None:
    view, sent = press(View(hands=True), "pole left", at(0.3, 2.0), 0.0)
    assert sent == [] and "cannot be held there" in view.notice
    view, sent = press(View(hands=True), "pole left", at(2.0, 2.0, spot=True), 0.0)
    assert sent == [] and view.notice_bad


def test_a_real_instrument_s_display_has_no_hands() -> None:
    view, sent = press(View(), "pole up", at(2.0, 2.0), 0.0)
    assert sent == [] and view == View()
