"""Electrodes where a sensor in the head says they are, and what is kept of its word."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from tests.support.quick_daemon import POOL

from earthward.errors import InputError
from earthward.record.place import Orientation, Station
from earthward.record.reading import Reading
from earthward.survey.pair import pair_ends
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

HERE = Station(position_m=(2.0, 2.0, 0.7), bearing_deg=30.0, name="S1")


def told(bearing_deg: float, sigma_deg: float | None, lean_deg: float = 0.0) -> Orientation:
    """Leaning with the front end down."""
    b, a = math.radians(bearing_deg), math.radians(lean_deg)
    return Orientation(
        ahead=(math.cos(b) * math.cos(a), math.sin(b) * math.cos(a), math.sin(a)),
        left=(-math.sin(b), math.cos(b), 0.0),
        up=(math.cos(b) * math.sin(a), math.sin(b) * math.sin(a), -math.cos(a)),
        bearing_deg=bearing_deg,
        bearing_sigma_deg=sigma_deg,
        tilt_sigma_deg=0.7,
    )


@pytest.mark.parametrize(("head", "channel"), [("single", 0), ("crossed", 1), ("three-axis", 0), ("three-axis", 2)])
def test_plumb_and_as_said_nothing_changes(head: str, channel: int) -> None:
    plain = pair_ends(HERE, 0.3, head, channel)  # type: ignore[arg-type]
    sensed = pair_ends(HERE, 0.3, head, channel, told(30.0, 3.0))  # type: ignore[arg-type]
    assert np.allclose(plain, sensed)


def test_the_sensors_bearing_counts_before_the_said_one() -> None:
    front, back = pair_ends(HERE, 0.3, "single", 0, told(42.0, 3.0))
    assert math.degrees(math.atan2(front[1] - back[1], front[0] - back[0])) == pytest.approx(42.0)


def test_without_a_known_bearing_the_said_one_counts_and_the_lean_is_the_sensors() -> None:
    front, back = pair_ends(HERE, 0.3, "single", 0, told(200.0, None, 5.0))
    assert math.degrees(math.atan2(front[1] - back[1], front[0] - back[0])) == pytest.approx(30.0)
    assert math.degrees(math.asin((front[2] - back[2]) / 0.3)) == pytest.approx(5.0)


def test_a_head_that_points_elsewhere_is_not_kept() -> None:
    with pytest.raises(InputError, match="points to 120 degrees and not to 30"):
        pair_ends(HERE, 0.3, "single", 0, told(120.0, 3.0))
    upright = Station(position_m=(2.0, 2.0, 0.7), vertical=True)
    with pytest.raises(InputError, match="not held upright"):
        pair_ends(upright, 0.3, "single", 0, told(30.0, 3.0))
    with pytest.raises(InputError, match="not held level"):
        pair_ends(HERE, 0.3, "single", 0, told(30.0, 3.0, 60.0))


def test_a_kept_reading_carries_the_sensors_word(tmp_path: Path) -> None:
    store = SurveyStore.create(tmp_path / "survey.db", name="x", pool_toml=POOL, emulated=True)
    visit = Visit(store, 0.3, lambda: 1000.0)
    reading = Reading(t_s=5.0, window_s=0.5, value_V=1e-5, sigma_V=1e-6)
    visit.keep(HERE, reading, injected_A=0.01, orientation=told(33.0, 2.5, 4.0))
    later = Reading(t_s=9.0, window_s=0.5, value_V=1e-5, sigma_V=1e-6)
    visit.keep(HERE, later, injected_A=0.01, orientation=told(200.0, None, 4.0))
    by_eye = Reading(t_s=12.0, window_s=0.5, value_V=1e-5, sigma_V=1e-6)
    visit.keep(HERE, by_eye, injected_A=0.01)
    one, two, three = store.readings()
    assert (one.bearing_deg, one.bearing_sigma_deg, one.tilt_sigma_deg) == (33.0, 2.5, 0.7)
    assert one.tilt_deg == pytest.approx(4.0)
    assert (two.bearing_deg, two.bearing_sigma_deg, two.tilt_sigma_deg) == (None, None, 0.7)
    assert (three.bearing_sigma_deg, three.tilt_deg, three.tilt_sigma_deg) == (None, None, None)
    store.close()
