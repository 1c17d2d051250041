"""`earthward bench pair` and its kin: planted defects are named, healthy pairs pass, results, trend, sheet, errors.

The jar that the defects are planted in is `emulated.jar`, which shares no figure with what judges it.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from earthward.bench import cable, pair_judge
from earthward.bench.bands import judge
from earthward.bench.stretches import steps_of
from earthward.bench.trend import MONTH_S, BenchResult, in_words, read_results, trends, with_result
from earthward.cli import build_parser, main
from earthward.commands.bench_pair import bench_of, joined, quick
from earthward.commands.bench_sheet import Bench, _months
from earthward.emulated.jar import DEFECTS, JarScene
from earthward.emulated.jar_recording import direct, through_the_chain
from earthward.errors import InputError

pytestmark = pytest.mark.long

#: what was planted -> what the bench must call it
NAMED = {
    "cut-front": "front wire open",
    "cut-back": "back wire open",
    "in-air": "front electrode dry",
    "salt-in-plug": "wires joined",
    "crossed-wires": "front and back exchanged",
    "wrong-resistor": "wrong gain",
    "greasy": "front electrode fouled",
    "pitted": "back electrode too small",
    "cold-joint": "loose contact",
    "fresh": "not soaked",
    "two-metals": "unlike metals",
    "wobbly": "slow after a knock",
    "screen-off": "screen broken",
    "hissing": "noisy pair",
    "bad-supply": "noisy receiver",
}


def test_every_planted_defect_has_its_name_here() -> None:
    assert set(NAMED) == set(DEFECTS)


@pytest.mark.parametrize("planted", ["cut-back", "crossed-wires", "pitted", "cold-joint"])
def test_a_planted_defect_is_named(planted: str) -> None:
    found = quick(DEFECTS[planted][1](JarScene.healthy(11)))
    assert (found.defect, found.verdict) == (NAMED[planted], "replace")


@pytest.mark.slow
def test_all_planted_defects_in_eight_pairs_and_200_healthy_ones(capsys: pytest.CaptureFixture[str]) -> None:
    wrong = [
        (planted, seed, found.defect)
        for planted, name in NAMED.items()
        for seed in range(300, 308)
        if (found := quick(DEFECTS[planted][1](JarScene.healthy(seed)))).defect != name
    ]
    alarms = []
    for seed in range(2000, 2200):
        found = quick(JarScene.healthy(seed))
        if found.verdict != "pass" or found.defect:
            alarms.append((seed, found.defect, [x.band.name for x in found.lines if x.verdict != "pass"]))
    with capsys.disabled():
        print(f"\nnamed wrongly: {wrong} of {8 * len(NAMED)}; not passed: {alarms} of 200 healthy pairs")
    assert not wrong
    assert len(alarms) <= 4


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.parametrize("planted", ["none", *sorted(NAMED)])
def test_through_board_converter_and_drivers(planted: str) -> None:
    scene = JarScene.healthy(21)
    if planted != "none":
        scene = DEFECTS[planted][1](scene)
    session = through_the_chain(scene, 6.0)
    found = bench_of(steps_of(joined(session.blocks), session.notes), (50.0, 60.0), True)
    assert found.defect == NAMED.get(planted, ""), [(x.band.name, x.value) for x in found.lines if x.verdict != "pass"]
    assert (found.verdict == "pass") == (planted == "none")


def test_what_was_not_measured_neither_passes_nor_condemns() -> None:
    found = pair_judge.sheet({"offset_V": 1e-3, "drift_V_per_min": float("nan")})
    assert found.verdict == "pass" and found.defect is None
    assert {x.verdict for x in found.lines} == {"pass", "not measured"}
    assert pair_judge.sheet({}).verdict == "not measured"


# ---- command, file of results, sheet --------------------------------------------------------------------------------


def test_steps_said_to_the_daemon_and_a_source_that_tells_of_itself() -> None:
    """As the daemon records it: steps said by the person, and the source's own notes for the drives."""
    scene = JarScene.healthy(4)
    session = direct(scene)
    drives = [n for n in session.notes if n["step"] == "drive"]
    said = [n for n in session.notes if n["step"] != "drive"]
    joined_s = next(float(n["t_s"]) for n in said if n["step"] == "joined")
    source = [{"kind": "source", "t_s": n["t_s"], "energised": True, "electrode": n["electrode"]} for n in drives]
    source.append({"kind": "source", "t_s": joined_s - 0.01, "energised": False})
    reference = [{"kind": "reference", "t_s": n["t_s"], "start_s": n["start_s"], "frequency_Hz": n["frequency_Hz"]}
                 for n in drives]  # fmt: skip
    steps = steps_of(joined(session.blocks), [*said, *source, *reference], "sine")
    whole = steps_of(joined(session.blocks), session.notes)
    assert [d.electrode for d in steps.drives] == [d.electrode for d in whole.drives]
    for one, other in zip(steps.drives, whole.drives, strict=True):
        assert (one.block.t_s[0], one.reference.frequency_Hz) == (other.block.t_s[0], other.reference.frequency_Hz)
    for kind in ("quiet", "knock", "joined"):
        assert [len(b) for b in getattr(steps, kind)] == [len(b) for b in getattr(whole, kind)]
    assert [volts for _, volts in steps.divider] == [scene.divider_V]


