"""`earthward locate`: JSON, plan, cache, and one sentence for each mistake."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest
from msgspec.structs import replace
from tests.benchmarks.virtual_pools import random_pool, random_stations

from earthward.cli import main
from earthward.pool.pool_file import format_pool
from earthward.record.reading import KeptReading

pytestmark = pytest.mark.long

COLUMNS = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V,source_id,station,note"


def line(r: KeptReading) -> str:
    numbers = [*r.front_m, *r.back_m, r.value_V, r.sigma_V]
    return ",".join([*(repr(float(v)) for v in numbers), str(r.source_id), r.station or "", r.note])


@cache
def visit() -> tuple[str, tuple[KeptReading, ...]]:
    """Pool file and readings of eight stations."""
    world = random_pool(12, fittings=2)
    rows = [r for k, (c, b) in enumerate(random_stations(world, 8)) for r in world.measure(c, b, f"s{k}")]
    return format_pool(world.pool), tuple(rows)


def call(folder: Path, rows: list[KeptReading], *more: str, pool: str | None = None, text: str | None = None) -> int:
    (folder / "pool.toml").write_text(visit()[0] if pool is None else pool, encoding="utf-8")
    table = "\n".join([COLUMNS, *(line(r) for r in rows)]) + "\n" if text is None else text
    (folder / "readings.csv").write_text(table, encoding="utf-8")
    return main(["locate", str(folder / "pool.toml"), str(folder / "readings.csv"), *more])


def refused(folder: Path, capsys: pytest.CaptureFixture[str], rows: list[KeptReading], *more: str, **other: str) -> str:
    """The one sentence of a refusal."""
    assert call(folder, rows, "--json", *more, **other) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and "Traceback" not in err
    return err


def test_whole_answer_and_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = ("--json", "--remaining-loss", "150", "--plot", str(tmp_path / "plan.svg"))
    assert call(tmp_path, list(visit()[1]), *more) == 0
    data = json.loads(capsys.readouterr().out)
    for key in ("findings", "p_leak_count", "budget", "coverage", "next_station", "suspect_readings"):
        assert key in data
    assert set(data["budget"]) >= {"injected_A", "fittings", "findings_A", "unexplained_A", "unexplained_interval_A"}
    done = data["search_done"]
    assert done["patches"] == len(data["coverage"]["cells"]) and done["done"] == (done["open_patches"] == 0)
    assert done["hole_mm"] > 0 and sum(done["beside"].values()) <= done["open_patches"] and "150 L/day" in done["text"]
    assert "<svg" in (tmp_path / "plan.svg").read_text(encoding="utf-8")


def test_pair_outside_the_water(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(visit()[1])
    rows[4] = replace(rows[4], front_m=(-1.0, 1.0, 0.5))
    assert "row 5: the front electrode" in refused(tmp_path, capsys, rows)


@pytest.mark.parametrize(("factor", "words"), [(1e3, "must be in volts"), (1e-3, "too small")])
def test_all_readings_in_another_unit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], factor: float, words: str
) -> None:
    rows = [replace(r, value_V=r.value_V * factor, sigma_V=r.sigma_V * factor) for r in visit()[1]]
    assert words in refused(tmp_path, capsys, rows)


def test_current_in_milliampere_in_the_pool_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = visit()[0]
    current = next(row for row in text.splitlines() if row.startswith("current_A"))
    value = float(current.split("=")[1])
    wrong = text.replace(current, f"current_A = {value * 1e3}")
    assert "current" in refused(tmp_path, capsys, list(visit()[1]), pool=wrong)


def test_the_same_row_twice_and_one_name_for_two_places(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(visit()[1])
    assert "rows 3 and 49 are the same reading twice" in refused(tmp_path, capsys, [*rows, rows[2]])
    renamed = [replace(r, station="s0") if r.station == "s5" else r for r in rows]
    assert 'station "s0" is at two places' in refused(tmp_path, capsys, renamed)


def test_the_same_station_read_again_is_welcome(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(visit()[1])
    again = [replace(r, value_V=r.value_V * 1.001, station="s3 again") for r in rows if r.station == "s3"]
    assert call(tmp_path, [*rows, *again], "--json") == 0
    assert json.loads(capsys.readouterr().out)["suspect_readings"] == []


@pytest.mark.parametrize("count", [1, 6])
def test_one_reading_or_one_station_cannot_tell(tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int) -> None:
    assert call(tmp_path, list(visit()[1][:count]), "--json") == 0
    data = json.loads(capsys.readouterr().out)
    assert data["verdict"] == "cannot tell" and "cannot tell, because" in data["text"]
    assert data["findings"] == [] and data["next_station"]["text"]
    low, high = data["budget"]["unexplained_interval_A"]
    assert low == 0 and high == pytest.approx(data["budget"]["injected_A"])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("conductivity_S_per_m = ", "conductivity_S_per_m = 0.0 #"), "above 0"),
        (("position_m = [", "position_m = [90.0, 1.0, 0.5] # ["), "outside"),
        (("[[source]]", "[[spring]]"), "source"),
        (("depth_m = ", "depth_m = -1.0 #"), "depth"),
        (("[pool]", "[pool"), "pool.toml"),
    ],
)
def test_pool_files_that_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: tuple[str, str], words: str
) -> None:
    assert change[0] in visit()[0]
    wrong = visit()[0].replace(*change)
    assert words in refused(tmp_path, capsys, list(visit()[1]), pool=wrong)


POLYGON = """
[pool]
name = "bent"
shape = "polygon"
outline_m = {outline}
[floor]
kind = "flat"
depth_m = 1.4
[water]
conductivity_S_per_m = 0.2
[source]
position_m = [1.0, 1.0, 0.5]
current_A = 0.010
[[fitting]]
name = "light"
kind = "light"
position_m = {light}
"""


def test_outline_that_crosses_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pool = POLYGON.format(outline="[[0, 0], [8, 4], [8, 0], [0, 4]]", light="[0.0, 2.0, 0.6]")
    assert "cross" in refused(tmp_path, capsys, list(visit()[1]), pool=pool)


def test_fitting_off_the_liner(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pool = POLYGON.format(outline="[[0, 0], [8, 0], [8, 4], [0, 4]]", light="[2.0, 0.5, 0.6]")
    row = KeptReading(front_m=(2.0, 1.0, 0.5), back_m=(2.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6)
    message = refused(tmp_path, capsys, [row], pool=pool)
    assert '"light"' in message and "off the liner" in message
    near = POLYGON.format(outline="[[0, 0], [8, 0], [8, 4], [0, 4]]", light="[2.0, 0.2, 0.6]")
    assert call(tmp_path, [row], "--json", pool=near) == 0
    capsys.readouterr()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "column"),
        (COLUMNS + "\n", "no reading"),
        (COLUMNS.replace("sigma_V", "noise") + "\n1,1,.5,1.3,1,.5,1e-4,1e-6,0,a,\n", "sigma_V is missing"),
        (COLUMNS + "\n1,1,.5,1.3,1,.5,much,1e-6,0,a,\n", "line 2: value_V = 'much' is no number"),
        (COLUMNS + "\n1,1,.5,1.3,1,.5,nan,1e-6,0,a,\n", "line 2: value_V = 'nan' is no number"),
        (COLUMNS + "\n1,1,.5,1.3,1,.5,1e-4,0,0,a,\n", "line 2: sigma_V must be above zero"),
        (COLUMNS + "\n1,1,.5,1.3,1,.5,1e-4,1e-6,7,a,\n", "source_id 7 is not in the pool file"),
        (COLUMNS + "\n100,100,50,130,100,50,1e-4,1e-6,0,a,\n", "outside the water"),
    ],
)
def test_reading_files_that_cannot_be(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    assert words in refused(tmp_path, capsys, [], text=text)


@pytest.mark.parametrize("option", ["--position-sigma", "--bearing-sigma", "--water-voltage", "--remaining-loss"])
def test_options_that_cannot_be(tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str) -> None:
    assert option in refused(tmp_path, capsys, list(visit()[1]), option, "-1")


def test_a_prepared_pool_is_kept_in_the_cache_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pool = POLYGON.format(outline="[[0, 0], [5, 0], [5, 2], [2.5, 2], [2.5, 3.5], [0, 3.5]]", light="[2.0, 0.0, 0.6]")
    row = KeptReading(front_m=(2.0, 1.0, 0.5), back_m=(2.3, 1.0, 0.5), value_V=1e-4, sigma_V=1e-6)
    answers = []
    for _ in range(2):
        assert call(tmp_path, [row], "--json", "--cache", str(tmp_path / "prepared"), pool=pool) == 0
        answers.append(capsys.readouterr().out)
    assert len(list((tmp_path / "prepared").iterdir())) == 1
    assert answers[0] == answers[1]


def test_how_the_pole_is_held_matters_and_a_turn_column_says_it_as_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A rigid array's directions share one turn; naming that turn in the file is the same as saying --head, but for the
    hand shift that only a pair turned by hand has."""

    def radius(*more: str, turn: str = "") -> float:
        rows = list(visit()[1])
        table = "\n".join([COLUMNS + ",turn", *(f"{line(r)},{turn}" for r in rows)]) + "\n"
        assert call(tmp_path, rows, "--json", "--no-coverage-cells", *more, text=table) == 0
        cells = json.loads(capsys.readouterr().out)["posterior"]
        return float(max(c["probability"] for c in cells))

    by_hand = radius()
    rigid = radius("--head", "three-axis", "--shift-sigma", "0")
    named = radius("--shift-sigma", "0", turn="t")
    assert by_hand != pytest.approx(rigid, rel=1e-3)
    assert named == pytest.approx(rigid, rel=1e-6)
    with pytest.raises(SystemExit) as refusal:
        call(tmp_path, list(visit()[1]), "--head", "spinning")
    assert refusal.value.code == 2
