"""`earthward field`: values, JSON, plans, and one sentence for each mistake."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from earthward.cli import main
from earthward.pool.box import BoxField

POOL = """
[pool]
name = "Command"
shape = "rectangle"
length_m = 8.0
width_m = 4.0
[floor]
kind = "flat"
depth_m = 1.4
[water]
conductivity_S_per_m = 0.25
temperature_C = 26.0
[source]
position_m = [1.0, 1.0, 0.5]
current_A = 0.010
"""
SINKS = "x_m,y_m,z_m,current_A\n8.0,2.0,0.7,0.004\n4.0,2.0,1.4,0.006\n"
PAIRS = (
    "# two pairs\nfront_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m\n"
    "3.0,2.0,1.0,2.7,2.0,1.0\n5.0,2.0,0.8,5.0,2.0,1.1\n"
)


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    found = {}
    for name, text in (("pool.toml", POOL), ("sinks.csv", SINKS), ("pairs.csv", PAIRS)):
        (tmp_path / name).write_text(text, encoding="utf-8")
        found[name] = tmp_path / name
    return found


def call(files: dict[str, Path], *more: str) -> int:
    return main(
        [
            "field",
            str(files["pool.toml"]),
            "--sinks",
            str(files["sinks.csv"]),
            "--pairs",
            str(files["pairs.csv"]),
            *more,
        ]
    )


def test_values_are_ohms_law_times_the_exact_field(files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert call(files, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    box = BoxField(8, 4, 1.4)
    front, back = np.array([[3, 2, 1.0], [5, 2, 0.8]]), np.array([[2.7, 2, 1.0], [5, 2, 1.1]])
    places = (([1, 1, 0.5], 0.010), ([8, 2, 0.7], -0.004), ([4, 2, 1.4], -0.006))
    expected = np.sum([4.0 * i * (box.green(back, p) - box.green(front, p)) for p, i in places], axis=0)
    assert report["value_V"] == pytest.approx(list(expected), rel=1e-9)
    assert abs(report["unbalanced_A"]) < 1e-12
    # Current flows from the injection electrode toward the sinks: from back towards front, reading > 0.
    assert report["value_V"][0] > 0


def test_sinks_short_of_the_current_are_said(files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    files["sinks.csv"].write_text(SINKS.replace("0.006", "0.001"), encoding="utf-8")
    assert call(files, "--json") == 0
    report = json.loads(capsys.readouterr().out)
    assert report["unbalanced_A"] == pytest.approx(0.005)
    assert "leave evenly everywhere" in report["notes"][0]


def test_text_and_plan(files: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call(files, "--plot", str(tmp_path / "plan.svg")) == 0
    assert "uV" in capsys.readouterr().out
    assert "sink 6 mA" in (tmp_path / "plan.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("pairs.csv", "3.0,2.0,1.0,", "3.0,2.0,1.6,", "row 1: the front electrode at (3, 2, 1.6) is outside"),
        ("pairs.csv", "5.0,2.0,1.1", "5.0,2.0,0.8", "row 2: front and back are the same point"),
        ("pairs.csv", "5.0,2.0,1.1", "5.0,2.0,x", 'row 2: back_z_m "x" is not a number'),
        ("pairs.csv", "5.0,2.0,1.1", "5.0,2.0,inf", "row 2: back_z_m"),
        ("pairs.csv", "5.0,2.0,1.1", "5.0", "row 2: back_y_m"),
        ("pairs.csv", "back_z_m", "depth", "column back_z_m is missing"),
        ("pairs.csv", "2.7,2.0,1.0", "1.0,1.0,0.5", "row 1: the back electrode touches"),
        ("sinks.csv", "8.0,2.0,0.7", "9.0,2.0,0.7", "row 1: the sink at (9, 2, 0.7) is 1.00 m outside"),
        ("sinks.csv", "0.004", "-0.004", "row 1: current_A -0.004 is negative"),
        ("sinks.csv", "0.004", "4", "row 1: current_A 4 is beyond 1 A"),
        ("sinks.csv", SINKS, "", "the file is empty"),
        ("sinks.csv", SINKS, "x_m,y_m,z_m,current_A\n", "no row below the header"),
        ("pool.toml", "conductivity_S_per_m = 0.25", "conductivity_S_per_m = 0", "expected a number above 0"),
        ("pool.toml", "[source]\nposition_m = [1.0, 1.0, 0.5]\ncurrent_A = 0.010", "", "there is no [source]"),
    ],
)
def test_mistakes(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str], file: str, old: str, new: str, words: str
) -> None:
    text = files[file].read_text(encoding="utf-8")
    assert old in text
    files[file].write_text(text.replace(old, new), encoding="utf-8")
    assert call(files, "--json") == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert words in captured.err
    assert file in captured.err
    assert captured.err.count("\n") == 1


def test_missing_file_and_placement(files: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert call(files, "--source-id", "3") == 2
    assert "no [[source]] with id = 3" in capsys.readouterr().err
    files["sinks.csv"].unlink()
    assert call(files) == 2
    assert "cannot read" in capsys.readouterr().err


def test_a_sink_taped_just_outside_is_put_on_the_liner(
    files: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    files["sinks.csv"].write_text(SINKS.replace("8.0,2.0", "8.1,2.0"), encoding="utf-8")
    assert call(files, "--json") == 0
    assert "put on the liner" in json.loads(capsys.readouterr().out)["notes"][0]