def test_what_was_said_before_holds_on_after_the_source_was_on() -> None:
    block = direct(JarScene.healthy(4)).blocks[0]
    begin = float(block.t_s[0])
    notes = [
        {"kind": "bench", "t_s": begin, "step": "quiet"},
        {"kind": "source", "t_s": begin + 10.0, "energised": True, "electrode": "A"},
        {"kind": "reference", "t_s": begin + 11.0, "start_s": begin, "frequency_Hz": 36.0},
        {"kind": "source", "t_s": begin + 13.0, "energised": False},
        {"kind": "bench", "t_s": begin + 30.0, "step": "end"},
    ]
    steps = steps_of(block, notes, "sine")
    assert [round(float(b.t_s[-1] - b.t_s[0]), 1) for b in steps.quiet] == [9.5, 16.5] and len(steps.drives) == 1


def test_result_sheet_and_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results, sheet = tmp_path / "bench.jsonl", tmp_path / "pair.pdf"
    words = ["bench", "pair", "--emulated", "3", "--quick", "--defect", "greasy", "--serial", "E-017"]
    assert main([*words, "--results", str(results), "--pdf", str(sheet), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["emulated"] is True and told["defect"] == "front electrode fouled"
    line = next(x for x in told["lines"] if x["name"] == "front_ohm")
    assert line["verdict"] == "watch" and "clean the front electrode" in line["reason"]
    assert len(told["impedance"]["front"]) == 4 and told["allan"]["tau_s"][0] == 1.0
    assert sheet.read_bytes()[:5] == b"%PDF-"
    (kept,) = read_results(results.read_text(), "results")
    assert kept.serial == "E-017" and kept.emulated and kept.values["front_ohm"] == pytest.approx(line["value"])
    assert main(["bench", "trend", str(results)]) == 0
    assert "EMULATED" in capsys.readouterr().out


def test_the_sheet_tells_of_earlier_months(tmp_path: Path) -> None:
    results, text = tmp_path / "bench.jsonl", ""
    for month in range(4):
        one = BenchResult(serial="T-2", part="cable", time_s=1.5e9 + month * MONTH_S, verdict="pass", emulated=True,
                          values={"insulation_ohm": 4e9 - 1e9 * month})  # fmt: skip
        text = with_result(text, one)
    results.write_text(text)
    words = ["bench", "cable", "--emulated", "1", "--serial", "T-2", "--results", str(results)]
    args = build_parser("bench").parse_args(words)
    said = _months(Bench("cable", "Cable", judge(cable.BANDS, {"insulation_ohm": 1e9}), True), args)
    assert len(said) == 1 and "insulation_ohm: -1e+09" in said[0] and "leaves its limit in about 1 months" in said[0]


def test_a_trend_tells_when_the_limit_comes() -> None:
    draw = np.random.default_rng(2)
    text = ""
    for month in range(7):
        values = {"front_ohm": 300 + 60 * month + draw.normal(0, 8), "offset_V": 2e-3 + draw.normal(0, 1e-4)}
        one = BenchResult(serial="E-1", part="pair", time_s=month * MONTH_S, values=values, verdict="pass")
        text = with_result(text, one)
    found = {t.band.name: t for t in trends(read_results(text, "x"), pair_judge.BANDS)}
    assert found["front_ohm"].per_month == pytest.approx(60, rel=0.1)
    assert found["front_ohm"].months_left == pytest.approx((1000 - 660) / 60, rel=0.15)
    assert "leaves its limit in about 6 months" in in_words(found["front_ohm"])
    assert found["offset_V"].months_left is None
    with pytest.raises(InputError, match="line 1 is no bench result"):
        read_results("{}", "x")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pair"], "give one or more recordings"),
        (["pair", "/nowhere"], "no such file"),
        (["pair", "--emulated", "1", "--quick", "--results", "r.jsonl"], "--serial"),
        (["cable", "--volts", "1"], "--drive-volts"),
        (["earth", "--apart", "20", "--probe", "1", "2", "3", "--ohm", "1", "2", "3"], "set the probe at"),
        (["source", "--told", "/nowhere.csv"], "/nowhere.csv"),
        (["cell", "--bore-mm", "-1", "--spacing-mm", "9", "--volts", "1", "--current", "1", "--temperature", "20"],
         "bore and spacing"),
        (["trend", "/nowhere.jsonl"], "/nowhere.jsonl"),
    ],
)  # fmt: skip
def test_errors_are_one_sentence(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", *words]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["cable", "--emulated", "1"], 0, "pass"),
        (["cable", "--emulated", "1", "--defect", "nicked"], 1, "insulation"),
        (["earth", "--emulated", "1"], 0, "pass"),
        (["earth", "--emulated", "1", "--defect", "dry"], 1, "high resistance"),
        (["earth", "--emulated", "1", "--defect", "too near"], 0, "watch: auxiliary electrode too near"),
        (["source", "--emulated", "1"], 0, "pass"),
        (["source", "--emulated", "1", "--defect", "cold joint"], 1, "series resistance"),
        (["source", "--emulated", "1", "--defect", "shunt"], 1, "current sense"),
        (["source", "--emulated", "1", "--defect", "weak half"], 1, "one half is weak"),
    ],
)
def test_parts(words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", *words]) == code
    out = capsys.readouterr().out
    assert out.startswith("EMULATED") and said in out


@pytest.mark.slow
@pytest.mark.realtime
@pytest.mark.parametrize(
    ("defect", "said"), [("none", "pass."), ("cold joint", "series resistance"), ("shunt", "current sense")]
)
def test_source_through_board_link_and_driver(defect: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["bench", "source", "--emulated", "2", "--defect", defect, "--through-link"])
    out = capsys.readouterr().out
    assert code == (0 if defect == "none" else 1) and said in out, out


def test_cell_in_a_standard_solution(capsys: pytest.CaptureFixture[str]) -> None:
    """0.01 mol/kg KCl at 25 degrees, 0.140823 S/m (Pratt et al. 2001): 1 mA through 20 mm bore, 300 mm: 6.781 V."""
    words = ["bench", "cell", "--bore-mm", "20", "--spacing-mm", "300", "--current", "1e-4", "--temperature", "25"]
    assert main([*words, "--volts", "0.6781", "--standard", "0.01", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["conductivity_25_S_per_m"] == pytest.approx(0.140823, rel=1e-3) and told["verdict"] == "pass"
    assert main([*words, "--volts", "0.75", "--standard", "0.01"]) == 1
