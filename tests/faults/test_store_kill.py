"""The survey file after the worst: the process killed at any moment, the log cut at any byte."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from earthward.record.reading import KeptReading
from earthward.survey.store import SurveyStore

# Keeps readings as fast as it can and says on stdout which ones it was told are safe. Started again it first
# repeats the last reading it may not have heard about, as a client does after a lost answer.
WRITER = """
import sys
from earthward.record.finding import Finding
from earthward.record.reading import KeptReading
from earthward.survey.store import SurveyStore
path, first = sys.argv[1], int(sys.argv[2])
store = SurveyStore.open(path)
for i in range(first, first + 1_000_000):
    row = store.keep(KeptReading(front_m=(1.0, i * 1e-3, 0.5), back_m=(1.3, i * 1e-3, 0.5), value_V=i * 1e-9,
                                 sigma_V=1e-6, station=f"S{i // 3}", uid=f"r{i}", time_s=float(i)))
    if i % 7 == 0:
        store.put_finding(Finding(number=i // 7 + 1, position_m=(0.0, 1.0, i * 1e-3)))
        store.add_event("info", "kept", f"r{i}")
    sys.stdout.write(f"{i} {row}\\n")
    sys.stdout.flush()
"""


def kill_rounds(folder: Path, rounds: int, seed: int) -> int:
    """Kill the writer `rounds` times, check the file each time; returns how many readings were acknowledged."""
    rng = random.Random(seed)
    path = folder / "visit.survey"
    SurveyStore.create(path, name="kill", pool_toml="", emulated=True).close()
    acknowledged: dict[int, int] = {}
    next_index = 0
    for _ in range(rounds):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path), str(next_index)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        first = process.stdout.readline()  # it is under way
        time.sleep(rng.uniform(0.0, 0.12))
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read()
        process.wait()
        process.stdout.close()
        for line in (first + rest).splitlines(keepends=True):
            if line.endswith("\n"):
                index, row = map(int, line.split())
                assert acknowledged.setdefault(index, row) == row
        with SurveyStore.open(path, read_only=True) as store:
            kept = store.readings()
            by_uid = {r.uid: r for r in kept}
            assert len(by_uid) == len(kept), "a reading is there twice"
            for index, row in acknowledged.items():
                assert by_uid[f"r{index}"].row == row and by_uid[f"r{index}"].value_V == index * 1e-9
            assert len(kept) - len(acknowledged) in (0, 1), "at most the one that was not yet acknowledged"
            for finding in store.findings():
                assert len(finding.history) == 1, "a finding and its first stage come together"
            assert store._db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        next_index = max(acknowledged) + 1 if acknowledged else 0
    return len(acknowledged)


@pytest.mark.realtime
def test_killed_at_ten_random_moments(tmp_path: Path) -> None:
    assert kill_rounds(tmp_path, 10, seed=1) >= 10


@pytest.mark.realtime
@pytest.mark.slow
def test_killed_at_a_hundred_random_moments(tmp_path: Path) -> None:
    count = kill_rounds(tmp_path, 100, seed=2)
    print(f"100 kills, {count} readings acknowledged, none lost, none doubled")
    assert count >= 100


def test_log_cut_at_any_byte_gives_a_prefix(tmp_path: Path) -> None:
    """Power cut: the tail of the log never reached the disk. What is left opens and is a prefix of what was kept."""
    path = tmp_path / "visit.survey"
    store = SurveyStore.create(path, name="cut", pool_toml="", emulated=True)
    sizes = [0]
    for i in range(8):
        store.keep(
            KeptReading(
                front_m=(1.0, 1.0, 0.5), back_m=(1.3, 1.0, 0.5), value_V=i * 1e-6, sigma_V=1e-6, station="S", uid=str(i)
            )
        )
        sizes.append(os.path.getsize(f"{path}-wal"))
    whole = Path(f"{path}-wal").read_bytes()
    main = path.read_bytes()
    rng = random.Random(3)
    cuts = sorted(
        {0, 1, len(whole), *sizes, *(s - 1 for s in sizes[1:]), *(rng.randrange(len(whole)) for _ in range(60))}
    )
    for cut in cuts:
        folder = tmp_path / f"cut{cut}"
        folder.mkdir()
        (folder / "v.survey").write_bytes(main)
        (folder / "v.survey-wal").write_bytes(whole[:cut])
        with SurveyStore.open(folder / "v.survey") as again:
            uids = [r.uid for r in again.readings()]
            assert uids == [str(i) for i in range(len(uids))]
            assert len(uids) == sum(1 for size in sizes[1:] if size <= cut), "every commit that reached the disk whole"
            again.keep(
                KeptReading(front_m=(1.0, 1.0, 0.5), back_m=(1.3, 1.0, 0.5), value_V=0.0, sigma_V=1e-6, station="S")
            )
        shutil.rmtree(folder)
    store.close()
