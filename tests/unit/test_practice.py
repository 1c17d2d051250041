"""Practice: one seed is one pool, the score follows from the actions alone, safety comes before everything."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest

from earthward.cli import main
from earthward.errors import InputError
from earthward.practice.actions import (
    Accused,
    AnyAction,
    Covered,
    Dyed,
    EnableHeld,
    Ended,
    Held,
    Looked,
    SourceOff,
    SourceOn,
    StrayChecked,
    decode_action,
    encode_action,
)
from earthward.practice.explain import in_words, page
from earthward.practice.players import PLAYERS, cheated
from earthward.practice.pools import GRADES, LONG_COVER_S, practice_pool
from earthward.practice.quick import QuickVisit
from earthward.practice.result import judged, read_run, to_bytes
from earthward.practice.score import Tally, score, skipped_steps, tally
from earthward.record.place import Station
from earthward.safety.limits import Limits
from earthward.safety.stray import StrayMeasurement, judge

LEAK = (2.0, 0.0, 0.7)
HOLD = Station(position_m=(2.0, 0.4, 0.7), bearing_deg=270.0, name="S1")
#: A visit that leaves nothing out: a look, the check, a hold, off, dye, the leak named 0.1 m beside.
GOOD: tuple[AnyAction, ...] = (
    Looked(t_s=0.0),
    StrayChecked(t_s=40.0),
    EnableHeld(t_s=41.0),
    SourceOn(t_s=45.0),
    Held(t_s=60.0, place=HOLD),
    SourceOff(t_s=90.0),
    Dyed(t_s=270.0, position_m=LEAK),
    Accused(t_s=280.0, position_m=(2.1, 0.0, 0.7)),
    Ended(t_s=300.0),
)


def skips(actions: list[AnyAction]) -> tuple[str, ...]:
    return skipped_steps(actions, look_holds_s=300.0, check_holds_s=1800.0)


def count(actions: tuple[AnyAction, ...] | list[AnyAction]) -> Tally:
    return tally(actions, [LEAK], 300.0, 1800.0)


def test_a_grade_and_a_seed_are_one_pool() -> None:
    for grade in GRADES:
        pool = practice_pool(grade.number, 5)
        assert pool == practice_pool(grade.number, 5)
        assert pool.scenario != practice_pool(grade.number, 6).scenario
        assert len(pool.scenario.leaks) == grade.leaks and len(pool.scenario.fittings) == grade.fittings
        assert all(grade.hole_mm[0] <= leak.diameter_mm <= grade.hole_mm[1] for leak in pool.scenario.leaks)
        assert (LONG_COVER_S in pool.cover_s.values()) == grade.long_cover
    with pytest.raises(InputError, match="no practice grade 9"):
        practice_pool(9, 1)
    with pytest.raises(InputError, match="below zero"):
        practice_pool(1, -1)


def test_the_stray_voltage_of_the_hardest_grade_distracts_but_does_not_end_the_visit() -> None:
    s = practice_pool(5, 1).scenario
    check = judge(StrayMeasurement(0.0, 0.0, 0.0, s.idle_ac_V, s.idle_dc_V), Limits())
    assert check.level == "caution" and check.passed


def test_actions_come_back_from_their_lines() -> None:
    assert tuple(decode_action(encode_action(a)) for a in GOOD) == GOOD


def test_a_visit_that_leaves_nothing_out() -> None:
    done = count(GOOD)
    assert done == Tally(holds=1, minutes=5.0, error_m=(0.1,), wrong_accusations=0, dye_tests=1, skipped=())
    assert score(done, done).points == 100.0


@pytest.mark.parametrize(
    ("without", "said"),
    [
        (Looked, "without a look at the whole pool"),
        (StrayChecked, "without the stray-voltage check"),
        (SourceOff, "dye let go with the source on"),
    ],
)
def test_each_skipped_step_is_seen(without: type, said: str) -> None:
    left = [a for a in GOOD if not isinstance(a, without)]
    found = skips(left)
    assert any(said in what for what in found)
    points = score(count(left), count(GOOD)).points
    assert points == -10.0 * len(found) < 0.0


def test_an_old_look_a_cover_with_the_source_on_and_leaving_it_on() -> None:
    late = [msgspec.structs.replace(a, t_s=a.t_s + 400.0) if isinstance(a, Held) else a for a in GOOD]
    assert skips(late) == ("went on without looking at the whole pool again",)
    on = [*GOOD[:5], Covered(t_s=70.0, fitting="light"), Ended(t_s=80.0)]
    assert skips(on) == ("hand in the water at light with the source on", "left with the source on")
    again = [*GOOD[:8], EnableHeld(t_s=500.0), SourceOn(t_s=504.0), SourceOff(t_s=505.0), Ended(t_s=506.0)]
    assert skips(again) == ("enable held without a look at the whole pool",)


def test_minutes_begin_with_the_arrival() -> None:
    """An action is written down when it ends: a long cover put on first counts as well."""
    covered = [Covered(t_s=720.0, fitting="light"), *(msgspec.structs.replace(a, t_s=a.t_s + 720.0) for a in GOOD)]
    assert count(covered).minutes == 17.0


def test_the_same_presses_are_worth_the_same() -> None:
    """The score is a function of the written actions: through the file and back, and on the pool drawn anew."""
    again = [decode_action(encode_action(a)) for a in GOOD]
    first = judged(practice_pool(2, 3), "you", GOOD, GOOD)
    assert to_bytes(first) == to_bytes(judged(practice_pool(2, 3), "you", again, again))


def test_points_fall_with_distance_wrong_names_holds_and_minutes() -> None:
    guided = count(GOOD)
    by_error = []
    for error_m in (0.0, 0.15, 0.3, 0.59, 0.7):
        named = [replace_place(a, (LEAK[0] + error_m, 0.0, 0.7)) for a in GOOD]
        by_error.append(score(count(named), guided).points)
    assert by_error[0] == by_error[1] == 100.0
    assert by_error[1] > by_error[2] > by_error[3] > by_error[4] == 0.0
    twice = [*GOOD[:5], Held(t_s=61.0, place=HOLD), *GOOD[5:]]
    assert score(count(twice), guided).points == 90.0
    slow = [*GOOD[:-1], Ended(t_s=600.0)]
    assert score(count(slow), guided).points == 90.0
    wrong = [*GOOD[:-1], Accused(t_s=281.0, position_m=(6.0, 0.0, 0.7)), GOOD[-1]]
    assert count(wrong).wrong_accusations == 1 and score(count(wrong), guided).points == 85.0


def replace_place(action: AnyAction, at: tuple[float, float, float]) -> AnyAction:
    return msgspec.structs.replace(action, position_m=at) if isinstance(action, Accused) else action


def test_the_quick_visit_reads_the_emulated_pool() -> None:
    """Three directions, two electrodes, a signal near the leak far above the noise, dye as the truth says."""
    pool = practice_pool(1, 3)
    leak = pool.scenario.leaks[0].position_m
    s = pool.scenario
    at = (
        min(max(leak[0], 0.6), s.length_m - 0.6),
        min(max(leak[1], 0.6), s.width_m - 0.6),
        min(leak[2], s.depth_m - 0.5),
    )
    visit = QuickVisit(pool, "test")
    visit.begin()
    visit.spot(at, 90.0)
    assert [r.turn for r in visit.readings] == ["along", "along", "across", "across", "upright", "upright"]
    assert {r.source_id for r in visit.readings} == {0, 1}
    assert all(r.injected_A and 1e-4 < r.injected_A < 0.012 for r in visit.readings)
    assert max(abs(r.value_V) for r in visit.readings) > 20 * pool.grade.reading_sigma_V
    assert visit.dye(leak) and not visit.dye((s.length_m - leak[0], s.width_m - leak[1], 0.3))
    visit.end()
    assert skips(visit.actions) == ()


def test_a_player_s_file_can_be_checked_and_not_altered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pool = practice_pool(1, 2)
    actions = PLAYERS["random"](pool)
    run = judged(pool, "random", actions, GOOD)
    assert to_bytes(run) == to_bytes(judged(pool, "random", PLAYERS["random"](practice_pool(1, 2)), GOOD))
    file = tmp_path / "practice.json"
    file.write_bytes(to_bytes(run))
    assert read_run(file) == run
    assert main(["practice", "--check", str(file)]) == 0
    assert "The score follows from the actions." in capsys.readouterr().out
    assert "EMULATED truth" in page(pool, run, []) and "<svg" in page(pool, run, [])
    assert any("guided way" in line for line in in_words(pool, run))
    altered: dict[str, Any] = json.loads(file.read_text())
    altered["score"]["points"] = 100.0
    file.write_text(json.dumps(altered))
    assert main(["practice", "--check", str(file)]) == 2
    assert "does not follow from its actions" in capsys.readouterr().err
    file.write_text("{}")
    assert main(["practice", "--check", str(file)]) == 2
    assert main(["practice", "--check", str(tmp_path / "none.json")]) == 2


def test_the_cheater_finds_as_much_and_is_last() -> None:
    """From a written list of the guided player's actions: he goes where the honest one goes, and skips what he did."""
    pool = practice_pool(1, 2)
    leak = pool.scenario.leaks[0].position_m
    honest = QuickVisit(pool, "guided")
    honest.begin()
    honest.spot((2.0, 0.5, 0.6), 270.0)
    assert honest.dye(leak)
    honest.accuse(leak)
    honest.end()
    cheat = cheated(pool, honest.actions)
    run = judged(pool, "cheater", cheat, honest.actions)
    assert run.tally.error_m == (0.0,) and run.tally.minutes < run.guided.minutes
    assert len(run.tally.skipped) >= 4 and run.score.points < 0.0
    assert [a.place for a in cheat if isinstance(a, Held)] == [a.place for a in honest.actions if isinstance(a, Held)]


@pytest.mark.slow
@pytest.mark.parametrize("grade", range(1, 6))
def test_four_players_rank_in_their_order(grade: int, capsys: pytest.CaptureFixture[str]) -> None:
    """One pool of each grade; tests/benchmarks/bench_practice.py does fifty."""
    pool = practice_pool(grade, 1)
    guided = PLAYERS["guided"](pool)
    done = {name: PLAYERS[name](pool) for name in ("sweep", "random")} | {"cheater": cheated(pool, guided)}
    points = [judged(pool, name, done.get(name, guided), guided).score.points for name in PLAYERS]
    with capsys.disabled():
        print(f"\n{pool.name}: " + ", ".join(f"{name} {p:.1f}" for name, p in zip(PLAYERS, points, strict=True)))
    assert points == sorted(points, reverse=True) and len(set(points)) == len(points)
    if grade == 1:
        assert PLAYERS["guided"](practice_pool(grade, 1)) == guided, "the same pool and player: the same visit"
