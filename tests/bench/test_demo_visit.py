"""The whole emulated visit, headless, as a user starts it: from the complaint to the report."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from earthward.cli import main
from earthward.commands import demo_hands
from earthward.commands.demo_visit import WholeVisit
from earthward.emulated.pole import HandHeldPole
from earthward.record.place import Station
from earthward.report import pdf
from earthward.survey.contents import load
from earthward.survey.store import SurveyStore

pytestmark = pytest.mark.realtime

#: Real seconds that the visit may take on a machine that has other things to do.
PATIENCE_S = 540.0


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    out = tmp_path_factory.mktemp("visit") / "out"
    done = subprocess.run(
        [sys.executable, "-m", "earthward", "demo", "--headless", "--seed", "1", "--json", "--out", str(out)],
        capture_output=True, text=True, timeout=PATIENCE_S, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    summary = json.loads(done.stdout)
    assert summary == json.loads((out / "summary.json").read_text())
    return out, summary


def test_the_leak_is_found_and_gone_after_the_patch(visit: tuple[Path, dict[str, Any]]) -> None:
    _, summary = visit
    assert summary["emulated"] is True and summary["verdict"] == "found"
    assert summary["estimate"]["error_m"] < 0.3
    assert summary["remeasure"]["outcome"] == "gone" and summary["finding_stage"] == "re-measured"
    assert summary["wrong_signs_above_5_sigma"] == 0
    for reading in summary["readings"]:
        assert reading["station"] and reading["sigma_V"] > 0 and isinstance(reading["value_V"], float)


def test_loss_proof_cover_and_budgets(visit: tuple[Path, dict[str, Any]]) -> None:
    _, summary = visit
    assert summary["loss_before"]["verdict"] == "leak" and summary["loss_after"]["verdict"] == "no evidence"
    low, high = summary["loss_before"]["interval_L_per_day"]
    assert low <= summary["loss_before"]["true_L_per_day"] <= high
    assert summary["sensitivity"]["ok"] and summary["sensitivity"]["ratio"] >= 3
    cover, patch = summary["current_steps"]
    assert cover["kind"] == "cover" and patch["kind"] == "patch"
    assert cover["share_interval"][0] <= summary["cover"]["true_share"] <= cover["share_interval"][1]
    assert summary["budget"]["current"]["closes"] and summary["budget"]["water"]["closes"]
    steps = {s["key"]: s["status"] for s in summary["steps"]}
    for key in ("loss", "safe", "set up", "proof", "dye", "repair", "account", "report"):
        assert steps[key] == "done", steps


def test_what_it_leaves_behind(visit: tuple[Path, dict[str, Any]]) -> None:
    out, summary = visit
    html = (out / "report" / "report.html").read_text()
    assert "EMULATED" in html and "One leak found and confirmed with dye, repaired" in html
    assert summary["report"] == ["report.html", "report.pdf"][: 2 if pdf.available() else 1]
    if pdf.available():
        assert (out / "report" / "report.pdf").read_bytes()[:5] == b"%PDF-"
    assert (out / "recording" / "samples.ewc").stat().st_size > 10_000
    with SurveyStore.open(out / "survey.db", read_only=True) as store:
        record = load(store)
        assert len(record.sensitivity_tests) == 1 and len(record.loss_tests) == 2 and len(record.current_steps) == 2
        assert {r.purpose for r in record.readings} == {"survey", "test leak", "re-measure"}
        assert record.location is not None and record.location["coverage"]["cells"]
        assert all(r.settings_id is not None for r in record.readings)


@pytest.mark.slow
def test_a_trip_on_the_way_is_got_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The emergency stop is pressed in the middle of a station: reset at the board, and the visit comes to its end."""
    monkeypatch.setattr(demo_hands.Hands, "_note", pressing_the_stop(demo_hands.Hands._note, at_reading=14))
    assert main(["demo", "--headless", "--seed", "1", "--json", "--out", str(tmp_path / "out")]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert any("emergency stop" in e["text"].lower() and e["severity"] == "alarm" for e in summary["events"])
    assert summary["estimate"]["error_m"] < 0.3 and summary["remeasure"]["outcome"] == "gone"
    assert any(r["station"].endswith("b") for r in summary["readings"]), "the station was read anew"


@pytest.mark.slow
@pytest.mark.parametrize(("head", "holds"), [("three-axis", 1), ("crossed", 2), ("three-axis-oriented", 1)])
def test_a_head_with_more_pairs_needs_fewer_holds(
    head: str, holds: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every pair's reading of a hold, with both electrodes, is in the record; the leak is found all the same."""
    assert main(["demo", "--headless", "--seed", "1", "--head", head, "--json", "--out", str(tmp_path / "out")]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["verdict"] == "found" and summary["estimate"]["error_m"] < 0.3
    assert summary["holds"] == holds * summary["stations"] and summary["sensitivity"]["ok"]
    stations = [r["station"] for r in summary["readings"]]
    assert {stations.count(name) for name in stations} == {6}, "three directions, two electrodes"


@pytest.mark.slow
def test_a_head_held_far_otherwise_than_asked_is_turned_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A careless hand points it 60 degrees off at the second spot, twice: the sensor's word is obeyed, the second time
    with the bearing taken at a wall; no reading of those holds is kept, and the visit comes to its end."""
    held, careless, times = HandHeldPole.ends, [4, 5], []
    again = WholeVisit.turn_again

    def now_and_then(self: HandHeldPole, place: Station) -> Any:
        before = self.holds
        ends = held(self, place)
        if self.holds > before and self.holds in careless:
            self._angles[2] = math.radians(60.0)
            ends = self._held(place)
        return ends

    async def counted(self: WholeVisit, client: Any, place: Station, time: int) -> None:
        times.append(time)
        await again(self, client, place, time)

    monkeypatch.setattr(HandHeldPole, "ends", now_and_then)
    monkeypatch.setattr(WholeVisit, "turn_again", counted)
    out = str(tmp_path / "out")
    assert main(["demo", "--headless", "--seed", "1", "--head", "three-axis-oriented", "--json", "--out", out]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert times == [1, 2], "not refused, or not turned again"
    assert summary["verdict"] == "found" and summary["estimate"]["error_m"] < 0.3
    assert summary["holds"] == summary["stations"] + 2 and summary["wall_contacts"] >= 1
    assert {r["station"] for r in summary["readings"] if r["purpose"] == "survey"} >= {"S1", "S2", "S3"}


@pytest.mark.slow
@pytest.mark.parametrize("head", ["single-oriented", "three-axis-oriented"])
def test_a_depth_sensor_tells_how_deep_the_head_is(
    head: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Zeroed in the air once; from then on every reading has a depth of its own, and the electrodes are as deep as it
    says (lean of the head included), whatever the person says who holds it 0.03 m too high or too low."""
    out = str(tmp_path / "out")
    assert main(["demo", "--headless", "--seed", "1", "--head", head, "--depth-sensor", "--json", "--out", out]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["verdict"] == "found" and summary["estimate"]["error_m"] < 0.3
    told = [r for r in summary["readings"] if "depth_sigma_m" in r]
    assert len(told) == len(summary["readings"]) > 20
    off = [(r["front_m"][2] - r["true_front_depth_m"]) for r in told]
    print(f"{len(off)} readings, depth off by {1e3 * rms(off):.0f} mm rms, {1e3 * max(map(abs, off)):.0f} mm at most")
    assert rms(off) < 0.015 and max(r["depth_sigma_m"] for r in told) < 0.03


@pytest.mark.slow
def test_a_pool_that_is_tight_is_told_as_such(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No hole: nothing is called found or suspected, nothing is patched, and no loss is made up."""
    out = str(tmp_path / "out")
    assert main(["demo", "--headless", "--seed", "2", "--leaks", "0", "--json", "--out", out]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["truth"]["leaks"] == [] and summary["wrong_signs_above_5_sigma"] == 0
    assert summary["verdict"] in ("no leak seen", "cannot tell") and summary["estimate"] is None
    assert summary["loss_before"]["verdict"] != "leak" and "remeasure" not in summary


def rms(values: list[float]) -> float:
    return math.sqrt(sum(v * v for v in values) / len(values))


def pressing_the_stop(note: Any, at_reading: int) -> Any:
    def noted(self: demo_hands.Hands, kept: Any, purpose: str) -> None:
        note(self, kept, purpose)
        if len(self.rows) == at_reading:
            self._bench.technician.open_stop()
            threading.Timer(1.0, self._bench.technician.close_stop).start()

    return noted
