"""Flight records: numbered, bounded in number; the supply's flags in words."""

from __future__ import annotations

import json
from pathlib import Path

from earthward.daemon.flight import MOST_FILES, store
from earthward.devices.supply import THROTTLED, supply_flags


def test_the_newest_files_stay(tmp_path: Path) -> None:
    paths = [store(tmp_path / "flights", json.dumps(n).encode()) for n in range(MOST_FILES + 3)]
    there = sorted((tmp_path / "flights").iterdir())
    assert there == paths[3:], "the three oldest are gone, and no number is used twice"
    assert json.loads(there[-1].read_text()) == MOST_FILES + 2


def test_the_supplys_flags_in_words(tmp_path: Path) -> None:
    path = tmp_path / THROTTLED
    path.parent.mkdir(parents=True)
    path.write_text("50005\n")
    found = supply_flags(tmp_path)
    assert found.flags == [
        "under-voltage now", "throttled now", "under-voltage since start", "throttled since start",
    ]  # fmt: skip
    path.write_text("0\n")
    assert supply_flags(tmp_path).flags == []
    path.write_text("nonsense\n")
    assert supply_flags(tmp_path).flags is None
    assert supply_flags(tmp_path / "elsewhere").flags is None
