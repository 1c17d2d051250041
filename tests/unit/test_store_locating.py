"""From the survey file to the search and back into the file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.support.points import point

from earthward.errors import InputError
from earthward.inversion.types import Result
from earthward.pool.field import make_field
from earthward.pool.pool_file import parse_pool
from earthward.record.finding import CurrentBudget, Finding, FindingStage, Region
from earthward.record.place import Fitting
from earthward.record.reading import KeptReading, Purpose
from earthward.record.visit import CurrentStep
from earthward.survey.locating import floating_sinks, locate_survey, nothing_flows, remeasure
from earthward.survey.store import SurveyStore
from earthward.survey.visit import Visit

pytestmark = pytest.mark.long

POOL = """
[pool]
name = "small"
shape = "rectangle"
length_m = 6.0
width_m = 3.0
[floor]
kind = "flat"
depth_m = 1.2
[water]
conductivity_S_per_m = 0.2
[[source]]
id = 0
position_m = [1.0, 1.0, 0.5]
current_A = 0.008
"""


def test_result_is_kept_and_withdrawn_or_other_readings_do_not_count(tmp_path: Path) -> None:
    def reading(station: str, **more: Any) -> KeptReading:
        return KeptReading(
            front_m=(3.0, 1.0, 0.5), back_m=(3.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6, station=station, **more
        )

    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        store.keep(reading("S1"))
        store.withdraw(store.keep(reading("S2")), "knocked")
        store.keep(reading("T", purpose="test leak"))
        result = locate_survey(store, parse_pool(POOL))
        assert result.verdict == "cannot tell" and result.readings == 1
        assert store.location() == result.to_json()
    with SurveyStore.open(tmp_path / "s.survey", read_only=True) as store:
        before = store.location()
        locate_survey(store, parse_pool(POOL))
        assert store.location() == before


def found(*positions: tuple[float, float, float]) -> Result:
    findings = tuple(
        Finding(
            position_m=p, current_A=1e-3, current_interval_A=(8e-4, 1.2e-3), hole_diameter_mm=(1.0, 4.0),
            region=Region(probability=0.9, cell_m=0.1, cells_m=(p,)), radius_m=0.1, strength=50.0, certain=True,
        )
        for p in positions
    )  # fmt: skip
    return Result(
        findings=findings, p_leak_count={}, budget=CurrentBudget(injected_A=0.01),
        coverage=None, next_station=None, suspect_readings=(),
        posterior=(), verdict="found", text="",
    )  # fmt: skip


def test_findings_keep_their_numbers_as_they_sharpen(tmp_path: Path) -> None:
    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        visit = Visit(store, 0.3, lambda: 1.0)
        visit.adopt(found((3.0, 0.0, 0.8)))
        visit.adopt(found((5.0, 3.0, 0.5), (3.2, 0.0, 0.8)))
        assert [f.position_m for f in store.findings()] == [(3.2, 0.0, 0.8), (5.0, 3.0, 0.5)]
        store.set_finding_stage(1, "dye drawn")
        visit.adopt(found((3.1, 0.0, 0.8)))
        assert store.findings()[0].position_m == (3.2, 0.0, 0.8), "a place that dye confirmed does not move"
        assert len(store.findings()) == 2


LIT = (
    POOL
    + """
