"""What a person enters: level logs, details, taking back, and which spots are read again after a repair."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from tests.unit.test_visit import WELL, begin, place, reading

from earthward.errors import InputError
from earthward.record.finding import Finding
from earthward.survey import by_hand


def test_three_numbers_are_a_level_log(tmp_path: Path) -> None:
    """20 mm in 24 h beside a bucket's 5 mm: 15 mm on 32 m2 are 480 litres (1 mm on 1 m2 is one litre)."""
    visit = begin(tmp_path / "s.db")
    by_hand.enter_levels(visit, "before", "", 24.0, 20.0, 5.0)
    (test,) = visit.store.loss_tests()
    assert test.result["leak_L_per_day"] == pytest.approx(480.0, rel=0.05)
    assert next(s for s in visit.steps(WELL) if s.key == "loss").status == "done"


def test_the_level_log_lies_beside_the_survey_or_its_place_is_told(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    with pytest.raises(InputError, match=r"levels\.csv cannot be read"):
        by_hand.enter_levels(visit, "before", "", None, None, None)
    text = "# area_m2: 32\ntime_h,pool_below_mm,bucket_below_mm\n0,0,0\n24,20,5\n"
    (tmp_path / "levels.csv").write_text(text)
    by_hand.enter_levels(visit, "before", "", None, None, None)
    assert len(visit.store.loss_tests()) == 1


def test_details_and_pictures_come_from_files_once(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    (tmp_path / "details.toml").write_text('owner = "An invented owner"\naddress = "3 Heron Court"\nnotes = ["one"]\n')
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "light.jpg").write_bytes(b"\xff\xd8\xff" + bytes(100))
    said = by_hand.read_details(visit.store)
    assert "owner" in said and "1 picture." in said
    assert visit.store.meta()["owner"] == "An invented owner"
    by_hand.read_details(visit.store)
    assert len(visit.store.notes()) == 1 and len(visit.store.photos()) == 1
    (tmp_path / "details.toml").write_text("ownr = 3\n")
    with pytest.raises(InputError, match=r"details\.toml"):
        by_hand.read_details(visit.store)


def with_finding(tmp_path: Path):
    visit = begin(tmp_path / "s.db")
    for k, x in enumerate((2.0, 3.0, 7.5)):
        at = msgspec.structs.replace(place(x), name=f"S{k + 1}")
        visit.keep(at, reading(t_s=float(k)), turn="along")
        visit.keep(msgspec.structs.replace(at, bearing_deg=180.0), reading(t_s=k + 0.5), turn="across")
    number = visit.store.put_finding(Finding(position_m=(2.5, 2.0, 1.4)))
    return visit, number


def test_a_stage_taken_back_stays_in_the_history_and_confirms_nothing(tmp_path: Path) -> None:
    visit, number = with_finding(tmp_path)
    visit.set_stage(number, "dye drawn")
    assert visit.store.findings()[0].confirmed
    by_hand.take_back_stage(visit, number)
    (finding,) = visit.store.findings()
    assert finding.stage == "suspected" and not finding.confirmed
    assert [h.stage for h in finding.history] == ["suspected", "dye drawn", "suspected"]
    assert finding.history[-1].note == "taken back: dye drawn"
    visit.set_stage(number, "dye drawn")
    assert visit.store.findings()[0].confirmed


def test_spots_near_a_repair_are_read_again_once_each_held_as_before(tmp_path: Path) -> None:
    visit, number = with_finding(tmp_path)
    assert by_hand.to_read_again(visit) is None
    visit.set_stage(number, "dye drawn")
    visit.set_stage(number, "repaired")
    seen = []
    for k in range(3):
        again = by_hand.to_read_again(visit)
        if again is None:
            break
        assert again[0] == number
        # Along, as the spot was begun: not across, which was read after it.
        assert again[1].bearing_deg == pytest.approx(90.0)
        seen.append(again[1].name)
        visit.keep(again[1], reading(t_s=50.0 + k), purpose="re-measure", finding=number, turn="along")
    assert sorted(seen) == ["S1", "S2"]


def test_where_the_spots_cannot_tell_the_nearest_are_asked_for_once_more(tmp_path: Path) -> None:
    visit, number = with_finding(tmp_path)
    visit.set_stage(number, "dye drawn")
    visit.set_stage(number, "repaired")

    def read(t_s: float) -> list[str]:
        seen = []
        while (again := by_hand.to_read_again(visit)) is not None:
            seen.append(again[1].name)
            visit.keep(again[1], reading(t_s=t_s + len(seen)), purpose="re-measure", finding=number, turn="along")
        return seen

    first = read(50.0)
    assert sorted(first) == ["S1", "S2"]
    assert by_hand.undecided(visit, number)
    assert by_hand.undecided(visit, number), "asked again before anything more was read"
    assert read(80.0) == [f"{name} again" for name in first]
    assert not by_hand.undecided(visit, number), "two more cannot tell either: it stays at that"


def test_where_no_spot_is_near_a_patch_nobody_is_asked_for_more(tmp_path: Path) -> None:
    """Asking without an end would leave the finding "repaired" for ever."""
    visit, _ = with_finding(tmp_path)
    number = visit.store.put_finding(Finding(position_m=(5.0, 0.0, 1.4)))
    visit.set_stage(number, "dye drawn")
    visit.set_stage(number, "repaired")
    assert by_hand.to_read_again(visit) is None
    assert not by_hand.undecided(visit, number)


def test_a_skipped_step_can_be_taken_back(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    visit.step_done("loss", "skipped by hand")
    assert next(s for s in visit.steps(WELL) if s.key == "loss").status == "skipped"
    visit.unmark("loss")
    assert next(s for s in visit.steps(WELL) if s.key == "loss").status in ("to do", "now")


def test_spots_alone_are_no_survey(tmp_path: Path) -> None:
    visit = begin(tmp_path / "s.db")
    for k in range(8):
        visit.keep(msgspec.structs.replace(place(0.5 + 0.8 * k), name=f"S{k}"), reading(t_s=float(k)))
    step = next(s for s in visit.steps(WELL) if s.key == "survey")
    assert step.status != "done" and step.text.startswith("8 spots")
