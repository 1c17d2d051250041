"""Surveys on a stick: whole while they are written, only what is new, and one sentence when it cannot be."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from earthward.cli import main
from earthward.errors import InputError
from earthward.record.reading import KeptReading
from earthward.survey.backup import back_up
from earthward.survey.store import SurveyStore

READING = KeptReading(
    front_m=(1.0, 1.0, 0.5), back_m=(1.3, 1.0, 0.5), value_V=1e-5, sigma_V=1e-6, station="S1", time_s=1.0
)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    (folder / "surveys" / "00001").mkdir(parents=True)
    (folder / "surveys" / "00001" / "light.png").write_bytes(b"picture")
    (tmp_path / "stick").mkdir()
    return folder


def test_a_survey_that_is_being_written_is_copied_whole(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, stick = data / "surveys" / "00001" / "survey.db", tmp_path / "stick"
    store = SurveyStore.create(path, name="s", pool_toml="", emulated=True)
    store.keep(READING)
    assert main(["backup", str(stick), "--data", str(data)]) == 0
    assert "2 files copied" in capsys.readouterr().out
    copy = stick / "surveys" / "00001" / "survey.db"
    assert sorted(p.name for p in copy.parent.iterdir()) == ["light.png", "survey.db"], "no log beside it, no part"
    with SurveyStore.open(copy, read_only=True) as copied:
        assert len(copied.readings()) == 1
    store.keep(READING)
    assert back_up(data, stick, ("surveys",)).files == 1, "the picture is there already"
    with SurveyStore.open(copy, read_only=True) as copied:
        assert len(copied.readings()) == 2
    store.close()


def test_a_damaged_survey_is_no_backup(data: Path, tmp_path: Path) -> None:
    path, stick = data / "surveys" / "00001" / "survey.db", tmp_path / "stick"
    SurveyStore.create(path, name="s", pool_toml="", emulated=True).close()
    assert back_up(data, stick, ("surveys",)).files == 2
    good = (stick / "surveys" / "00001" / "survey.db").read_bytes()
    path.write_bytes(path.read_bytes()[:4096] + b"\xff" * 8192)
    later = data / "surveys" / "00002" / "survey.db"
    later.parent.mkdir()
    SurveyStore.create(later, name="t", pool_toml="", emulated=True).close()
    with pytest.raises(InputError, match="damaged"):
        back_up(data, stick, ("surveys",))
    assert (stick / "surveys" / "00002" / "survey.db").exists(), "one damaged survey holds up no other"
    assert not list(stick.rglob("*.part"))
    assert (stick / "surveys" / "00001" / "survey.db").read_bytes() == good, "the earlier copy stays"
    assert sqlite3.connect(stick / "surveys" / "00001" / "survey.db").execute("SELECT 1").fetchone() == (1,)


@pytest.mark.parametrize("target, said", [("nowhere", "plug the stick in"), ("data/surveys", "another disk")])
def test_one_sentence_for_a_wrong_place(
    data: Path, tmp_path: Path, target: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["backup", str(tmp_path / target), "--data", str(data)]) == 2
    assert said in capsys.readouterr().err
