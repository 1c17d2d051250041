"""Places by deck distance and by tapes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.display import fake_feed

from earthward.daemon.protocol import Plan
from earthward.display import places
from earthward.errors import InputError
from earthward.record.place import Mark, Station

L_SHAPE = [(0.0, 0.0), (8.0, 0.0), (8.0, 3.0), (4.0, 3.0), (4.0, 7.0), (0.0, 7.0)]


def plan_of(outline: list[tuple[float, float]], marks: list[Mark] | None = None) -> Plan:
    return Plan(revision=1, name="x", outline_m=outline, marks=marks or [])


@given(distance=st.floats(0, 100), turn=st.booleans())
@settings(max_examples=200, deadline=None)
def test_deck_places_are_inside_and_face_the_wall(distance: float, turn: bool) -> None:
    outline = L_SHAPE[::-1] if turn else L_SHAPE
    place = places.deck_place(plan_of(outline), distance, "si")
    x, y, _ = place.position_m
    assert places.inside((x, y), outline)
    assert place.bearing_deg is not None
    ahead = (
        x + 0.31 * math.cos(math.radians(place.bearing_deg)),
        y + 0.31 * math.sin(math.radians(place.bearing_deg)),
    )
    assert not places.inside(ahead, outline)


@given(x=st.floats(0.3, 7.7), y=st.floats(0.3, 2.7))
@settings(max_examples=200, deadline=None)
def test_tapes_find_the_place_that_they_were_read_at(x: float, y: float) -> None:
    plan = plan_of(L_SHAPE, [Mark(name="post", position_m=(-1.0, -1.0)), Mark(name="step", position_m=(9.0, -1.0))])
    (one, first), (two, second) = places.tapes_to(plan, (x, y, 0.5))
    assert (one.name, two.name) == ("post", "step")
    place = places.tape_place(plan, first, second, "si")
    assert place.position_m[:2] == pytest.approx((x, y), abs=1e-6)


def test_tapes_that_do_not_meet_or_meet_outside_are_refused() -> None:
    plan = fake_feed.plan()
    for first, second in ((1.0, 1.0), (30.0, 30.0), (20.0, 1.0)):
        with pytest.raises(InputError, match="do not meet"):
            places.tape_place(plan, first, second, "si")


def test_a_little_slack_in_the_tapes_is_forgiven() -> None:
    place = places.tape_place(
        plan_of(L_SHAPE, [Mark(name="a", position_m=(0.0, 1.0)), Mark(name="b", position_m=(8.0, 1.0))]),
        3.98,
        3.98,
        "si",
    )
    assert place.position_m[:2] == pytest.approx((4.0, 1.0), abs=1e-6)


def test_without_a_plan_one_sentence() -> None:
    with pytest.raises(InputError, match="no plan"):
        places.deck_place(plan_of([]), 1.0, "si")


def test_a_place_without_words_is_told_by_its_coordinates() -> None:
    assert places.place_text(Station(position_m=(1.0, 2.0, 0.5)), "si") == "x 1.00 m, y 2.00 m, depth 0.50 m"
