"""The routine of a reading spot, told of readings and presses alone."""

from __future__ import annotations

import pytest

from earthward.daemon import protocol as m
from earthward.daemon.spot import HEADS, KeepNow, SpotRoutine, SwitchTo, WaterMains, turned
from earthward.record.place import Station

BASE = Station(position_m=(2.0, 1.0, 0.5), bearing_deg=270.0, name="S1")


def reading(t_s: float, value_V: float | None = 100e-6, source_id: int = 0, **more: object) -> m.ReadingMessage:
    given: dict[str, object] = {
        "number": 1, "t_s": t_s, "age_s": 0.01, "window_s": 0.5, "value_V": value_V, "sigma_V": 1e-6,
        "source_id": source_id, "current_A": 5e-3,
    }  # fmt: skip
    return m.ReadingMessage(**(given | more))  # type: ignore[arg-type]


class Hold:
    """Feeds a routine 20 readings a second and keeps what it asks for, as the daemon does."""

    def __init__(self, routine: SpotRoutine) -> None:
        self.routine = routine
        self.t_s = 0.0
        self.electrode = 0
        self.rows: list[tuple[str, int, float]] = []

    def run(self, seconds: float, value_of: object = None, **more: object) -> None:
        for _ in range(round(seconds / 0.05)):
            self.t_s += 0.05
            value = 100e-6 if value_of is None else value_of(self.t_s)  # type: ignore[operator]
            wish = self.routine.on_reading(reading(self.t_s - 0.25, value, self.electrode, **more), self.t_s)
            if isinstance(wish, KeepNow):
                self.rows.append((wish.turn, self.electrode, self.t_s))
                then = self.routine.kept([len(self.rows)], "AB"[self.electrode], self.t_s)  # type: ignore[arg-type]
                if isinstance(then, SwitchTo):
                    self.electrode = "AB".index(then.electrode)


def spot(auto: bool = True, electrodes: tuple[str, ...] = ("A", "B"), head: str = "single") -> Hold:
    return Hold(SpotRoutine(BASE, HEADS[head], electrodes, 0.0, auto))  # type: ignore[arg-type]


def test_three_presses_read_three_directions_with_both_electrodes() -> None:
    hold = spot()
    hold.run(5)
    assert [row[:2] for row in hold.rows] == [("along", 0), ("along", 1)]
    assert hold.routine.told().phase == "turn"
    assert hold.routine.press(hold.t_s)
    hold.run(5)
    assert hold.routine.press(hold.t_s)
    hold.run(5)
    assert hold.routine.done
    # The electrode that is on is read first: no switching to and fro.
    assert [row[:2] for row in hold.rows[2:]] == [("across", 1), ("across", 0), ("upright", 0), ("upright", 1)]


def test_it_waits_a_second_after_the_pole_came_and_while_it_moves() -> None:
    hold = spot()
    hold.run(4.0, lambda t: 100e-6 + 50e-6 * t)
    assert hold.rows == []
    assert hold.routine.told().waiting == "not steady"
    hold.run(3.0, lambda t: 300e-6)
    assert hold.rows[0][2] >= 4.3


@pytest.mark.parametrize("bad", [{"flags": ("saturated",)}, {"flags": ("motion",)}, {"sigma_V": None}])
def test_nothing_is_kept_from_a_reading_that_is_none(bad: dict[str, object]) -> None:
    hold = spot()
    hold.run(5.0, **bad)
    assert hold.rows == []


def test_without_keeping_by_itself_a_press_keeps() -> None:
    hold = spot(auto=False)
    hold.run(4)
    assert hold.rows == []
    assert hold.routine.told().waiting == "steady: press keep"
    assert not hold.routine.press(hold.t_s)
    hold.run(3)
    # The second electrode belongs to the same hold: it needs no press of its own.
    assert [row[:2] for row in hold.rows] == [("along", 0), ("along", 1)]


def test_a_direction_can_be_skipped_and_one_taken_back_is_read_again() -> None:
    hold = spot(electrodes=("A",))
    hold.run(3)
    hold.routine.skip(hold.t_s)
    assert [turn.status for turn in hold.routine.told().turns] == ["kept", "skipped", "to do"]
    hold.routine.press(hold.t_s)
    hold.run(3)
    assert hold.routine.done
    hold.routine.again(2, hold.t_s)
    assert [turn.status for turn in hold.routine.told().turns] == ["kept", "skipped", "to do"]
    assert hold.routine.told().phase == "turn"
    hold.routine.press(hold.t_s)
    hold.run(3)
    assert [row[0] for row in hold.rows] == ["along", "upright", "upright"]


def test_a_head_that_reads_more_at_once_needs_fewer_turns() -> None:
    for head, turns in (("crossed", ["along", "upright"]), ("three-axis", ["along"])):
        hold = spot(head=head)
        for _ in range(4):
            hold.run(4)
            hold.routine.press(hold.t_s)
        assert list(dict.fromkeys(row[0] for row in hold.rows)) == turns
        assert hold.rows[0][2] <= 1.5 + 1e-6, "kept within a second and a half of holding still"


def test_how_the_pole_is_held() -> None:
    assert turned(BASE, "along").bearing_deg == 270.0
    assert turned(BASE, "across").bearing_deg == 0.0
    upright = turned(BASE, "upright")
    assert upright.vertical and upright.bearing_deg is None
    # A place that was said by two tapes has no bearing of its own: along the pool.
    assert turned(Station(position_m=(1.0, 1.0, 0.5)), "along").bearing_deg == 0.0


def test_a_pole_in_air_is_asked_about_and_kept_only_by_hand() -> None:
    routine = SpotRoutine(BASE, ("along",), ("A",), 0.0, True)
    for k in range(1, 60):
        assert routine.on_reading(reading(0.05 * k - 0.25), 0.05 * k, mains_times=30.0) is None
    assert routine.told().doubt and "in the water" in routine.told().waiting
    # Back in the water it goes on by itself, from then on.
    wish = None
    for k in range(60, 120):
        wish = wish or routine.on_reading(reading(0.05 * k - 0.25), 0.05 * k, mains_times=2.0)
    assert isinstance(wish, KeepNow) and not routine.told().doubt
    routine = SpotRoutine(BASE, ("along",), ("A",), 0.0, True)
    assert routine.on_reading(reading(1.0), 1.2, mains_times=30.0) is None
    routine.press(1.3)
    assert isinstance(routine.on_reading(reading(2.0), 2.2, mains_times=30.0), KeepNow)


def test_a_place_with_little_mains_makes_no_other_look_like_air() -> None:
    """One reading kept before the lock-in knew the mains stopped a visit: everything after it was 15 times as much."""
    water = WaterMains()
    assert water.times(3e-4) == 1.0
    for mains_V in (0.0, 3e-4, 2.6e-4, 3.2e-4):
        water.kept(mains_V)
    assert water.times(3e-4) < 1.2
    assert water.times(40 * 3e-4) > 10.0, "a pair in air is still asked about"
