"""The daemon with an orientation sensor in the head: what it says, what it takes from a person, what it refuses."""

from __future__ import annotations

import math
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from tests.display.fake_feed import state as fake_state

from earthward.commands.tell import message_of
from earthward.daemon import health
from earthward.daemon import protocol as m
from earthward.daemon.pump import Pump
from earthward.daemon.spot import SpotRoutine
from earthward.daemon.visiting import Visiting
from earthward.daemon.wiring import _keeper, read_kept
from earthward.display.pages.actions import items
from earthward.display.pages.place import depth_text
from earthward.display.snapshot import Snapshot
from earthward.display.view import View
from earthward.errors import InputError
from earthward.pool.shape import rectangle
from earthward.record.calibration import HeadCalibration
from earthward.record.place import Depth, Orientation, Station
from earthward.survey.files.whole import write_whole
from earthward.survey.pair import at_depth

TOLD = Orientation(
    ahead=(1.0, 0.0, 0.0), left=(0.0, 1.0, 0.0), up=(0.0, 0.0, -1.0), bearing_deg=0.0, bearing_sigma_deg=2.0,
    tilt_sigma_deg=0.7,
)  # fmt: skip
HERE = Station(position_m=(2.0, 2.0, 0.7), bearing_deg=0.0)


class Sense:
    """A sensor that says what a test wants."""

    def __init__(self) -> None:
        self.text, self.told, self.moving_s = "", TOLD, -math.inf

    def now(self) -> Orientation | None:
        return self.told


def test_each_new_trouble_of_the_sensor_is_told_once() -> None:
    sense, told = Sense(), []
    teller = SimpleNamespace(event=lambda *what: told.append(what[:3]), recorder=None)
    idle = SimpleNamespace(drain_events=list, stated_clear=False)
    wiring: Any = SimpleNamespace(
        head=sense, depth=None, wall_s=lambda: 0.0, clock=SimpleNamespace(now=lambda: 1.0), board=idle,
        receiver=SimpleNamespace(status=SimpleNamespace(ok=True, starting=True)),
    )  # fmt: skip
    pump = Pump(wiring, idle, teller, None, lambda: None)  # type: ignore[arg-type]
    pump.work()
    assert told == []
    sense.text = "The magnetic field is disturbed here."
    pump.work()
    pump.work()
    sense.text = ""
    pump.work()
    assert [(severity, code) for severity, code, _ in told] == [("caution", "head sensor"), ("info", "head sensor")]


def test_the_state_carries_what_the_sensor_tells_or_why_it_does_not() -> None:
    assert health.head(None) is None
    sense: Any = Sense()
    assert health.head(sense) == m.HeadHealth(ok=True, text="", told=TOLD)
    sense.told, sense.text = None, "It has stopped."
    assert health.head(sense) == m.HeadHealth(ok=False, text="It has stopped.")


def test_a_reading_measured_while_the_head_moved_is_not_kept() -> None:
    sense = Sense()
    wiring: Any = SimpleNamespace(head=sense, clock=SimpleNamespace(now=lambda: 10.0))
    visiting = Visiting(SimpleNamespace(), wiring, None, None, None)  # type: ignore[arg-type]
    reading: Any = SimpleNamespace(t_s=9.7, window_s=0.5, source_id=0)
    assert visiting._keepable(reading) is reading
    sense.moving_s = 9.6
    with pytest.raises(InputError, match="hold still"):
        visiting._keepable(reading)


def test_both_electrodes_of_one_hold_share_one_word_of_the_sensor() -> None:
    sense = Sense()
    wiring: Any = SimpleNamespace(head=sense, clock=SimpleNamespace(now=lambda: 10.0))
    visiting = Visiting(SimpleNamespace(), wiring, None, None, None)  # type: ignore[arg-type]
    first = visiting._orientation(HERE)
    sense.told = Orientation(**{**{f: getattr(TOLD, f) for f in TOLD.__struct_fields__}, "bearing_deg": 0.2})
    assert visiting._orientation(HERE) is first
    sense.moving_s = 9.9
    moved = visiting._orientation(HERE)
    assert moved is not None and moved.bearing_deg == 0.2


def test_a_spot_begins_its_hold_anew_when_the_head_moved() -> None:
    spot = SpotRoutine(HERE, ("along",), ("A",), 0.0)
    reading: Any = SimpleNamespace(t_s=5.0, window_s=0.5)
    assert spot._since_hold(reading)
    spot.moved(4.9)
    assert not spot._since_hold(reading)


