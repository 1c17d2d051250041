"""`earthward bundle`: the same elsewhere to the last bit, private words absent. `compare-world`: what is wrong."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from tests.support.bundle_worlds import Broken, BundleWorld, draw, in_pieces

from earthward.bench.assumptions import Noise, noise_trace
from earthward.bundle import archive, offline
from earthward.cli import main
from earthward.commands import _calibration_file
from earthward.daemon.recorder import Recorder
from earthward.pool.pool_file import format_pool
from earthward.record.calibration import Calibrated, Calibration
from earthward.record.finding import Finding
from earthward.record.place import Fitting, Mark
from earthward.record.visit import CurrentStep, LossTest, Photo, SafetyCheck, SensitivityTest
from earthward.survey.store import SurveyStore

pytestmark = pytest.mark.long
ROOT = Path(__file__).parents[2]
#: A word that nobody else uses, behind a number for each field that a person may type into.
PRIVATE = "Quillfeather"


def private(number: int) -> str:
    return f"{PRIVATE}{number:03d}"


def make_recording(folder: Path, world: BundleWorld, seconds: float | None = None) -> None:
    recorder = Recorder(folder, {**world.header, "software": "0.1.0", "operator": private(1)})
    for note in world.notes:
        recorder.note({**note, "remark": private(2)})
    recorder.note({"kind": "event", "t_s": world.notes[0]["t_s"], "text": private(3)})
    recorder.note({"kind": "kept", "t_s": world.notes[0]["t_s"], "note": private(4)})
    for block in in_pieces(world.block):
        if seconds is None or float(block.t_s[-1]) - float(world.block.t_s[0]) < seconds:
            recorder.samples(block)
    recorder.close()


def make_survey(path: Path, world: BundleWorld) -> None:
    """Every text that a person may type holds a private word."""
    fittings = tuple(msgspec.structs.replace(f, name=f"{f.name} {private(7)}") for f in world.pool.fittings)
    marks = (Mark(name=private(6), position_m=(0.0, 0.0)),)
    pool = replace(world.pool, name=private(5), marks=marks, fittings=fittings)
    toml = f"# {private(8)}\n" + format_pool(pool)
    texts: Any = {"technician": private(10), "owner": private(11), "place": private(12), "survey_id": private(13)}
    with SurveyStore.create(path, name=private(9), pool_toml=toml, emulated=True, software="0.1.0", **texts) as store:
        store.set_meta("marked_steps", {"water": private(14)})
        for fitting in pool.fittings:
            store.put_fitting(Fitting(name=fitting.name, kind=fitting.kind, position_m=fitting.position_m,
                                      note=private(15)))  # fmt: skip
        for source in pool.sources:
            store.put_source(msgspec.structs.replace(source, note=private(16)))
        store.add_settings({"spacing_m": 0.3, "waveform": private(17), "calibration": private(18)})
        store.add_safety_check(SafetyCheck(name=private(19), ok=True, text=private(20)))
        store.add_sensitivity_test(SensitivityTest(ok=True, result={"snr": 5.0, "text": private(21)}))
        for k, reading in enumerate(world.readings):
            store.keep(msgspec.structs.replace(
                reading, station=f"{reading.station} {private(22)}", note=private(23), row=0, uid=f"{private(24)}-{k}",
                turn=f"{private(25)} {reading.turn or k}", flags=(private(26),), covered=("none",)))  # fmt: skip
        store.withdraw(1, private(27), 5.0)
        store.put_finding(Finding(position_m=world.sinks_m[0], number=1, text=private(28), radius_m=0.2))
        store.set_finding_stage(1, "dye not drawn", private(29), None, 1.5)
        store.set_finding_stage(1, "dye drawn", private(30), {"ml": 2.0, "who": private(31)}, 2.0)
        store.add_loss_test(LossTest(moment="before", log_csv=f"# {private(32)}\n", result={"text": private(33)}))
        store.add_current_step(CurrentStep(kind="cover", fitting=pool.fittings[0].name, before_A=2e-3, after_A=1e-3,
                                           before_sigma_A=1e-5, after_sigma_A=1e-5, note=private(34)))  # fmt: skip
        store.add_location({"text": private(35)})
        store.add_note(private(36))
        store.add_photo(Photo(path=f"{private(37)}.jpg", caption=private(38)))
        store.add_event("info", private(39), private(40))


def make_calibration(path: Path) -> None:
    one = Calibrated(value=1.0, sigma=0.01, unit="V/V", method="known divider at the plug", time_s=1.0)
    _calibration_file.write(path, Calibration(kit=private(41), emulated=True, front_end_gain=one))


def few(world: BundleWorld) -> BundleWorld:
    """Three stations of it: each reading is flushed to the disk."""
    return replace(world, readings=world.readings[:18])


def make_bundle(folder: Path, world: BundleWorld, *more: str, seconds: float | None = None) -> Path:
    make_recording(folder / "r", world, seconds)
    make_survey(folder / "survey.db", world)
    make_calibration(folder / "calibration.json")
    truth = folder / "truth.csv"
    rows = [",".join(str(v) for v in (*p, 1e-3 * s)) for p, s in zip(world.sinks_m, world.shares, strict=True)]
    truth.write_text(f"# {private(42)}\nx_m,y_m,z_m,current_A\n" + "\n".join(rows) + "\n")
    out = folder / "visit.zip"
    words = ["bundle", str(out), "--survey", str(folder / "survey.db"), "--recording", str(folder / "r"),
             "--calibration", str(folder / "calibration.json"), "--truth", str(truth), *more]  # fmt: skip
    assert main(words) == 0
    return out


def every_byte(bundle: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(bundle) as archive_:
        return {"the file itself": bundle.read_bytes(), **{n: archive_.read(n) for n in archive_.namelist()}}


def test_private_words_are_absent_when_asked_and_there_otherwise(tmp_path: Path) -> None:
    world = few(draw(1))
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    kept = b"".join(every_byte(make_bundle(tmp_path / "a", world, seconds=6.0)).values()).decode("utf-8", "ignore")
    # The search finds them: each word that a bundle of everything is to hold is there.
    gone_anyway = {42}  # remarks in the truth never go in
    assert [n for n in range(1, 43) if private(n) not in kept and n not in gone_anyway] == []
    public = every_byte(make_bundle(tmp_path / "b", world, "--public", seconds=6.0))
    assert {name: data for name, data in public.items() if PRIVATE.lower().encode() in data.lower()} == {}
    told = json.loads(public["bundle.json"])
    assert told["public"] and "photographs" in told["left_out"]
    # What the search for sinks needs is still there, and still the same.
    document = json.loads(public["survey.json"])
    assert len(document["readings"]) == len(world.readings)
    assert document["readings"][7]["value_V"] == world.readings[7].value_V
    assert len({r["station"] for r in document["readings"]}) == 3


def test_a_bundle_replays_bit_for_bit_in_another_process(tmp_path: Path) -> None:
    bundle = make_bundle(tmp_path, few(draw(2)), "--public", seconds=12.0)
    elsewhere = tmp_path / "elsewhere" / "copy.zip"
    elsewhere.parent.mkdir()
    elsewhere.write_bytes(bundle.read_bytes())
    bundle.unlink()
    environ = os.environ | {"PYTHONPATH": str(ROOT / "firmware_host"), "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    done = subprocess.run([sys.executable, "-m", "earthward", "bundle", str(elsewhere), "--check", "--json"],
                          capture_output=True, text=True, env=environ, timeout=120, cwd=elsewhere.parent)  # fmt: skip
    told = json.loads(done.stdout)
    (one,) = told["replayed"]
    assert done.returncode == 0 and one["bit_for_bit"] is True and one["readings"] > 100
    assert main(["bundle", str(elsewhere), "--unpack", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "recordings" / "0" / "samples.ewc").exists()


def test_the_replay_notices_another_lock_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bundle = make_bundle(tmp_path, few(draw(3)), seconds=8.0)
    monkeypatch.setattr(offline, "UPDATE_S", 0.1)
    assert main(["bundle", str(bundle), "--check"]) == 1
    (found,) = archive.replay(archive.read(bundle))
    assert not found.ok and found.apart > archive.SAME and found.differing


def test_the_same_parts_make_the_same_file(tmp_path: Path) -> None:
    parts = archive.Parts({"survey.json": b"{}"}, {"format": archive.FORMAT})
    archive.write(tmp_path / "a.zip", parts)
    archive.write(tmp_path / "b.zip", parts)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_a_changed_bundle_and_other_files_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "text.zip").write_text("no archive")
    parts = archive.Parts(
        {"survey.json": b"{}"}, {"format": archive.FORMAT, "version": 1, "parts": {"survey.json": "0"}}
    )
    archive.write(tmp_path / "changed.zip", parts)
    archive.write(tmp_path / "later.zip", archive.Parts({}, {"format": archive.FORMAT, "version": 9}))
    archive.write(tmp_path / "bare.zip", archive.Parts({}, {"format": archive.FORMAT, "version": 1, "parts": {}}))
    for words, said in (
        (["bundle", str(tmp_path / "none.zip"), "--check"], "is not there"),
        (["bundle", str(tmp_path / "text.zip"), "--check"], "is no bundle"),
        (["bundle", str(tmp_path / "changed.zip"), "--check"], "was changed after it was made"),
        (["bundle", str(tmp_path / "later.zip"), "--check"], "update it"),
        (["bundle", str(tmp_path / "new.zip"), "--public"], "nothing to put in"),
        (["bundle", str(tmp_path / "new.zip"), "--recording", str(tmp_path)], "is not a recording"),
        (["bundle", str(tmp_path / "new.zip"), "--survey", str(tmp_path / "no.db")], "is not there"),
        (["compare-world", str(tmp_path / "bare.zip")], "holds no survey"),
    ):
        assert main(words) == 2, words
        error = capsys.readouterr().err
        assert said in error and error.count("\n") == 1, error


# ---- compare-world -------------------------------------------------------------------------------------------------


def compared(
    folder: Path, broken: Broken, seed: int, capsys: pytest.CaptureFixture[str], readings: int = 144
) -> dict[str, Any]:
    world = draw(seed, broken)
    world = replace(world, readings=world.readings[:readings])
    bundle = make_bundle(folder, world, "--public", seconds=26.0 if readings < 144 else None)
    capsys.readouterr()
    code = main(["compare-world", str(bundle), "--json"])
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert code == (1 if told["wrong"] else 0)
    return told


def test_a_pole_that_was_moved_is_no_noise() -> None:
    large = Noise(5.0, 200)
    assert noise_trace(large).ok is False and noise_trace(Noise(1.0, 200, moved=True)).ok is True
    visit = noise_trace(large._replace(moved=True))
    assert visit.ok is None and "pole still" in visit.text


def test_a_broken_assumption_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = compared(tmp_path, "current balance", 4, capsys, readings=78)
    assert told["wrong"] == "current balance" and told["emulated"] is True
    assert told["fit"]["balance"] == pytest.approx(0.65, abs=0.1)
    assert [a["name"] for a in told["assumptions"] if a["ok"] is False] == ["current balance"]
    assert len(told["readings"]) == 77  # one was taken back


@pytest.mark.slow
@pytest.mark.parametrize("broken", ["", "pose", "common mode", "noise colour", "current balance"])
def test_worlds(broken: Broken, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    named = []
    for seed in range(500, 510):
        folder = tmp_path / str(seed)
        folder.mkdir()
        named.append(compared(folder, broken, seed, capsys)["wrong"] or "")
    with capsys.disabled():
        print(f"\nbroken {broken or 'nothing'!r}: named {named}")
    assert named.count(broken) >= 9
