"""A practice visit by somebody who sees only the terminal's cells and presses only keys, on the emulated bench."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from tests.display.hands import Cells, Player

from earthward.practice.actions import Dyed, Held, Kept, Looked, SourceOff, SourceOn, StrayChecked
from earthward.practice.result import read_run

pytestmark = [pytest.mark.realtime, pytest.mark.slow]


def until_spots(player: Player, spots: int, moves: str) -> None:
    """By the line, and before each spot the pole is moved by keys."""
    end = time.monotonic() + 420
    while time.monotonic() < end:
        foot = player.cells.foot()
        rule = next((r for r in player.RULES if re.search(r[0], foot)), None)
        if rule is None:
            time.sleep(0.1)
            continue
        if rule[1:] == ("n", "spot"):
            if player.spots == spots:
                return
            for key in moves:
                player.cells.press({"r": "\x1b[C", "u": "\x1b[A", "d": "\x1b[B"}[key])
                time.sleep(0.3)
        player.act(*rule[1:])
    raise AssertionError("never so many spots:\n" + "\n".join(player.cells.rows))


def test_two_spots_by_keys_are_judged(tmp_path: Path) -> None:
    """No proposals: the pole is where the keys took it. Let go, leave: score, page and result are there."""
    out = tmp_path / "practice"
    cells = Cells("practice", "--grade", "1", "--seed", "1", "--speed", "4", "--out", str(out), "--name", "Ann")
    try:
        player = Player(cells)
        until_spots(player, 2, "rru")
        player.press("x", "let go")
        player.wait("Hold the enable", "X: hold the enable", "K: look at the whole pool")
        player.press("q", "leave")
        end = time.monotonic() + 180
        while not (out / "practice.html").exists() and time.monotonic() < end:
            time.sleep(0.2)
        cells.process.wait(timeout=30)
    finally:
        cells.close()
    run = read_run(out / "practice.json")
    assert run.player == "Ann" and run.tally.holds == 6 and run.tally.skipped == ()
    kinds = [type(a) for a in run.actions]
    assert kinds.index(Looked) < kinds.index(SourceOn) and kinds.index(StrayChecked) < kinds.index(SourceOn)
    assert SourceOff in kinds and Dyed not in kinds
    spots = [a.place.position_m for a in run.actions if isinstance(a, Held)][::3]
    assert len(set(spots)) == 2, "the keys moved the pole between the spots"
    assert sum(isinstance(a, Kept) for a in run.actions) == 12
    assert "EMULATED truth" in (out / "practice.html").read_text(encoding="utf-8")