def test_a_person_can_say_so_on_the_screen_and_from_the_shell() -> None:
    state = fake_state()
    labels = [i.label for i in items(View(), Snapshot(state=state))]
    assert not [label for label in labels if label.startswith("head sensor")]
    with_sensor = msgspec.structs.replace(state, head=m.HeadHealth(ok=True, text="", told=TOLD))
    wanted = [i.messages for i in items(View(), Snapshot(state=with_sensor)) if i.label.startswith("head sensor")]
    assert wanted == [(m.AtWall(),), (m.Plumb(),)]
    assert message_of(SimpleNamespace(what="at-wall", bearing=90.0)) == m.AtWall(bearing_deg=90.0)  # type: ignore[arg-type]
    assert message_of(SimpleNamespace(what="plumb")) == m.Plumb()  # type: ignore[arg-type]


class Deep:
    """A depth sensor that says what a test wants."""

    def __init__(self) -> None:
        self.text = ""
        self.told: Depth | None = Depth(depth_m=0.82, sigma_m=0.012)
        self.zeroed = 0

    def now(self, held: Orientation | None = None, since_s: float = -math.inf) -> Depth | None:
        return self.told if since_s < 10.0 else None

    def start(self) -> None: ...

    def close(self) -> None: ...

    def at_surface(self) -> None:
        self.zeroed += 1


def test_both_electrodes_of_one_hold_share_one_depth() -> None:
    deep = Deep()
    wiring: Any = SimpleNamespace(head=None, depth=deep, clock=SimpleNamespace(now=lambda: 10.0))
    visiting = Visiting(SimpleNamespace(), wiring, None, None, None)  # type: ignore[arg-type]
    first = visiting._depth(HERE, None)
    deep.told = Depth(depth_m=0.9, sigma_m=0.012)
    assert visiting._depth(HERE, None) is first
    visiting._moved_s = 9.9
    moved = visiting._depth(HERE, None)
    assert moved is not None and moved.depth_m == 0.9
    visiting._moved_s = 10.0
    assert visiting._depth(HERE, None) is None, "nothing seen since the pole came here"


def test_a_told_depth_takes_the_place_of_the_said_one() -> None:
    pool = rectangle(8.0, 4.0, 1.4)
    ahead = at_depth(pool, HERE, 0.3, "single", None, Depth(depth_m=0.82, sigma_m=0.012))
    assert ahead is not None and ahead.position_m == (2.0, 2.0, 0.82)
    # On the floor by a finger's breadth too deep: the floor holds it; far below it cannot be.
    on_floor = at_depth(pool, HERE, 0.3, "three-axis", None, Depth(depth_m=1.28, sigma_m=0.012))
    assert on_floor is not None and on_floor.position_m[2] == pytest.approx(1.25)
    assert at_depth(pool, HERE, 0.3, "single", None, Depth(depth_m=1.9, sigma_m=0.012)) is None
    assert at_depth(pool, HERE, 0.3, "single", None, Depth(depth_m=-0.3, sigma_m=0.012)) is None


def test_the_screen_shows_the_depth_and_zeroes_it_by_a_key() -> None:
    state = msgspec.structs.replace(fake_state(), depth=health.depth(Deep(), None))
    assert state.depth is not None and state.depth.ok
    shown = depth_text(state, "si")
    assert shown == "Depth by the head's sensor: 0.82 m +- 0.01 m"
    wanted = [i.messages for i in items(View(), Snapshot(state=state)) if i.label.startswith("depth sensor")]
    assert wanted == [(m.AtSurface(),)]
    silent = Deep()
    silent.told, silent.text = None, "It has stopped."
    state = msgspec.structs.replace(state, depth=health.depth(silent, None))
    assert depth_text(state, "si") == "It has stopped."
    assert depth_text(fake_state(), "si") == ""
    assert message_of(SimpleNamespace(what="at-surface")) == m.AtSurface()  # type: ignore[arg-type]


def test_a_damaged_calibration_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "head-sensor.json"
    assert read_kept(path, HeadCalibration) is None
    path.write_text("{")
    assert read_kept(path, HeadCalibration) is None
    path.write_text('{"plumb": true}')
    assert read_kept(path, HeadCalibration) == HeadCalibration(plumb=True)


def test_what_is_kept_of_a_sensor_is_written_off_the_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A card that takes its time must not hold up whoever said that the head is plumb."""
    slow, going = threading.Event(), threading.Event()
    real = write_whole

    def write(path: Path, data: bytes) -> None:
        going.set()
        assert slow.wait(5.0)
        real(path, data)

    monkeypatch.setattr("earthward.daemon.wiring.write_whole", write)
    keep = _keeper(tmp_path / "head-sensor.json")
    keep(HeadCalibration(plumb=False))
    keep(HeadCalibration(plumb=True))
    assert going.wait(5.0) and not (tmp_path / "head-sensor.json").exists()
    slow.set()
    for _ in range(500):
        if read_kept(tmp_path / "head-sensor.json", HeadCalibration) == HeadCalibration(plumb=True):
            break
        going.clear()
        going.wait(0.01)
    assert read_kept(tmp_path / "head-sensor.json", HeadCalibration) == HeadCalibration(plumb=True)
