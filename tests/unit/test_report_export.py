"""Exports: each against its own grammar or schema, and back again without loss."""

from __future__ import annotations

import csv
import errno
import importlib.util
import io
import json
import sqlite3
import struct
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from earthward.cli import main
from earthward.errors import InputError
from earthward.pool.pool_file import parse_pool
from earthward.record.reading import KeptReading
from earthward.report.geopackage import write_geopackage
from earthward.report.unified import parse_unified, to_unified
from earthward.survey.contents import Contents, load, utc_seconds, utc_text
from earthward.survey.files.document import FORMAT_VERSION, import_document, schema, to_document, to_text
from earthward.survey.files.readings import import_readings, parse_readings
from earthward.survey.files.tables import data_package, tables_of, write_tables
from earthward.survey.files.whole import write_whole
from earthward.survey.store import SurveyStore

ROOT = Path(__file__).parents[2]


def scenario() -> Any:
    path = ROOT / "tests" / "support" / "invented_survey.py"
    spec = importlib.util.spec_from_file_location("invented_survey", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("survey") / "heron.survey"
    scenario().make_survey(path, locate=False).close()
    return path


@pytest.fixture(scope="module")
def record(survey: Path) -> Contents:
    with SurveyStore.open(survey, read_only=True) as store:
        return load(store)


def test_time_text_round_trips() -> None:
    assert utc_text(1_781_683_200.0) == "2026-06-17T08:00:00.000Z"
    assert utc_seconds(utc_text(1_781_683_200.125)) == pytest.approx(1_781_683_200.125, abs=1e-3)


# ---- CSV with Table Schema ------------------------------------------------------------------------------------


def test_every_column_is_described_and_every_cell_fits(record: Contents, tmp_path: Path) -> None:
    write_tables(record, tmp_path)
    package = json.loads((tmp_path / "datapackage.json").read_text())
    assert package["earthward"]["emulated"] is True
    assert {r["path"] for r in package["resources"]} == {p.name for p in tmp_path.glob("*.csv")}
    for resource in package["resources"]:
        fields = {f["name"]: f for f in resource["schema"]["fields"]}
        rows = list(csv.reader(io.StringIO((tmp_path / resource["path"]).read_bytes().decode())))
        assert rows[0] == list(fields)
        for row in rows[1:]:
            for name, cell in zip(rows[0], row, strict=True):
                check_cell(fields[name], cell)
        for name, field in fields.items():
            assert field["description"]
            for suffix, unit in (("_m", "m"), ("_V", "V"), ("_A", "A"), ("_s", "s"), ("_mm", "mm")):
                if name.endswith(suffix):
                    assert field["unit"] == unit, name


def check_cell(field: dict[str, Any], cell: str) -> None:
    """Table Schema types as the standard words them."""
    if cell == "":
        assert not field.get("constraints", {}).get("required"), field["name"]
        return
    kind = field["type"]
    if kind == "number":
        float(cell)
    elif kind == "integer":
        int(cell)
    elif kind == "boolean":
        assert cell in ("true", "false")
    elif kind == "datetime":
        assert cell.endswith("Z")
        utc_seconds(cell)
    else:
        assert kind == "string"


def test_csv_of_readings_comes_back_bit_for_bit(record: Contents, tmp_path: Path) -> None:
    write_tables(record, tmp_path)
    back = parse_readings((tmp_path / "readings.csv").read_text())
    kept = [r for r in record.readings if r.purpose == "survey"]
    assert len(back) == len(kept) > 100
    for a, b in zip(kept, back, strict=True):
        assert (a.front_m, a.back_m, a.value_V, a.sigma_V) == (b.front_m, b.back_m, b.value_V, b.sigma_V)
        assert (a.station, a.source_id, a.uid, a.injected_A, a.purpose) == (
            b.station, b.source_id, b.uid, b.injected_A, b.purpose,
        )  # fmt: skip
        assert b.time_s == pytest.approx(a.time_s, abs=1e-3)
    pool = parse_pool((tmp_path / "pool.toml").read_text())
    assert [f.name for f in pool.fittings] == [f.name for f in record.fittings]
    assert len(pool.sources) == 2


def test_imported_readings_are_not_doubled(record: Contents, tmp_path: Path) -> None:
    write_tables(record, tmp_path)
    readings = parse_readings((tmp_path / "readings.csv").read_text())
    with SurveyStore.create(tmp_path / "b.survey", name="b", pool_toml=record.pool_toml, emulated=True) as store:
        assert import_readings(store, readings) == len(readings)
        assert import_readings(store, readings) == 0


HEAD = "front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V"
ROW = "1,2,0.5,1.3,2,0.5,1e-4,1e-6"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "is empty"),
        (HEAD, "no reading"),
        (HEAD.replace("sigma_V", "sigma") + "\n" + ROW, "sigma_V is missing"),
        (f"{HEAD}\n{ROW},7", "9 cells for 8 columns"),
        (f"{HEAD}\n" + ROW.replace("1e-4", "NaN"), "line 2: value_V = 'NaN' is no number"),
        (f"{HEAD}\n" + ROW.replace("1e-4", "0,1"), "9 cells"),
        (f"{HEAD}\n" + ROW.replace("1e-6", "0"), "sigma_V must be above zero"),
        (f"{HEAD},purpose\n{ROW},fun", "purpose is one of"),
        (f"{HEAD},source_id\n{ROW},1.5", "no whole number"),
        (f"{HEAD},time_utc\n{ROW},yesterday", "time_utc"),
    ],
)
def test_bad_readings_get_one_sentence(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        parse_readings(text, "R.csv")
    assert "\n" not in str(caught.value)


def test_plain_readings_get_stations_of_their_own() -> None:
    readings = parse_readings(f"# a remark\n{HEAD}\n{ROW}\n{ROW}\n")
    assert [r.station for r in readings] == ["", ""] and [r.row for r in readings] == [1, 2]


# ---- JSON ---------------------------------------------------------------------------------------------------


def test_document_satisfies_the_shipped_schema(record: Contents) -> None:
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(json.loads(to_text(record)), schema())


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d["readings"][0].pop("sigma_V"),
        lambda d: d["readings"][0].update(sigma_V=0),
        lambda d: d["findings"][0]["history"][0].update(stage="perhaps"),
        lambda d: d.update(format_version=FORMAT_VERSION + 1),
        lambda d: d["readings"][0].update(front_m=[1, 2]),
    ],
)
def test_schema_refuses_spoilt_documents(record: Contents, spoil: Any) -> None:
    document = json.loads(to_text(record))
    spoil(document)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(document, schema())


