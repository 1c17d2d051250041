"""Files as the code of an earlier day wrote them (an emulated visit): they open, export and report as before."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from earthward.cli import main
from earthward.daemon.recorder import read_recording
from earthward.pool.pool_file import parse_pool
from earthward.survey.store import SurveyStore

pytestmark = pytest.mark.long

EARLIER = Path(__file__).parents[1] / "fixtures" / "earlier"


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    return Path(shutil.copyfile(EARLIER / "survey.db", tmp_path / "survey.db"))


@pytest.mark.parametrize("read_only", [True, False])
def test_an_earlier_survey_opens_with_all_that_it_holds(survey: Path, read_only: bool) -> None:
    db = sqlite3.connect(survey)
    count = {t: db.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("reading", "event", "safety_check")}
    values = db.execute("SELECT row, value_V, front_x_m, station FROM reading ORDER BY row").fetchall()
    assert db.execute("PRAGMA user_version").fetchone() == (4,)
    db.close()
    with SurveyStore.open(survey, read_only=read_only) as store:
        readings = store.readings(withdrawn=True)
        assert [(r.row, r.value_V, r.front_m[0], r.station) for r in readings] == values
        assert (len(readings), len(store.events()), len(store.safety_checks())) == tuple(count.values())
        # What stood in a remark and in a sentence has its own place now.
        assert [r.test_leak for r in store.readings("test leak")].count("connected") == 2
        assert [(s.kind, s.fitting, s.finding) for s in store.current_steps()] == [
            ("cover", "light", None),
            ("patch", "", 1),
        ]
        assert [h.stage for h in store.findings()[0].history] == ["suspected", "dye drawn", "repaired", "re-measured"]
        assert len(store.loss_tests()) == 2 and len(store.sensitivity_tests()) == 1 and store.damaged == []


def test_an_earlier_survey_exports_and_reports(survey: Path, tmp_path: Path) -> None:
    before = survey.read_bytes()
    for kind, name in (("csv", "t"), ("json", "a.json"), ("unified", "a.ohm"), ("gpkg", "a.gpkg")):
        assert main(["export", str(survey), "--format", kind, "--out", str(tmp_path / name)]) == 0
    assert main(["export", str(tmp_path / "again.db"), "--import", str(tmp_path / "a.json")]) == 0
    assert main(["report", str(survey), "--out", str(tmp_path / "report")]) == 0
    assert "EMULATED" in (tmp_path / "report" / "report.html").read_text()
    assert survey.read_bytes() == before, "reading changes nothing"


def test_an_earlier_pool_and_readings_are_taken_by_locate(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["locate", str(EARLIER / "pool.toml"), str(EARLIER / "readings.csv"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["verdict"] in ("found", "suspected", "cannot tell")
    assert parse_pool((EARLIER / "pool.toml").read_text()).name == "invented pool 1"


def test_an_earlier_recording_is_read_up_to_its_cut() -> None:
    content = read_recording(EARLIER / "recording")
    assert content.header["format"] == 1 and content.header["emulated"] is True
    assert sum(len(block.t_s) for block in content.blocks) > 5000


def test_an_earlier_bundle_opens_and_replays_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Made by the first version that could make one. Since then the lock-in solves its equations otherwise (last bits)
    and states another error of its own (sigma_V, and snr with it): the volts that it reads are the same, and the check
    says what is not."""
    bundle = EARLIER / "visit.zip"
    code = main(["bundle", str(bundle), "--check", "--json"])
    (one,) = json.loads(capsys.readouterr().out)["replayed"]
    assert one["readings"] == 151 and code == (0 if one["ok"] else 1)
    apart = one["apart_by"]
    assert max(apart[name] for name in ("t_s", "value_V", "quadrature_V", "window_s", "lost_fraction")) <= 1e-9
    assert apart["sigma_V"] < 0.2 and apart["snr"] < 0.2 and apart["p_sign"] < 0.01
    main(["bundle", str(bundle), "--check"])
    assert "DIFFERENT in sigma_V, snr" in capsys.readouterr().out
    assert main(["bundle", str(bundle), "--unpack", str(tmp_path / "out")]) == 0
    again = tmp_path / "again.db"
    assert main(["export", str(again), "--import", str(tmp_path / "out" / "survey.json")]) == 0
    with SurveyStore.open(again, read_only=True) as store:
        assert len(store.readings(withdrawn=True)) == 18
    capsys.readouterr()
    assert main(["compare-world", str(bundle), "--json"]) in (0, 1)
    assert len(json.loads(capsys.readouterr().out)["readings"]) == 17  # one was taken back
