"""The survey record: what goes in comes out, nothing is doubled, old files open, later ones are refused."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import shutil
import sqlite3
import threading
from pathlib import Path

import pytest
from msgspec import structs

from earthward.errors import InputError
from earthward.record.finding import NEXT_STAGES, Finding
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, Photo, SafetyCheck, SensitivityTest
from earthward.survey import schema
from earthward.survey.contents import load
from earthward.survey.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION
from earthward.survey.store import SurveyStore

POOL = '[pool]\nname = "Willow Lane"\nshape = "rectangle"\nlength_m = 9.0\nwidth_m = 4.5\n'


def reading(station: str = "S1", value_V: float = 1e-4, **more: object) -> KeptReading:
    return KeptReading(
        front_m=(1.0, 2.0, 0.5),
        back_m=(1.3, 2.0, 0.5),
        value_V=value_V,
        sigma_V=1e-6,
        station=station,
        **more,  # type: ignore[arg-type]
    )


class Wall:
    def __init__(self) -> None:
        self.now = 1_780_000_000.0

    def __call__(self) -> float:
        self.now += 1.0
        return self.now


@pytest.fixture
def store(tmp_path: Path) -> SurveyStore:
    return SurveyStore.create(
        tmp_path / "visit.survey", name="Willow Lane", pool_toml=POOL, emulated=True, units="us", wall_s=Wall()
    )


def test_everything_comes_back_as_it_went_in(store: SurveyStore) -> None:
    store.put_fitting(Fitting(name="light", kind="light", position_m=(4.0, 0.0, 0.6)))
    store.put_fitting(Fitting(name="ladder", kind="ladder", position_m=(8.0, 0.0, 0.4)))
    store.set_covered("light", True)
    store.put_source(Placement(source_id=0, position_m=(1.0, 1.0, 0.5), current_A=0.009))
    store.add_safety_check(
        SafetyCheck(name="mains gradient", ok=True, value=0.004, unit="V/m", limit_value=0.1, text="source off")
    )
    kept = reading(flags=("mains",), injected_A=0.009, quadrature_V=2e-6, snr=100.0, p_sign=1.0, window_s=0.5,
                   lost_fraction=0.01, channel=1, source_id=1, note="by the step", time_s=1_780_000_500.25)  # fmt: skip
    row = store.keep(kept)
    number = store.put_finding(
        Finding(
            number=0, position_m=(6.0, 4.5, 0.9), radius_m=0.15, current_A=6e-4, current_interval_A=(4e-4, 8e-4),
            hole_diameter_mm=(0.8, 3.1), text="long wall",
        )
    )  # fmt: skip
    store.set_finding_stage(number, "dye drawn", "drawn in within 5 s")
    store.set_finding_stage(number, "repaired")
    store.set_finding_stage(number, "re-measured", result={"gone": True, "p": 0.4})
    store.add_loss_test(LossTest(moment="before", log_csv="time,pool_mm\n", result={"leak_L_per_day": 120.0}))
    store.add_current_step(
        CurrentStep(kind="patch", finding=1, before_A=9e-3, before_sigma_A=1e-5, after_A=8.4e-3,
                    after_sigma_A=1e-5, before_V=3.0, after_V=3.2)
    )  # fmt: skip
    store.add_sensitivity_test(
        SensitivityTest(ok=True, result={"ratio": 7.5}, settings_id=store.add_settings({"spacing_m": 0.3}))
    )
    store.add_note("windy")
    store.add_photo(Photo(path="a.jpg", caption="the tear", finding=1))
    store.add_event("caution", "trip", "output went off", "reset at the pool side")
    store.add_location({"findings": [], "weight": math.inf})
    path = store.path
    store.close()

    with SurveyStore.open(path, read_only=True) as again:
        assert again.emulated and again.meta()["units"] == "us" and again.pool_toml() == POOL
        assert [f.name for f in again.fittings()] == ["light", "ladder"]
        assert [f.covered for f in again.fittings()] == [True, False]
        assert again.sources()[0].current_A == 0.009
        assert again.safety_checks()[0].limit_value == 0.1
        got = again.readings()[0]
        assert got == structs.replace(kept, uid=got.uid, row=row)
        finding = again.findings()[0]
        assert finding.stage == "re-measured" and finding.confirmed
        assert [h.stage for h in finding.history] == ["suspected", "dye drawn", "repaired", "re-measured"]
        assert finding.history[-1].result == {"gone": True, "p": 0.4}
        assert finding.current_interval_A == (4e-4, 8e-4) and finding.hole_diameter_mm == (0.8, 3.1)
        assert again.loss_tests()[0].result == {"leak_L_per_day": 120.0}
        step = again.current_steps()[0]
        assert step.drop_A == pytest.approx(6e-4)
        # By hand: conductance 3.000 to 2.625 mS, an eighth; the currents' errors alone make 0.00143.
        assert step.share == pytest.approx(0.125)
        assert 0.00142 < step.share_sigma < 0.01
        assert again.sensitivity_tests()[0].ok and again.settings() == {1: {"spacing_m": 0.3}}
        assert again.notes()[0].text == "windy" and again.photos()[0].caption == "the tear"
        assert again.events()[0].remedy == "reset at the pool side"
        assert again.location() == {"findings": [], "weight": None}


def test_same_uid_is_kept_once(store: SurveyStore) -> None:
    first = store.keep(reading(uid="a"))
    assert store.keep(reading(uid="a", value_V=9.0)) == first
    assert [r.value_V for r in store.readings()] == [1e-4]
    assert store.keep(reading()) != store.keep(reading())


def test_withdrawn_readings_stay_but_do_not_count(store: SurveyStore) -> None:
    row = store.keep(reading())
    store.keep(reading("S2"))
    store.withdraw(row, "pole was knocked")
    assert [r.station for r in store.readings()] == ["S2"]
    assert store.readings(withdrawn=True)[0].withdrawn_why == "pole was knocked"
    with pytest.raises(InputError, match="no reading 99"):
        store.withdraw(99, "")


def test_readings_by_purpose(store: SurveyStore) -> None:
    store.keep(reading())
    store.keep(reading("T", purpose="test leak"))
    store.keep(reading("S1", purpose="re-measure", finding=1))
    assert [r.station for r in store.readings("test leak")] == ["T"]
    assert store.readings("re-measure")[0].finding == 1


def test_unchanged_settings_keep_their_number(store: SurveyStore) -> None:
    one = store.add_settings({"spacing_m": 0.3, "waveform": "coded"})
    assert store.add_settings({"waveform": "coded", "spacing_m": 0.3}) == one
    assert store.add_settings({"waveform": "sine", "spacing_m": 0.3}) == one + 1


@pytest.mark.parametrize("stage", NEXT_STAGES)
def test_every_stage_leads_only_where_the_table_says(store: SurveyStore, stage: str) -> None:
    number = store.put_finding(Finding(number=7, position_m=(0.0, 1.0, 1.0)))
    assert number == 7
    route = {
        "suspected": [],
        "dye drawn": ["dye drawn"],
        "dye not drawn": ["dye not drawn"],
        "repaired": ["dye drawn", "repaired"],
        "re-measured": ["dye drawn", "repaired", "re-measured"],
    }
    for step in route[stage]:
        store.set_finding_stage(7, step)
    for wanted in NEXT_STAGES:
        if wanted not in NEXT_STAGES[stage]:
            with pytest.raises(InputError, match="cannot become"):
                store.set_finding_stage(7, wanted)
    assert store.findings()[0].stage == stage


def test_only_dye_confirms(store: SurveyStore) -> None:
    store.put_finding(Finding(number=1, position_m=(0.0, 1.0, 1.0)))
    store.set_finding_stage(1, "repaired")
    assert not store.findings()[0].confirmed
    store.put_finding(Finding(number=2, position_m=(0.0, 1.0, 1.0)))
    store.set_finding_stage(2, "dye drawn")
    store.set_finding_stage(2, "dye not drawn")
    assert not store.findings()[1].confirmed


def test_updating_a_finding_keeps_its_history(store: SurveyStore) -> None:
    store.put_finding(Finding(number=1, position_m=(0.0, 1.0, 1.0)))
    store.set_finding_stage(1, "dye drawn")
    store.put_finding(Finding(number=1, position_m=(0.1, 1.0, 1.0)))
    assert store.findings()[0].position_m == (0.1, 1.0, 1.0)
    assert store.findings()[0].stage == "dye drawn"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"value_V": math.nan}, "no value"),
        ({"sigma_V": 0.0}, "no uncertainty"),
        ({"front_m": (0.0, math.inf, 0.0)}, "finite coordinates"),
        ({"injected_A": math.nan}, "injected_A"),
    ],
)
def test_unusable_readings_are_refused(store: SurveyStore, change: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        store.keep(structs.replace(reading(), **change))
    assert store.readings() == []


def test_what_cannot_be_changed(store: SurveyStore) -> None:
    with pytest.raises(InputError, match="cannot be changed"):
        store.set_meta("emulated", False)
    store.set_meta("technician", "R. Oduya")
    assert store.meta()["technician"] == "R. Oduya"
    assert store.set_pool_toml(POOL.replace("9.0", "9.2")) == 2
    assert "9.2" in store.pool_toml()
    with pytest.raises(InputError, match="no fitting"):
        store.set_covered("nothing", True)
    with pytest.raises(InputError, match="no finding"):
        store.set_finding_stage(4, "repaired")


def test_read_only_never_writes(store: SurveyStore, tmp_path: Path) -> None:
    store.keep(reading())
    # Open beside the writer: sees what is committed.
    with SurveyStore.open(store.path, read_only=True) as other:
        assert len(other.readings()) == 1
        store.keep(reading("S2"))
        assert len(other.readings()) == 2
        with pytest.raises(InputError, match="reading only"):
            other.keep(reading())
    store.close()
    before = store.path.read_bytes()
    folder = tmp_path / "card"
    folder.mkdir()
    shutil.copy(store.path, folder / "v.survey")
    os.chmod(folder / "v.survey", 0o444)
    os.chmod(folder, 0o555)
    try:
        with SurveyStore.open(folder / "v.survey", read_only=True) as other:
            assert len(other.readings()) == 2
        assert os.listdir(folder) == ["v.survey"]
    finally:
        os.chmod(folder, 0o755)
    assert (folder / "v.survey").read_bytes() == before


def test_closed_survey_is_one_plain_file(store: SurveyStore, tmp_path: Path) -> None:
    store.keep(reading())
    store.close()
    store.close()
    assert sorted(os.listdir(tmp_path)) == ["visit.survey"]


def test_copied_without_closing_still_reads(store: SurveyStore, tmp_path: Path) -> None:
    store.keep(reading())
    away = tmp_path / "away"
    away.mkdir()
    for name in ("visit.survey", "visit.survey-wal"):
        shutil.copy(tmp_path / name, away / name)
    os.chmod(away, 0o555)
    try:
        with SurveyStore.open(away / "visit.survey", read_only=True) as other:
            assert len(other.readings()) == 1
    finally:
        os.chmod(away, 0o755)


def test_many_threads_keep_without_loss(store: SurveyStore) -> None:
    def work(k: int) -> None:
        for i in range(20):
            store.keep(reading(f"{k}-{i}"))

    threads = [threading.Thread(target=work, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    rows = store.readings()
    assert len(rows) == 80 and len({r.station for r in rows}) == 80
    assert [r.row for r in rows] == sorted(r.row for r in rows)


# ---- files from elsewhere -------------------------------------------------------------------------------------


def old_file(path: Path, version: int) -> None:
    """A file as an earlier version wrote it: the first `version` steps of the schema, filled by plain SQL."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for step in MIGRATIONS[:version]:
        db.executescript(step)
    db.execute(f"PRAGMA user_version = {version}")
    for key, value in {"id": "x", "name": "Old", "emulated": False, "units": "si", "created_s": 1.0}.items():
        db.execute("INSERT INTO meta VALUES (?, ?)", (key, json.dumps(value)))
    db.execute("INSERT INTO pool(at_s, toml) VALUES (1, ?)", (POOL,))
    db.execute(
        "INSERT INTO reading(uid, at_s, station, source_id, channel, front_x_m, front_y_m, front_z_m, back_x_m, "
        "back_y_m, back_z_m, value_V, sigma_V) VALUES ('u1', 5, 'S1', 0, 0, 1, 2, .5, 1.3, 2, .5, 2e-4, 1e-6)"
    )
    if version in (3, 4):
        db.execute(
            "INSERT INTO current_step(at_s, kind, subject, source_id, before_A, before_sigma_A, after_A, "
            "after_sigma_A) VALUES (7, 'cover', 'light', 0, 0.01, 1e-5, 0.009, 1e-5), "
            "(8, 'patch', 'finding 12', 0, 0.01, 1e-5, 0.009, 1e-5)"
        )
        db.execute(
            "INSERT INTO reading(uid, at_s, station, source_id, channel, front_x_m, front_y_m, front_z_m, back_x_m, "
            "back_y_m, back_z_m, value_V, sigma_V, purpose, note) VALUES "
            "('t1', 5, 'T1', 0, 0, 1, 2, .5, 1.3, 2, .5, 2e-4, 1e-6, 'test leak', 'connected')"
        )
    db.execute("INSERT INTO finding(number, at_s, x_m, y_m, z_m) VALUES (1, 6, 1, 2, 1)")
    db.execute("INSERT INTO finding_stage(finding, at_s, stage) VALUES (1, 6, 'suspected')")
    db.close()


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION))
@pytest.mark.parametrize("read_only", [False, True])
def test_older_files_are_brought_forward(tmp_path: Path, version: int, read_only: bool) -> None:
    path = tmp_path / "old.survey"
    old_file(path, version)
    before = path.read_bytes()
    with SurveyStore.open(path, read_only=read_only) as store:
        kept = store.readings()[0]
        assert (kept.uid, kept.value_V, kept.purpose, kept.withdrawn_s) == ("u1", 2e-4, "survey", None)
        assert store.findings()[0].stage == "suspected" and store.loss_tests() == [] and store.sensitivity_tests() == []
        if version in (3, 4):
            assert [(s.fitting, s.finding) for s in store.current_steps()] == [("light", None), ("", 12)]
            assert [(r.test_leak, r.note) for r in store.readings("test leak")] == [("connected", "")]
            step = store.current_steps()[0]
            assert step.before_V is None and step.share == pytest.approx(0.1), "an old step has no voltages"
        if not read_only:
            store.set_finding_stage(1, "dye drawn", result={"seconds": 4})
            store.keep(reading(purpose="re-measure", finding=1))
    if read_only:
        assert path.read_bytes() == before
    else:
        with SurveyStore.open(path) as store:
            assert len(store.readings()) == (3 if version in (3, 4) else 2)
        db = sqlite3.connect(path)
        assert db.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_VERSION
        db.close()