def test_json_comes_back_whole(record: Contents, tmp_path: Path) -> None:
    with import_document(to_text(record), "a.json", tmp_path / "again.survey") as store:
        again = to_document(load(store))
    original = to_document(record)
    for document in (again, original):
        for finding in document["findings"]:
            for stage in finding["history"]:
                stage["result"] = stage["result"] or {}
    assert again == original


def test_json_from_a_later_version_is_refused(record: Contents, tmp_path: Path) -> None:
    document = to_document(record)
    document["format_version"] = FORMAT_VERSION + 1
    with pytest.raises(InputError, match="later version of Earthward"):
        import_document(json.dumps(document), "a.json", tmp_path / "x.survey")
    for text, message in (("{", "no JSON"), ("[]", "no Earthward survey"), ('{"format": "x"}', "no Earthward")):
        with pytest.raises(InputError, match=message):
            import_document(text, "a.json", tmp_path / "x.survey")
    document["format_version"] = FORMAT_VERSION
    del document["readings"][3]["value_V"]
    with pytest.raises(InputError, match=r"readings 4: there is no value_V|readings 4\.value_V: expected"):
        import_document(json.dumps(document), "a.json", tmp_path / "x.survey")
    assert not list(tmp_path.iterdir())


# ---- unified data file ----------------------------------------------------------------------------------------


