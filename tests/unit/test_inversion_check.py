"""Bad input: one clear sentence each, never a trace."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from tests.benchmarks.virtual_pools import random_pool, random_stations

from earthward.errors import InputError
from earthward.inversion.locate import Survey, locate
from earthward.pool.pool_file import format_pool
from earthward.pool.shape import Pool, rectangle
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading

pytestmark = pytest.mark.long


def pool() -> Pool:
    return replace(
        rectangle(8.0, 4.0, 1.5),
        sources=(Placement(position_m=(1.0, 1.0, 0.5), current_A=0.01, source_id=0),),
        fittings=(Fitting(name="light", kind="light", position_m=(4.0, 0.0, 0.6)),),
    )


def reading(x: float = 2.0, row: int = 1, **changes: object) -> KeptReading:
    return msgspec.structs.replace(
        KeptReading(front_m=(x, 1.0, 0.5), back_m=(x + 0.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6, row=row), **changes
    )


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([reading(front_m=(-1.0, 1.0, 0.5))], "row 1: the front electrode .* outside the water"),
        ([reading(back_m=(2.3, 1.0, 1.9))], "row 1: the back electrode .* outside the water"),
        ([reading(sigma_V=0.0)], "row 1: sigma_V"),
        ([reading(value_V=float("nan"))], "row 1: a number is missing"),
        ([reading(source_id=3)], "source_id 3 is not in the pool file"),
        ([reading(back_m=(2.0, 1.0, 0.5))], "0.000 m apart"),
        ([reading(), reading(row=2)], "rows 1 and 2 are the same reading twice"),
        ([reading(station="a"), reading(5.0, 2, station="a")], 'station "a" is at two places'),
    ],
)
def test_readings_that_cannot_be(readings: list[KeptReading], words: str) -> None:
    with pytest.raises(InputError, match=words):
        locate(pool(), readings)
    survey = Survey(pool())
    with pytest.raises(InputError, match=words):
        for one in readings:
            survey.add(one)


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (replace(pool(), water_conductivity_S_per_m=0.0), "conductivity"),
        (replace(pool(), sources=()), "no \\[\\[source\\]\\]"),
        (
            replace(pool(), sources=(Placement(position_m=(9.0, 1.0, 0.5), current_A=0.01, source_id=0),)),
            "source 0 is outside the water",
        ),
        (replace(pool(), sources=(Placement(position_m=(1.0, 1.0, 0.5), current_A=0.0, source_id=0),)), "current_A"),
        (
            replace(pool(), fittings=(Fitting(name="light", kind="light", position_m=(4.0, 0.5, 0.6)),)),
            '"light" is 0.50 m off the liner',
        ),
    ],
)
def test_pools_that_cannot_be(bad: Pool, words: str) -> None:
    with pytest.raises(InputError, match=words):
        locate(bad, [reading()])


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_stations_say_so_and_say_where_to_go(count: int) -> None:
    result = locate(pool(), [reading(2.0 + k, k + 1) for k in range(count)])
    assert result.verdict == "cannot tell" and "cannot tell, because" in result.text
    assert result.findings == () and result.next_station is not None
    assert pool().contains([result.next_station.position_m])[0]


@pytest.mark.parametrize(("factor", "words"), [(1e3, "must be in volts"), (1e-3, "too small")])
def test_a_file_in_the_wrong_unit_is_refused(factor: float, words: str) -> None:
    world = random_pool(12)
    rows = [r for k, (c, b) in enumerate(random_stations(world, 6)) for r in world.measure(c, b, f"s{k}")]
    with pytest.raises(InputError, match=words):
        locate(
            world.pool,
            [msgspec.structs.replace(r, value_V=r.value_V * factor, sigma_V=r.sigma_V * factor) for r in rows],
        )


def test_command_refuses_with_one_line_and_answers_in_json(tmp_path: Path) -> None:
    (tmp_path / "p.toml").write_text(format_pool(pool()))
    head = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V\n"
    (tmp_path / "out.csv").write_text(head + "9,1,0.5,9.3,1,0.5,1e-4,1e-6\n")
    (tmp_path / "one.csv").write_text(head + "2,1,0.5,2.3,1,0.5,1e-4,1e-6\n")
    command = [sys.executable, "-m", "earthward", "locate", str(tmp_path / "p.toml")]
    bad = subprocess.run([*command, str(tmp_path / "out.csv")], capture_output=True, text=True)
    assert bad.returncode == 2 and bad.stdout == ""
    assert bad.stderr.count("\n") == 1 and "outside the water" in bad.stderr
    none = subprocess.run([*command, str(tmp_path / "none.csv")], capture_output=True, text=True)
    assert none.returncode == 2 and "none.csv is not there" in none.stderr
    one = subprocess.run([*command, str(tmp_path / "one.csv"), "--json"], capture_output=True, text=True)
    assert one.returncode == 0 and '"cannot tell"' in one.stdout
