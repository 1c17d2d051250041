"""A tub of 0.6 x 0.4 m as a small pool: the scaling, and the hole found by the search that finds leaks."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from earthward.bench.tank import beside, enlargement, find_hole, scaled_pool, scaled_reading
from earthward.cli import main
from earthward.emulated import tub
from earthward.errors import InputError
from earthward.pool.fem import FiniteElementField
from earthward.pool.pool_file import format_pool
from earthward.pool.shape import Floor, rectangle
from earthward.record.place import Placement

pytestmark = pytest.mark.long


def test_the_same_survey_in_a_pool_of_the_tubs_shape() -> None:
    """The same numbers V L / (rho I) fifteen times as large, in the truth that the search never sees."""
    small, large = tub.draw(5), tub.draw(5, size=15.0)
    a = np.array([r.value_V for r in small.readings])
    b = np.array([15.0 * r.value_V for r in large.readings])
    assert np.sqrt(np.mean((a - b) ** 2) / np.mean(a**2)) < 0.01


@pytest.mark.slow
def test_a_pool_by_elements_and_the_tub_exactly_agree_within_one_percent() -> None:
    """Dimensional analysis (Buckingham 1914): V L / (rho I) depends on shape alone. A pool by finite elements, fifteen
    times as long, against the tub by the exact box: two solvers at two sizes."""
    drawn = tub.draw(5)
    drawn = replace(drawn, readings=drawn.readings[::7])
    by = enlargement(drawn.pool)
    small = beside(drawn.pool, drawn.readings, drawn.hole_m)
    large = scaled_pool(drawn.pool, by)
    field = FiniteElementField(large)
    hole = tuple(by * v for v in drawn.hole_m)
    big = beside(large, [scaled_reading(r, by) for r in drawn.readings], hole, field=field)  # type: ignore[arg-type]
    a = np.array([r.predicted_V for r in small])
    b = np.array([by * r.predicted_V for r in big])
    assert by == pytest.approx(15.0)
    assert np.sqrt(np.mean((a - b) ** 2) / np.mean(a**2)) < 0.01
    assert [r.dimensionless for r in small] == pytest.approx([r.dimensionless for r in big])


def test_every_length_of_a_pool_file_is_enlarged() -> None:
    pool = replace(
        rectangle(0.6, 0.4, 0.2),
        floor=Floor("profile", 0.1, profile_m=((0.0, 0.1), (0.6, 0.2))),
        sources=(Placement(position_m=(0.1, 0.2, 0.05), current_A=0.004),),
    )
    large = scaled_pool(pool, 15.0)
    assert large.bounds_m == pytest.approx((0, 0, 9.0, 6.0))
    assert large.floor.profile_m == ((0.0, 1.5), (pytest.approx(9.0), pytest.approx(3.0)))
    assert large.sources[0].position_m == pytest.approx((1.5, 3.0, 0.75))
    assert large.water_conductivity_S_per_m == pool.water_conductivity_S_per_m
    with pytest.raises(InputError, match="is no tub"):
        enlargement(large)


@pytest.mark.slow
@pytest.mark.parametrize("second_wire", [False, True])
def test_twenty_tubs(second_wire: bool, capsys: pytest.CaptureFixture[str]) -> None:
    off = []
    for seed in range(100, 120):
        drawn = tub.draw(seed, second_wire=second_wire)
        found = find_hole(drawn.pool, drawn.readings)
        off.append(math.inf if found.position_m is None else math.dist(found.position_m, drawn.hole_m))
    with capsys.disabled():
        print(f"\ntub, second wire {second_wire}: worst {1e3 * max(off):.1f} mm, median {1e3 * np.median(off):.1f} mm, "
              f"within 10 mm in {sum(d <= 0.01 for d in off)} of 20")  # fmt: skip
    assert all(d <= 0.01 for d in off)


def test_command_takes_a_pool_file_and_readings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drawn = tub.draw(3, second_wire=True)
    pool, readings = tmp_path / "tub.toml", tmp_path / "readings.csv"
    pool.write_text(format_pool(drawn.pool))
    ends = [f"{end}_{axis}_m" for end in ("front", "back") for axis in "xyz"]
    rows = [",".join([*ends, "value_V", "sigma_V", "source_id", "station"])]
    for r in drawn.readings:
        rows.append(",".join(str(v) for v in (*r.front_m, *r.back_m, r.value_V, r.sigma_V, r.source_id, r.station)))
    readings.write_text("\n".join(rows) + "\n")
    hole = [str(v) for v in drawn.hole_m]
    words = ["bench", "tank", str(pool), str(readings), "--hole", *hole, "--share", str(drawn.share)]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["emulated"] is False and told["off_m"] < 0.01 and len(told["readings"]) == 90
    assert told["read_over_predicted"] == pytest.approx(1.0, abs=0.15) and told["left_over"] < 0.35


@pytest.mark.parametrize(
    ("words", "said"),
    [([], "give the tub's pool file"), (["nowhere.toml", "nowhere.csv"], "nowhere.toml is not there")],
)
def test_errors(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "tank", *words]) == 2
    assert said in capsys.readouterr().err
