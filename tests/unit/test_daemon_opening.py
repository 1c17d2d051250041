"""Which survey a daemon works on after a restart, and that it works alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.support.quick_daemon import POOL, quick_config

from earthward.daemon.lock import FolderLock
from earthward.daemon.opening import SAME_DAY_S, open_visit
from earthward.errors import InputError


def test_todays_survey_is_gone_on_with_until_its_report_is_written(tmp_path: Path) -> None:
    config = quick_config(tmp_path)
    pool = tmp_path / "pool.toml"
    pool.write_text(POOL)
    now = [1.8e9]

    def begin(new: bool = False) -> Path:
        visit = open_visit(config, None, str(pool), lambda: now[0], begin_new=new)
        assert visit is not None
        path = visit.store.path
        visit.store.close()
        return path

    # The store takes the machine's own calendar for its beginning; the visit's is the test's.
    first_visit = open_visit(config, None, str(pool), lambda: now[0])
    assert first_visit is not None
    first = first_visit.store.path
    now[0] = float(first_visit.store.meta()["created_s"]) + 60.0
    first_visit.step_done("dye", "none drawn")
    first_visit.store.close()
    assert begin() == first, "a restart goes on"
    now[0] -= 7200.0
    assert begin() == first, "also when the clock has stepped back"
    assert begin(new=True) != first, "unless a new one is asked for"
    now[0] += 7200.0 + SAME_DAY_S
    third = begin()
    assert third != first, "yesterday's is over"
    other = tmp_path / "other.toml"
    other.write_text(POOL.replace("quick pool", "another pool"))
    visit = open_visit(config, None, str(other), lambda: now[0])
    assert visit is not None and visit.store.path not in (first, third), "another pool is another survey"
    visit.store.close()


def test_a_finished_survey_is_not_gone_on_with(tmp_path: Path) -> None:
    config = quick_config(tmp_path)
    pool = tmp_path / "pool.toml"
    pool.write_text(POOL)
    visit = open_visit(config, None, str(pool), lambda: 0.0)
    assert visit is not None
    visit.step_done("report", "written")
    visit.store.close()
    again = open_visit(config, None, str(pool), lambda: 0.0)
    assert again is not None and again.store.path != visit.store.path
    again.store.close()


def test_two_daemons_do_not_work_in_one_folder(tmp_path: Path) -> None:
    with FolderLock(tmp_path / "data"), pytest.raises(InputError, match="another daemon works in"):
        FolderLock(tmp_path / "data").__enter__()
    with FolderLock(tmp_path / "data"):
        pass