def test_later_files_are_refused_with_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "later.survey"
    old_file(path, SCHEMA_VERSION)
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    db.close()
    before = path.read_bytes()
    for read_only in (True, False):
        with pytest.raises(InputError, match=rf"later version of Earthward \(format {SCHEMA_VERSION + 1}"):
            SurveyStore.open(path, read_only=read_only)
    assert path.read_bytes() == before


def test_foreign_files_are_refused(tmp_path: Path) -> None:
    text = tmp_path / "a.txt"
    text.write_text("hello")
    other = tmp_path / "b.db"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE t(x)")
    db.close()
    for path, message in ((text, "not an SQLite"), (other, "no Earthward survey"), (tmp_path / "no", "not there")):
        with pytest.raises(InputError, match=message):
            SurveyStore.open(path)


def test_create_refuses_to_overwrite_and_leaves_no_litter(store: SurveyStore, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="exists already"):
        SurveyStore.create(store.path, name="x", pool_toml=POOL, emulated=False)
    with pytest.raises(InputError, match="no folder"):
        SurveyStore.create(tmp_path / "none" / "x", name="x", pool_toml=POOL, emulated=False)
    store.close()
    assert os.listdir(tmp_path) == ["visit.survey"]


def test_flush_settings_are_the_durable_ones(store: SurveyStore) -> None:
    assert store._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert store._db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL


