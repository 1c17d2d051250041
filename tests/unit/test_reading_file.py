"""The readings file and the sentences that bad readings get."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path
from typing import Any

import msgspec
import pytest

from earthward.cli import main
from earthward.errors import InputError
from earthward.survey.contents import load
from earthward.survey.files.document import import_document, to_document
from earthward.survey.files.readings import parse_readings
from earthward.survey.files.tables import write_tables
from earthward.survey.store import SurveyStore

HEAD = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V,source_id,station,note\n"


def test_rows_count_from_one_and_station_is_optional() -> None:
    rows = "1,1,0.5,1.3,1,0.5,1e-5,1e-6,1,a,by the steps\n# a remark\n2,1,.5,2.3,1,.5,1e-5,1e-6,,,\n"
    one, two = parse_readings(HEAD + rows)
    assert (one.row, one.source_id, one.station, one.note) == (1, 1, "a", "by the steps")
    assert (two.row, two.source_id, two.station) == (2, 0, "")
    assert two.back_m == (2.3, 1.0, 0.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("a,b\n1,2\n", "column front_x_m is missing"),
        (HEAD, "no reading"),
        (HEAD + "1,1,0.5,1.3,1,x,1e-5,1e-6,,,\n", "line 2: back_z_m"),
        (HEAD + "1,1,0.5,1.3,1,0.5,1e-5\n", "7 cells for 11 columns"),
        (HEAD + "1,1,0.5,1.3,1,0.5,1e-5,1e-6,left,,\n", "source_id"),
    ],
)
def test_bad_files_get_one_sentence(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_readings(text, "r.csv")


ROW = "1,1,0.5,1.3,1,0.5,1e-5,1e-6,0,a,"


def test_an_unclosed_quote_is_said_and_swallows_nothing() -> None:
    with pytest.raises(InputError, match=r"r\.csv, line 2: .*check the quotes"):
        parse_readings(f'{HEAD}{ROW}"by the steps\n{ROW}\n{ROW}\n', "r.csv")


def test_surplus_cells_and_decimal_commas_shift_no_column() -> None:
    for row in (f"{ROW}x,y", "1,1,0,5,1.3,1,0,5,1e-5,1e-6,0"):
        with pytest.raises(InputError, match=r"line 2 has|is no"):
            parse_readings(HEAD + row + "\n", "r.csv")
    # A spreadsheet that writes decimals with a comma separates cells by semicolons.
    told = parse_readings(HEAD.replace(",", ";") + "1;1;0,5;1,3;1;0,5;1e-5;1e-6;0;a;warm, windy\n")
    assert told == [msgspec.structs.replace(parse_readings(HEAD + ROW + "\n")[0], note="warm, windy")]


def test_a_remark_may_have_lines_and_a_hash(tmp_path: Path) -> None:
    rows = f'{ROW}"first line\n# second line"\n# a remark\n{ROW}plain\n'
    one, two = parse_readings(HEAD + rows)
    assert (one.note, two.note) == ("first line\n# second line", "plain")


def test_turn_row_and_test_leak_are_taken_in() -> None:
    head = HEAD.strip() + ",turn,row,purpose,test_leak,time_utc\n"
    (kept,) = parse_readings(head + ROW + ",3,17,test leak,connected,2026-06-01T08:00:00\n")
    assert (kept.turn, kept.row, kept.purpose, kept.test_leak) == ("3", 17, "test leak", "connected")
    assert kept.time_s == 1_780_300_800.0, "a time without a zone is UTC"


def test_texts_survive_export_and_import(tmp_path: Path) -> None:
    """Line breaks, quotes, and what a spreadsheet would work out as a formula."""
    pool = (Path(__file__).parents[1] / "fixtures" / "earlier" / "pool.toml").read_text()
    notes = ["two\nlines", "=1+1", "'=1+1", "-3", "@x", 'say "so", then', "'tis dry", "# no remark", "a;b"]
    with SurveyStore.create(tmp_path / "a.survey", name="a", pool_toml=pool, emulated=True) as store:
        for note in notes:
            store.keep(msgspec.structs.replace(parse_readings(HEAD + ROW + "\n")[0], note=note, flags=("=x", "y")))
        write_tables(load(store), tmp_path / "t")
    text = (tmp_path / "t" / "readings.csv").read_bytes().decode()
    assert not [c for row in csv.reader(io.StringIO(text)) for c in row if c.startswith(("=", "@", "+"))]
    back = parse_readings(text)
    assert [r.note for r in back] == notes and back[0].flags == ("=x", "y")


def test_somebody_elses_files_are_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    survey = tmp_path / "s.db"
    shutil.copyfile(Path(__file__).parents[1] / "fixtures" / "earlier" / "survey.db", survey)
    before = survey.read_bytes()
    for kind in ("json", "unified"):
        assert main(["export", str(survey), "--format", kind, "--out", str(survey)]) == 2
    assert survey.read_bytes() == before
    mine = tmp_path / "pool.toml"
    mine.write_text("mine")
    assert main(["export", str(survey), "--format", "csv", "--out", str(tmp_path)]) == 2
    assert mine.read_text() == "mine" and "is there already" in capsys.readouterr().err
    for _ in range(2):  # an earlier export may be replaced
        assert main(["export", str(survey), "--format", "csv", "--out", str(tmp_path / "t")]) == 0


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.update(readings=7),
        lambda d: d.update(readings=[3]),
        lambda d: d.update(survey=[]),
        lambda d: d["survey"].pop("created_s"),
        lambda d: d["survey"].update(units="stone"),
        lambda d: d.update(pool_toml=None),
        lambda d: d["readings"][0].update(front_m=[1, 2]),
        lambda d: d["readings"][0].update(value_V="much"),
        lambda d: d["findings"][0].update(history=None),
        lambda d: d["findings"][0]["history"][1].update(stage="perhaps"),
        lambda d: d.update(settings=[{}]),
        lambda d: d.update(events=[{"severity": "info"}]),
        lambda d: d.update(notes=["x"]),
        lambda d: d.update(location=[1]),
        lambda d: d.update(fittings=[{"name": "a", "kind": "boat", "position_m": [0, 0, 0]}]),
    ],
)
def test_malformed_documents_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], document: dict[str, Any], spoil: Any
) -> None:
    document = json.loads(json.dumps(document))
    spoil(document)
    source = tmp_path / "a.json"
    source.write_text(json.dumps(document))
    assert main(["export", str(tmp_path / "new.db"), "--import", str(source)]) == 2
    assert capsys.readouterr().err.count("\n") == 1 and not (tmp_path / "new.db").exists()


def test_a_document_of_the_earlier_format_is_brought_forward(tmp_path: Path, document: dict[str, Any]) -> None:
    """Format 1 had the test leak's state as a remark, and what a step of current was done to as a sentence."""
    document = json.loads(json.dumps(document))
    document["format_version"] = 1
    for item in document["current_steps"]:
        finding, fitting = item.pop("finding", None), item.pop("fitting", "")
        item["subject"] = fitting if finding is None else f"finding {finding}"
    for item in document["readings"]:
        state = item.pop("test_leak", None)
        item["note"] = state or item["note"]
    with import_document(json.dumps(document), "a.json", tmp_path / "a.survey") as store:
        assert [r.test_leak for r in store.readings("test leak")].count("connected") == 2
        assert [(s.fitting, s.finding) for s in store.current_steps()] == [("light", None), ("", 1)]


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    with SurveyStore.open(Path(__file__).parents[1] / "fixtures" / "earlier" / "survey.db", read_only=True) as store:
        return to_document(load(store))
