"""The whole visit by somebody who sees only the terminal's cells and presses only keys, on the emulated bench.

Nothing here reads the daemon's messages or the record: what the player knows stands on the screen. Only the verdict on
how well it went looks at the files that were left.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.display.hands import ROOT, Cells, Player

pytestmark = pytest.mark.realtime
SPEED = "3"
PRESSES_A_SPOT, PRESSES_BESIDE = 4.0, 60


@contextlib.contextmanager
def demo(seed: int, out: Path, size: tuple[int, int] = (53, 20)) -> Iterator[Player]:
    cells = Cells("demo", "--seed", str(seed), "--out", str(out), "--speed", SPEED, size=size)
    try:
        yield Player(cells)
    finally:
        cells.close()


def log_page(player: Player) -> str:
    player.press("\x1b[17~", "to Log")  # F6
    player.wait(" Log ")
    time.sleep(0.5)
    return player.cells.text()


def test_from_a_cold_start_to_the_first_spot(tmp_path: Path) -> None:
    """Level log, safety, enable, test leak and one spot in three directions: always a line that says what to press."""
    with demo(1, tmp_path) as player:
        end = time.monotonic() + 240
        while player.spots < 2 and time.monotonic() < end:
            foot = player.cells.foot()
            rule = next((r for r in player.RULES if re.search(r[0], foot)), None)
            if rule is None:
                assert player.cells.process.poll() is None
                time.sleep(0.1)
                continue
            player.act(*rule[1:])
        assert player.spots == 2, "\n".join(player.cells.rows)
        # Next, and one press after each of two turns; the second spot has only been begun.
        assert player.spot_presses == 4
        assert player.other_presses <= 12
    assert (tmp_path / "visit" / "survey.db").exists()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 21))
def test_the_whole_visit(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with demo(seed, tmp_path) as player:
        began = time.monotonic()
        player.visit(minutes=15)
        minutes = (time.monotonic() - began) * float(SPEED) / 60
        beside = player.other_presses
        end = time.monotonic() + 20
        while "EMULATED truth" not in (text := log_page(player)) and time.monotonic() < end:
            player.press("\x1bOP")
        with capsys.disabled():
            print(
                f"\nseed {seed}: {player.spots} spots, {player.spot_presses / player.spots:.1f} presses a spot, "
                f"{beside} besides, {minutes:.1f} min of bench time at most"
            )
        found = re.search(r"deep: ([\d.]+) m from the nearest place found", text)
        assert found is not None, text
        assert float(found[1]) <= 0.25
        assert player.spot_presses <= PRESSES_A_SPOT * player.spots
        assert beside <= PRESSES_BESIDE
    report = list((tmp_path / "visit" / "report").glob("*.html"))
    assert report, "no report was written"
    export = subprocess.run(
        [sys.executable, "-m", "earthward", "export", str(tmp_path / "visit" / "survey.db"), "--format", "json"],
        capture_output=True, text=True, env={"PYTHONPATH": str(ROOT / "firmware_host"), "PATH": "/usr/bin:/bin"},
        cwd=tmp_path, timeout=120,
    )  # fmt: skip
    assert export.returncode == 0, export.stderr


def test_a_player_who_makes_mistakes_loses_nothing(tmp_path: Path) -> None:
    """Wrong keys, the enable let go in the middle of a spot, a direction taken back and read again."""
    with demo(2, tmp_path) as player:
        until_first_spot(player)
        player.press("n", "wrong key")  # already here
        player.press("z", "wrong key")
        player.press("9", "wrong key")
        player.press("\x1b", "leave the form")
        player.wait("K: when turned")
        player.press("x", "let go too early")
        player.wait("X: hold the enable", "K: look at the whole pool")
        assert "skipped" not in player.cells.text()
        again_on(player)
        player.wait("K: when turned")
        player.press("u", "take back")
        player.wait("K: when turned: as the place says", "K: when turned: UPRIGHT")
        player.press("k", "spot")
        player.wait("K: when turned: ACROSS", "K: when turned: as the place says (2 of 3)")
        player.press("k", "spot")
        player.wait("(3 of 3)")
        player.press("k", "spot")
        player.wait("N: Spot done")
        assert "taken back" in log_page(player).lower()


def until_first_spot(player: Player) -> None:
    end = time.monotonic() + 240
    while player.spots < 1 and time.monotonic() < end:
        foot = player.cells.foot()
        rule = next((r for r in player.RULES if re.search(r[0], foot)), None)
        if rule is None:
            time.sleep(0.1)
            continue
        player.act(*rule[1:])
    assert player.spots == 1


def again_on(player: Player) -> None:
    end = time.monotonic() + 120
    while "ENERGISED" not in player.cells.rows[0] and time.monotonic() < end:
        foot = player.cells.foot()
        rule = next((r for r in player.RULES if re.search(r[0], foot) and r[2] in ("water", "hold")), None)
        if rule is None:
            time.sleep(0.1)
            continue
        player.act(*rule[1:])
    assert "ENERGISED" in player.cells.rows[0]