def test_medium_that_nobody_can_write(store: SurveyStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a write-protected card, whoever runs the tests (root may write everywhere, so it is acted)."""
    from earthward.survey import opening as module

    store.keep(reading())
    real = module._connect
    calls: list[str] = []

    def refuse_in_place(uri: str) -> sqlite3.Connection:
        calls.append(uri)
        if len(calls) == 1:
            raise sqlite3.OperationalError("attempt to write a readonly database")
        return real(uri)

    monkeypatch.setattr(module, "_connect", refuse_in_place)
    with SurveyStore.open(store.path, read_only=True) as other:  # with its log: a copy is read
        assert len(other.readings()) == 1
        copy = Path(calls[-1].split("?")[0].removeprefix("file:"))
        assert copy.exists() and copy.parent != store.path.parent
    assert not copy.exists()
    store.close()
    monkeypatch.setattr("os.access", lambda *_: False)
    calls.append("")
    with SurveyStore.open(store.path, read_only=True) as other:  # closed: read in place, never written
        assert len(other.readings()) == 1 and "immutable=1" in calls[-1]


def test_a_full_disk_is_one_sentence_and_loses_nothing(store: SurveyStore) -> None:
    """SQLite's own limit on pages answers as a full disk does."""
    store.keep(reading(uid="a"))
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(InputError, match=r"cannot be written .*full.*make room.*safe"):
        for _ in range(1000):
            store.add_note("x" * 1000)
    assert [r.uid for r in store.readings()] == ["a"]
    store._db.execute("PRAGMA max_page_count = 100000")
    store.add_note("there is room again")
    assert store.notes()[-1].text == "there is room again"


def test_a_new_field_of_a_struct_is_a_new_column_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file of yesterday gains the column, keeps its rows, and gives the default for them."""

    class Tomorrow(KeptReading, frozen=True, kw_only=True):
        wind_m_per_s: float | None = None
        weather: str = "not said"
        marks: tuple[str, ...] = ()

    path = tmp_path / "s.survey"
    with SurveyStore.create(path, name="a", pool_toml=POOL, emulated=True) as store:
        store.keep(reading())
    table = schema.Table("reading", Tomorrow, key="row", numbered=True)
    monkeypatch.setattr(schema, "READING", table)
    monkeypatch.setattr(schema, "TABLES", (table, *schema.TABLES[1:]))
    with SurveyStore.open(path, read_only=True) as store:
        assert store.readings()[0].weather == "not said"  # type: ignore[attr-defined]
    with SurveyStore.open(path) as store:
        new = Tomorrow(
            **structs.asdict(reading("S2")), wind_m_per_s=3.5, weather="rain", marks=("a", "b"),
        )  # fmt: skip
        store.keep(new)
        one, two = store.readings()
        assert (one.wind_m_per_s, one.weather, one.marks) == (None, "not said", ())  # type: ignore[attr-defined]
        assert two == structs.replace(new, row=2, uid=two.uid, time_s=two.time_s)


def test_a_damaged_cell_costs_its_row_only_and_is_said(store: SurveyStore) -> None:
    for station in ("S1", "S2", "S3"):
        store.keep(reading(station))
    for change in ("value_V = 'much'", "flags = '[1'", "purpose = 'fun'", "front_x_m = NULL, station = x'ff'"):
        path = store.path
        store.close()
        db = sqlite3.connect(path)
        db.execute("PRAGMA writable_schema = ON")
        with contextlib.suppress(sqlite3.IntegrityError):
            db.execute(f"UPDATE reading SET {change} WHERE row = 2")
            db.commit()
        db.close()
        store = SurveyStore.open(path, read_only=True)
        assert [r.station for r in store.readings()] == ["S1", "S3"]
        assert [d for d in store.damaged if "row 2 of reading" in d], store.damaged


@pytest.mark.long
def test_a_damaged_file_is_one_sentence_never_a_failure(tmp_path: Path) -> None:
    """Bits flipped and ends cut off at random: it opens with what is left, or says what is wrong."""
    whole = (Path(__file__).parents[1] / "fixtures" / "earlier" / "survey.db").read_bytes()
    draw = random.Random(5)
    refused = 0
    for trial in range(120):
        data = bytearray(whole[: draw.randrange(1, len(whole))] if trial % 3 == 0 else whole)
        for _ in range(0 if trial % 3 == 0 else draw.choice((1, 30, 1000))):
            data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
        path = tmp_path / f"{trial}.db"
        path.write_bytes(data)
        try:
            with SurveyStore.open(path, read_only=trial % 2 == 0) as store:
                load(store)
                if not store.read_only and trial % 5 == 0:
                    store.keep(reading())
        except InputError as error:
            refused += 1
            assert "\n" not in str(error)
    assert 20 < refused < 120
