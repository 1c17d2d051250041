"""The visit between daemon and survey file: what is kept keeps its place and number, also after opening again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from earthward.daemon.plan import build_plan
from earthward.daemon.protocol import Plan, encode, from_daemon
from earthward.errors import InputError
from earthward.inversion.locate import Survey, locate
from earthward.inversion.types import EarlierCovers
from earthward.record.finding import Finding
from earthward.record.place import Station, tape_marks
from earthward.record.reading import Measured, Reading, TestLeakState
from earthward.record.visit import LossTest
from earthward.survey.pair import pair_ends
from earthward.survey.steps import Instrument
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

WELL = Instrument(stray_passed=True, healthy=True)

POOL = """
[pool]
name = "test pool"
shape = "rectangle"
length_m = 8.0
width_m = 4.0
[floor]
kind = "flat"
depth_m = 1.4
[water]
conductivity_S_per_m = 0.2
temperature_C = 25.0
[source]
position_m = [1.0, 2.0, 0.7]
current_A = 0.010
"""


def reading(value_V: float | None = 2e-5, t_s: float = 1.0) -> Reading:
    return Reading(
        t_s=t_s, window_s=0.5, value_V=value_V, quadrature_V=0.0, sigma_V=1e-6, snr=20.0, p_sign=1.0, lost_fraction=0.0,
    )  # fmt: skip


def place(x: float) -> Station:
    return Station(position_m=(x, 2.0, 0.7), bearing_deg=90.0)


def begin(path: Path) -> Visit:
    store = SurveyStore.create(path, name="t", pool_toml=POOL, emulated=True)
    return Visit(store, 0.3, lambda: 1.0)


def test_whatever_was_measured_is_kept(tmp_path: Path) -> None:
    """Every field of what the lock-in gave comes back from the file, also one that is added later."""
    values: dict[str, object] = {n: 0.1 * (k + 1) for k, n in enumerate(Measured.__struct_fields__)}
    values |= {"flags": ("clipped", "late"), "channel": 1}
    given = Reading(t_s=1.0, value_V=2e-5, sigma_V=1e-6, **values)  # type: ignore[arg-type]
    visit = begin(tmp_path / "a.earthward-survey")
    visit.keep(place(2.0), given)
    (kept,) = visit.store.readings()
    assert {name: getattr(kept, name) for name in values} == values


def test_front_is_where_the_bearing_points_and_down_when_vertical() -> None:
    front, back = pair_ends(place(2.0), 0.3)
    assert front == pytest.approx((2.0, 2.15, 0.7)) and back == pytest.approx((2.0, 1.85, 0.7))
    front, back = pair_ends(Station(position_m=(2.0, 2.0, 0.7), vertical=True), 0.3)
    assert front[2] == pytest.approx(0.85) and back[2] == pytest.approx(0.55)


def test_a_survey_opened_again_goes_on_counting_stations(tmp_path: Path) -> None:
    visit = begin(tmp_path / "survey.db")
    assert [visit.keep(place(x), reading()).station for x in (2.0, 3.0)] == ["S1", "S2"]
    visit.store.close()
    again = Visit(SurveyStore.open(tmp_path / "survey.db"), 0.3, lambda: 2.0)
    assert again.stations == 2
    # A third place must not be taken for one of the first two: rows of one station share its pose errors.
    assert again.keep(place(4.0), reading()).station == "S3"
    again.store.close()


def test_readings_are_scaled_to_what_the_first_one_injected(tmp_path: Path) -> None:
    visit = begin(tmp_path / "survey.db")
    visit.keep(place(2.0), reading(), injected_A=0.005)
    visit.keep(place(3.0), reading(), injected_A=0.004)
    first, second = visit.search_input()[1]
    assert (first.value_V, second.value_V) == pytest.approx((2e-5, 2e-5 * 5 / 4))
    assert visit.pool.sources[0].current_A == 0.005
    visit.store.close()


@pytest.mark.parametrize(
    ("where", "what", "names"),
    [
        (None, reading(), "where the pole is"),
        (place(2.0), reading(None), "no reading"),
        (place(9.0), reading(), "outside"),
    ],
)
def test_what_cannot_be_kept_is_said(tmp_path: Path, where: Station | None, what: Reading, names: str) -> None:
    visit = begin(tmp_path / "survey.db")
    with pytest.raises(InputError, match=names):
        visit.keep(where, what)
    assert visit.store.readings() == []
    visit.store.close()


LIGHT = """
[[fitting]]
name = "light"
kind = "light"
position_m = [8.0, 2.0, 0.6]
"""


class Times:
    """A calendar that goes on by a minute at each look."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 60.0
        return self.now_s