def test_unified_file_by_its_grammar(record: Contents) -> None:
    electrodes, data = parse_unified(to_unified(record))
    kept = [r for r in record.readings if r.purpose == "survey"]
    assert len(data) == len(kept)
    for row, reading in zip(data, kept, strict=True):
        assert electrodes[int(row["m"]) - 1] == pytest.approx(reading.back_m, abs=1e-6)
        assert electrodes[int(row["n"]) - 1] == pytest.approx(reading.front_m, abs=1e-6)
        source = next(s for s in record.sources if s.source_id == reading.source_id)
        assert electrodes[int(row["a"]) - 1] == pytest.approx(source.position_m, abs=1e-6)
        assert electrodes[int(row["b"]) - 1] == pytest.approx((-2.0, 2.0, 0.0), abs=1e-6)
        assert row["u"] == pytest.approx(reading.value_V, rel=1e-8)
        assert row["i"] == pytest.approx(reading.injected_A, rel=1e-8)
        assert row["r"] == pytest.approx(row["u"] / row["i"], rel=1e-8)
        assert row["err"] * abs(row["u"]) == pytest.approx(reading.sigma_V, rel=1e-5)


def test_unified_grammar_is_enforced(record: Contents) -> None:
    text = to_unified(record)
    for spoilt, message in (
        (text[: len(text) // 2], "ends too early|numbers for the columns"),
        (text.replace("# x y z", "# y x z"), "expected x y z"),
        ("", "ends too early"),
    ):
        with pytest.raises(InputError, match=message):
            parse_unified(spoilt)


# ---- GeoPackage -----------------------------------------------------------------------------------------------


def test_geopackage_has_what_the_standard_asks(record: Contents, tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    write_geopackage(record, path)
    head = path.read_bytes()
    assert head[:16] == b"SQLite format 3\x00" and head[68:72] == b"GPKG"  # requirements 1 and 2
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"  # requirement 6
    assert db.execute("PRAGMA foreign_key_check").fetchall() == []  # requirement 7
    srs = {r[0] for r in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    assert {-1, 0, 4326} <= srs  # requirement 11
    tables = db.execute(
        "SELECT table_name, geometry_type_name, z FROM gpkg_geometry_columns JOIN gpkg_contents USING (table_name)"
    ).fetchall()
    assert {t[0] for t in tables} == {"pool", "fittings", "sources", "readings", "pairs", "findings"}
    code = {"POINT": 1001, "LINESTRING": 1002, "POLYGON": 3}
    for table, geometry, z in tables:
        columns = db.execute(f"PRAGMA table_info({table})").fetchall()
        assert columns[0][1] == "fid" and columns[0][5] == 1  # integer primary key
        assert columns[1][2] == geometry
        bounds = db.execute("SELECT min_x, min_y, max_x, max_y FROM gpkg_contents WHERE table_name=?", (table,))
        min_x, min_y, max_x, max_y = bounds.fetchone()
        for (blob,) in db.execute(f"SELECT geom FROM {table}"):
            assert blob[:2] == b"GP" and blob[2] == 0 and blob[3] == 3
            assert struct.unpack("<i", blob[4:8])[0] == -1
            x0, x1, y0, y1 = struct.unpack("<4d", blob[8:40])
            assert min_x <= x0 <= x1 <= max_x and min_y <= y0 <= y1 <= max_y
            assert (
                blob[40] == 1 and struct.unpack("<I", blob[41:45])[0] == code[geometry] and z == (geometry != "POLYGON")
            )
    count = db.execute("SELECT count(*) FROM readings").fetchone()[0]
    assert count == len(record.readings)
    x, y, height = struct.unpack("<3d", db.execute("SELECT geom FROM findings").fetchone()[0][45:69])
    assert (x, y, -height) == record.findings[0].position_m
    db.close()
    with pytest.raises(InputError, match=r"\.gpkg"):
        write_geopackage(record, tmp_path / "a.db")


# ---- the command ----------------------------------------------------------------------------------------------


def test_command_writes_every_format_and_takes_it_back(
    survey: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind, name in (("csv", "t"), ("json", "a.json"), ("electrode-resistances", "a.ohm"), ("gpkg", "a.gpkg")):
        assert main(["export", str(survey), "--format", kind, "--out", str(tmp_path / name), "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["written"]
        assert (tmp_path / name).exists()
    assert main(["export", str(tmp_path / "j.survey"), "--import", str(tmp_path / "a.json")]) == 0
    assert main(["export", str(tmp_path / "c.survey"), "--import", str(tmp_path / "t" / "readings.csv"),
                 "--pool", str(tmp_path / "t" / "pool.toml"), "--emulated"]) == 0  # fmt: skip
    capsys.readouterr()
    with SurveyStore.open(tmp_path / "c.survey", read_only=True) as store:
        assert store.emulated and len(store.readings()) > 100
    for bad in (
        ["export", str(survey)],
        ["export", str(tmp_path / "none"), "--format", "csv"],
        ["export", str(tmp_path / "d.survey"), "--import", str(tmp_path / "t" / "readings.csv")],
        ["export", str(survey), "--format", "json", "--out", str(tmp_path / "no" / "x.json")],
    ):
        assert main(bad) == 2
        captured = capsys.readouterr()
        assert captured.out == "" and captured.err.count("\n") == 1


def test_files_are_whole_or_absent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "a.txt"
    write_whole(target, "first")
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_whole(target, "second")
    assert target.read_text() == "first" and [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_full_disk_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    log = tmp_path / "months.jsonl"
    monkeypatch.setattr("os.fsync", full)
    command = ["bench", "pair", "--emulated", "1", "--quick", "--serial", "P1", "--results", str(log)]
    assert main(command) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"earthward: {log} cannot be written (No space left on device): make room, or choose another place"
    ]
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OSError, match="make room") as caught:
        write_whole(log, "a line")
    assert caught.value.errno == errno.ENOSPC, "for those who go on without the file"


def test_titles_name_every_table(record: Contents) -> None:
    assert set(tables_of(record)) == {r["name"] for r in data_package(record)["resources"]}


def located(r: KeptReading) -> tuple[Any, ...]:
    """What the search looks at."""
    return r.front_m, r.back_m, r.value_V, r.sigma_V, r.station, r.turn, r.source_id, r.row


@pytest.mark.long
def test_round_trip_gives_the_same_location_result(record: Contents, tmp_path: Path) -> None:
    """Export as CSV and as JSON, import both into new surveys, search in each: the same answer to the last digit."""
    from dataclasses import replace

    from earthward.inversion.locate import locate

    def search(store: SurveyStore) -> tuple[dict[str, Any], list[Any]]:
        pool = load(store).pool
        assert pool is not None
        readings = store.readings("survey")
        return locate(pool, readings, coverage=False, guidance=False).to_json(), readings

    last = {r.station for r in [r for r in record.readings if r.purpose == "survey"][-40:]}
    few = replace(
        record, readings=[r for r in record.readings if r.purpose == "survey" and r.station in last], withdrawn=[],
        location=None,
    )  # fmt: skip
    with SurveyStore.create(
        tmp_path / "a.survey", name="a", pool_toml=record.pool_toml, emulated=True, wall_s=lambda: 1.0
    ) as original:
        import_readings(original, few.readings)
        for fitting in few.fittings:
            original.put_fitting(fitting)
        for source in few.sources:
            original.put_source(source)
        expected, used = search(original)
        first = load(original)
    assert expected["verdict"] == "found" and len(expected["findings"]) == 1

    write_tables(first, tmp_path / "t")
    with SurveyStore.create(
        tmp_path / "b.survey", name="b", pool_toml=(tmp_path / "t" / "pool.toml").read_text(), emulated=True
    ) as second:
        import_readings(second, parse_readings((tmp_path / "t" / "readings.csv").read_text()))
        assert search(second)[0] == expected
    # and `earthward locate` itself takes the two files as they are
    assert len(parse_readings((tmp_path / "t" / "readings.csv").read_text())) == len(first.readings)

    with import_document(to_text(first), "a.json", tmp_path / "c.survey") as third:
        # The same input to the search, so the same output.
        assert [located(r) for r in third.readings("survey")] == [located(r) for r in used]
        assert load(third).pool == first.pool