[[source]]
id = 1
position_m = [5.0, 2.0, 0.5]
current_A = 0.008
[[fitting]]
name = "light"
kind = "light"
position_m = [6.0, 1.5, 0.6]
"""
)


@pytest.mark.parametrize(("left", "outcome"), [(0.0, "gone"), (0.5, "smaller"), (1.0, "still there")])
def test_remeasure_reads_the_sink_again(tmp_path: Path, left: float, outcome: str) -> None:
    pool = parse_pool(LIT)
    field = make_field(pool)
    sinks = np.array([[3.0, 0.0, 0.8], [6.0, 1.5, 0.6]])
    total, share = 0.008, 0.35

    def volts(front: np.ndarray, back: np.ndarray, source: int, leak_share: float) -> float:
        rows = field.pair_row(front, back, sinks)
        own = field.pair_difference(front, back, np.array(pool.source(source).position_m))
        return float(total * (rows[0] * leak_share + rows[1] * (1 - leak_share) + own)) / 0.2

    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=LIT, emulated=True) as store:
        with pytest.raises(InputError, match="locate it first"):
            remeasure(store, pool, 1)
        store.put_finding(
            Finding(
                number=1, position_m=(3.0, 0.0, 0.8), radius_m=0.1, current_A=share * total,
                current_interval_A=(0.95 * share * total, 1.05 * share * total),
            )
        )  # fmt: skip
        with pytest.raises(InputError, match="same stations"):
            remeasure(store, pool, 1)
        takes: tuple[tuple[Purpose, float], ...] = (("survey", share), ("re-measure", share * left))
        for purpose, leak_share in takes:
            for i, x in enumerate((2.4, 2.8, 3.3)):
                for half in (np.array([0.15, 0, 0]), np.array([0, 0.15, 0]), np.array([0, 0, 0.15])):
                    front, back = np.array([x, 0.5, 0.7]) - half, np.array([x, 0.5, 0.7]) + half
                    for source in (0, 1):
                        store.keep(
                            KeptReading(
                                front_m=point(front), back_m=point(back), station=f"S{i}",
                                value_V=volts(front, back, source, leak_share), sigma_V=1e-6, injected_A=total,
                                purpose=purpose, finding=1 if purpose == "re-measure" else None, source_id=source,
                            )
                        )  # fmt: skip
        result = remeasure(store, pool, 1)
        assert result.outcome == outcome
        assert result.left == pytest.approx(left, abs=0.03), "exact readings, but for the search's own tables"


@pytest.mark.parametrize(
    ("after_A", "after_V", "outcome"), [(1e-6, 9.9, "gone"), (-1e-6, 9.9, "gone"), (4e-3, 6.0, None)]
)
def test_where_no_current_is_left_the_current_is_the_test(
    tmp_path: Path, after_A: float, after_V: float, outcome: str | None
) -> None:
    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        store.put_finding(
            Finding(number=1, position_m=(3.0, 0.0, 0.8), current_A=7.8e-3, current_interval_A=(7.6e-3, 8e-3))
        )
        store.keep(
            KeptReading(front_m=(1, 1, 0.5), back_m=(1.3, 1, 0.5), station="S1", value_V=1e-4, sigma_V=1e-6,
                        injected_A=8e-3)
        )  # fmt: skip
        store.add_current_step(
            CurrentStep(kind="patch", finding=1, before_A=8e-3, before_sigma_A=1e-5, after_A=after_A,
                        after_sigma_A=1e-6, before_V=2.0, after_V=after_V)
        )  # fmt: skip
        if outcome is None:
            with pytest.raises(InputError, match="same stations"):
                remeasure(store, parse_pool(POOL), 1)
        else:
            result = remeasure(store, parse_pool(POOL), 1)
            assert result.outcome == outcome and "nothing is left to read" in result.text


def test_only_findings_whose_last_dye_test_drew_nothing_float_in_the_search() -> None:
    def finding(number: int, *stages: str) -> Finding:
        history = tuple(FindingStage(stage=s, time_s=float(k)) for k, s in enumerate(stages))  # type: ignore[arg-type]
        return Finding(position_m=(1.0, 2.0, 1.2), number=number, radius_m=0.43, history=history)

    floating = floating_sinks(
        [
            finding(1, "suspected"),
            finding(2, "suspected", "dye not drawn"),
            finding(3, "suspected", "dye not drawn", "dye drawn"),
        ]
    )
    assert [f.name for f in floating] == ["finding 2"]
    assert floating[0].sigma_m == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("left", "covered", "nothing"), [(0.02, False, True), (0.05, False, False), (0.05, True, True), (0.2, True, False)]
)
def test_where_next_to_no_current_is_left_the_board_alone_judges(
    tmp_path: Path, left: float, covered: bool, nothing: bool
) -> None:
    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        store.put_fitting(Fitting(name="light", kind="light", position_m=(3.0, 0.0, 0.5), covered=covered))
        assert not nothing_flows(store, 1)
        for number, after in ((1, left), (2, 1.0)):
            store.add_current_step(
                CurrentStep(
                    kind="patch", finding=number, before_A=1e-3, before_sigma_A=1e-6, after_A=after * 1e-3,
                    after_sigma_A=1e-6,
                )
            )  # fmt: skip
        assert nothing_flows(store, 1) is nothing and not nothing_flows(store, 2)


@pytest.mark.parametrize(
    ("after_A", "high", "outcome"),
    [
        (4.8e-4, 0.2, "gone"),  # the sink took 52 %, and that is what fell
        (7.5e-4, 0.2, "smaller"),
        (4.8e-4, 0.9, "cannot tell"),  # the readings leave room for most of it: they are not overruled
        (None, 0.2, "cannot tell"),  # no patch was measured
    ],
)
def test_what_readings_cannot_tell_the_fall_of_the_current_may(
    after_A: float | None, high: float, outcome: str, tmp_path: Path
) -> None:
    from earthward.inversion.compare import judge_remeasure
    from earthward.survey import locating

    left = judge_remeasure(high - 1.96 * 0.05, 0.05, fit_p=1e-6)
    assert left.outcome == "cannot tell"
    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        if after_A is not None:
            store.add_current_step(
                CurrentStep(
                    kind="patch", finding=1, before_A=1e-3, before_sigma_A=1e-6, after_A=after_A, after_sigma_A=1e-6
                )
            )
        told = locating._with_current(store, 1, 0.52, 0.03, left)
    assert told.outcome == outcome and told.fit_p == 1e-6


@pytest.mark.parametrize(("left", "outcome"), [(0.0, "gone"), (0.4, "cannot tell")])
def test_a_poorly_known_current_and_readings_that_agree_with_its_fall_decide_together(
    left: float, outcome: str, tmp_path: Path
) -> None:
    from earthward.inversion.compare import judge_remeasure
    from earthward.survey import locating

    readings = judge_remeasure(left, 0.005, fit_p=1e-6)
    with SurveyStore.create(tmp_path / "s.survey", name="s", pool_toml=POOL, emulated=True) as store:
        store.add_current_step(
            CurrentStep(kind="patch", finding=1, before_A=1e-3, before_sigma_A=1e-6, after_A=4.8e-4, after_sigma_A=1e-6)
        )
        assert locating._with_current(store, 1, 0.52, 0.16, readings).outcome == outcome