def lit(path: Path) -> Visit:
    times = Times()
    return Visit(SurveyStore.create(path, name="t", pool_toml=POOL + LIGHT, emulated=True, wall_s=times), 0.3, times)


def test_fittings_and_electrodes_stand_in_the_record(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    assert [f.name for f in visit.store.fittings()] == ["light"]
    assert [s.source_id for s in visit.store.sources()] == [0]
    assert visit.next_station() is not None, "there is a first place before anything was read"


def test_readings_from_before_a_cover_go_with_those_since(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    visit.keep(place(2.0), reading(), injected_A=0.008)
    visit.keep(place(2.5), reading(2e-5, 1.0), injected_A=0.012)
    assert len(visit.survey_readings()) == 2
    visit.set_covered("light", True)
    # Nothing is known yet of what flows now.
    assert visit.survey_readings() == () and len(visit.store.readings("survey")) == 2
    visit.keep(place(3.0), reading(t_s=2.0), injected_A=0.002)
    visit.set_covered("light", True)
    pool, readings, settings = visit.search_input()
    assert pool.fittings[0].covered
    assert settings.earlier == (EarlierCovers(frozenset(), ((0, pytest.approx(0.010)),)),)  # type: ignore[arg-type]
    # Each reading as it would be with the mean current of its own time.
    first, second, third = visit.store.readings("survey")
    told = [(first, 1.25), (second, 10 / 12), (third, 1.0)]
    assert [r.value_V for r in readings] == pytest.approx([r.value_V * scale for r, scale in told])
    assert visit.store.sources()[0].current_A == pytest.approx(0.002), "what flows now, for whoever takes the export"
    again = Visit(visit.store, 0.3, Times())
    assert len(again.survey_readings()) == 3, "opened again it is the same"


def test_readings_from_before_a_patch_do_not_go_with_those_since(tmp_path: Path) -> None:
    """Nor does a cover from before the patch bring them back."""
    visit = lit(tmp_path / "s.db")
    visit.keep(place(2.0), reading(), injected_A=0.008)
    visit.set_covered("light", True)
    visit.keep(place(3.0), reading(t_s=2.0), injected_A=0.002)
    number = visit.store.put_finding(Finding(number=0, position_m=(3.0, 0.0, 1.0)))
    visit.set_stage(number, "dye drawn")
    visit.set_stage(number, "repaired")
    assert visit.survey_readings() == ()
    visit.keep(place(4.0), reading(t_s=4.0), injected_A=0.001)
    assert [r.row for r in visit.survey_readings()] == [3]
    visit.set_covered("light", False)
    visit.keep(place(5.0), reading(t_s=6.0), injected_A=0.006)
    assert [r.row for r in visit.survey_readings()] == [3, 4], "those since the patch go together again"
    assert Visit(visit.store, 0.3, Times()).search_input()[2].earlier == visit.search_input()[2].earlier


def test_the_sensitivity_test_is_wanted_again_when_settings_change(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    settings = {"spacing_m": 0.3, "frequency_Hz": 36.0, "window_s": 0.5}
    visit.use_settings(settings)
    assert "not been read" in str(visit.sensitivity_wanted())
    states: tuple[tuple[TestLeakState, float], ...] = (
        ("disconnected", 1e-6),
        ("connected", 8e-5),
        ("disconnected", 1e-6),
    )
    for k, (state, value) in enumerate(states):
        visit.keep(place(4.0), reading(value, float(k)), purpose="test leak", test_leak=state)
    assert visit.judge_test_leak(0.5).ok and visit.sensitivity_wanted() is None
    status = {s.key: s.status for s in visit.steps(WELL)}
    assert status["proof"] == "done"
    visit.use_settings({**settings, "window_s": 1.0})
    assert "window_s changed" in str(visit.sensitivity_wanted())
    assert {s.key: s.status for s in visit.steps(WELL)}["proof"] != "done"
    # A repetition is judged by its own readings.
    with pytest.raises(InputError, match="at least one reading connected"):
        visit.judge_test_leak(0.5)
    assert {r.settings_id for r in visit.store.readings()} == {1}


def test_a_test_leak_that_was_not_seen_is_wanted_again_once_something_is_covered(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    visit.use_settings({"spacing_m": 0.3})
    for k, state in enumerate(("disconnected", "connected", "disconnected")):
        visit.keep(place(4.0), reading(1e-6, float(k)), purpose="test leak", test_leak=state)  # type: ignore[arg-type]
    assert not visit.judge_test_leak(0.5).ok
    assert {s.key: s.status for s in visit.steps(WELL)}["proof"] == "failed"
    visit.set_covered("light", True)
    step = next(s for s in visit.steps(WELL) if s.key == "proof")
    assert step.status in ("now", "to do") and "covered since" in step.text


def test_a_search_from_before_a_cover_is_not_taken(tmp_path: Path) -> None:
    """Its findings would be of another pool: a repaired leak was found a second time by one that came late."""
    visit = lit(tmp_path / "s.db")
    visit.keep(place(2.0), reading(), injected_A=0.008)
    result = locate(*visit.search_input())
    visit.set_covered("light", True)
    assert not visit.adopt(result) and visit.result is None and visit.store.location() is None
    visit.search_input()
    assert visit.adopt(result), "one that begins now is taken"


def test_every_reading_knows_what_was_covered(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    visit.keep(place(2.0), reading(), injected_A=0.008)
    visit.set_covered("light", True)
    visit.keep(place(3.0), reading(), injected_A=0.002)
    first, second = visit.store.readings("survey")
    now = frozenset({"light"})
    assert first.covered_then(now) == frozenset() and second.covered_then(frozenset()) == now
    # A reading that does not say, as all of earlier files, goes with the pool file.
    assert msgspec.structs.replace(first, covered=()).covered_then(now) == now


def test_the_statement_that_nobody_is_in_the_water_is_a_step_of_the_visit(tmp_path: Path) -> None:
    """What the display's confirm key answers with the statement; when it has run out the step is open again."""
    visit = begin(tmp_path / "s.db")
    for clear, status in ((False, "to do"), (True, "done")):
        step = next(s for s in visit.steps(replace(WELL, stated_clear=clear)) if s.key == "water clear")
        assert step.status == status
    assert [s.key for s in visit.steps(WELL)].index("water clear") < [s.key for s in visit.steps(WELL)].index("survey")
    visit.store.close()


def test_water_budget_enters_plan_and_steps(tmp_path: Path) -> None:
    visit = lit(tmp_path / "s.db")
    assert visit.water_budget() is None and build_plan(visit, lambda: 1.0).water is None

    def logged(low: float, high: float) -> dict[str, object]:
        return {
            "interval_L_per_day": [low, high], "leak_L_per_day": (low + high) / 2, "worth_L_per_day": 60.0,
            "text": "measured",
        }  # fmt: skip

    visit.store.add_loss_test(LossTest(moment="before", log_csv="", result=logged(200.0, 260.0)))
    water = build_plan(visit, lambda: 1.0).water
    assert water is not None and water.loss == (200.0, 260.0)
    number = visit.store.put_finding(Finding(number=0, position_m=(3.0, 0.0, 0.8), current_A=1e-3))
    visit.set_stage(number, "repaired")
    visit.store.add_loss_test(LossTest(moment="after", log_csv="", result=logged(-20.0, 30.0)))
    water = build_plan(visit, lambda: 1.0).water
    assert water is not None and water.verdict == "explained"
    assert {s.key: s.status for s in visit.steps(WELL)}["account"] == "done"
    visit.store.add_loss_test(LossTest(moment="after", log_csv="", result=logged(50.0, 90.0)))
    assert {s.key: s.status for s in visit.steps(WELL)}["account"] == "failed"


MARKS = """
[[mark]]
name = "gate post"
position_m = [-0.5, -0.5]
[[mark]]
name = "pump house"
position_m = [9.0, -0.5]
"""


def test_the_plan_carries_the_pools_marks_and_survives_the_wire(tmp_path: Path) -> None:
    store = SurveyStore.create(tmp_path / "s.db", name="t", pool_toml=POOL + LIGHT + MARKS, emulated=True)
    visit = Visit(store, 0.3, lambda: 1.0)
    kept = visit.keep(place(2.0), reading(), source_id=1)
    visit.store.put_finding(Finding(number=0, position_m=(3.0, 0.0, 0.8), current_A=1e-3))
    plan = from_daemon.decode(encode(build_plan(visit, lambda: 1.0)))
    assert isinstance(plan, Plan)
    assert [m.name for m in tape_marks(plan.marks, plan.outline_m)] == ["gate post", "pump house"]
    assert plan.kept == visit.store.readings("survey") and plan.kept[0].row == kept.row
    assert plan.kept[0].place.bearing_deg == pytest.approx(90.0) and plan.kept[0].place.name == "S1"
    assert [f.stage for f in plan.findings] == ["suspected"]


def test_a_retry_is_kept_once(tmp_path: Path) -> None:
    """The answer to a wish was lost, so it is sent again: with its uid, or within the window of the same reading."""
    visit = begin(tmp_path / "s.db")
    first = visit.keep(place(2.0), reading(t_s=1.0))
    assert visit.keep(place(2.0), reading(t_s=1.3)).row == first.row, "half of the samples are the same"
    assert visit.keep(place(2.0), reading(t_s=1.6)).row != first.row
    named = visit.keep(place(3.0), reading(t_s=2.0), uid="abc")
    assert visit.keep(place(3.0), reading(t_s=9.0), uid="abc").row == named.row
    assert len(visit.store.readings()) == 3


def test_a_clock_that_steps_back_drops_no_reading(tmp_path: Path) -> None:
    """A machine without a battery clock wakes up two hours early: what is kept then still comes after the cover."""
    now = [10_000.0]
    store = SurveyStore.create(tmp_path / "s.db", name="t", pool_toml=POOL + LIGHT, emulated=True)
    visit = Visit(store, 0.3, lambda: now[0])
    for k in range(3):
        visit.keep(place(2.0 + k), reading(t_s=float(k)))
    visit.set_covered("light", True)
    again = Visit(store, 0.3, lambda: now[0])
    now[0] -= 7200.0
    for k in range(2):
        again.keep(place(2.0 + k), reading(t_s=float(k)))
    assert [r.row for r in again.survey_readings()] == [4, 5]
    # The same for the test leak: what was read after the last judgement is what the next one goes by.
    for k, state in enumerate(("disconnected", "connected", "disconnected")):
        again.keep(place(4.0), reading(8e-5 if k == 1 else 1e-6, float(k)), purpose="test leak", test_leak=state)  # type: ignore[arg-type]
    assert again.judge_test_leak(0.5).ok
    now[0] -= 7200.0
    for k, state in enumerate(("disconnected", "connected", "disconnected")):
        again.keep(place(4.0), reading(8e-5 if k == 1 else 1e-6, 9.0 + k), purpose="test leak", test_leak=state)  # type: ignore[arg-type]
    assert again.judge_test_leak(0.5).ok


def test_what_a_person_passed_over_is_known_as_that_after_opening_again(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    visit.step_done("dye", "skipped by hand")
    again = Visit(visit.store, 0.3, lambda: 2.0)
    step = next(s for s in again.steps(WELL) if s.key == "dye")
    assert (step.status, step.text) == ("skipped", "skipped by hand")


def test_a_reading_taken_back_stays_in_the_record_and_out_of_the_search(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    row = visit.keep(place(2.0), reading()).row
    with pytest.raises(InputError, match="give a reason"):
        visit.withdraw(row, " ")
    visit.withdraw(row, "pole knocked")
    assert visit.survey_readings() == () and visit.stations == 0
    assert visit.store.readings(withdrawn=True)[0].withdrawn_why == "pole knocked"


SECOND = """
[[source]]
id = 1
position_m = [7.0, 3.0, 0.7]
current_A = 0.010
"""


@pytest.mark.long
def test_a_placement_that_was_never_read_is_in_no_budget(tmp_path: Path) -> None:
    """What it would inject is a plan of 10 mA, next to 0.56 mA measured with the other one."""
    two = POOL.replace("[source]", "[[source]]\nid = 0") + SECOND + LIGHT
    store = SurveyStore.create(tmp_path / "s.db", name="t", pool_toml=two, emulated=True)
    visit = Visit(store, 0.3, lambda: 1.0)
    for k in range(5):
        along = Station(position_m=(2.0 + k, 1.5, 0.5), bearing_deg=0.0)
        visit.keep(along, reading(-2e-5 / (k + 1), float(k)), injected_A=0.56e-3)
    pool, readings, settings = visit.search_input()
    by_daemon = Survey(pool, settings)
    for r in readings:
        by_daemon.add(r)
    by_command = locate(visit.pool, readings, settings, coverage=False, guidance=False)
    for result in (by_daemon.result(coverage=False, guidance=False), by_command):
        assert result.budget.injected_A == pytest.approx(0.56e-3)
        assert result.budget.fittings_A <= 1.001 * result.budget.injected_A
    assert [s.source_id for s in visit.pool.sources] == [0, 1], "it stays in the plan"
