"""A practice visit by somebody who sees only the terminal's cells and presses only keys, on the emulated bench."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from tests.bench.test_class import Broker, wait
from tests.display.hands import Cells, Player

from earthward.practice.actions import Dyed, Held, Kept, Looked, SourceOff, SourceOn, StrayChecked
from earthward.practice.result import read_run
from earthward.practice.status import Board

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


def test_two_spots_by_keys_are_judged_and_the_class_sees_them(tmp_path: Path) -> None:
    """No proposals: the pole is where the keys took it. Let go, leave: score, page and result are there. Through a real
    broker the instructor's table has followed, and the page for the browser as well."""
    from earthward.commands.practice_class import BoardLine, page

    out = tmp_path / "practice"
    broker, board = Broker(tmp_path), Board()
    where = f"127.0.0.1:{broker.port}"
    ear = BoardLine(where, "room 1", board)
    cells = Cells("practice", "--grade", "1", "--seed", "1", "--speed", "4", "--out", str(out), "--name", "Ann",
                  "--class", where, "--class-name", "room 1")  # fmt: skip
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
        assert wait(lambda: "Ann" in board.newest and board.newest["Ann"].points is not None, 20)
    finally:
        cells.close()
        ear.close()
        broker.kill()
    run = read_run(out / "practice.json")
    assert run.player == "Ann" and run.tally.holds == 6 and run.tally.skipped == ()
    kinds = [type(a) for a in run.actions]
    assert kinds.index(Looked) < kinds.index(SourceOn) and kinds.index(StrayChecked) < kinds.index(SourceOn)
    assert SourceOff in kinds and Dyed not in kinds
    spots = [a.place.position_m for a in run.actions if isinstance(a, Held)][::3]
    assert len(set(spots)) == 2, "the keys moved the pole between the spots"
    assert sum(isinstance(a, Kept) for a in run.actions) == 12
    # What the class saw: every action, and the score.
    told = board.newest["Ann"]
    assert board.missing("Ann") == [] and (told.holds, told.points) == (6, run.score.points)
    assert len(board.said["Ann"]) == len(run.actions) + 1
    assert "<td>Ann</td>" in page(board, "room 1", True)
    assert "EMULATED truth" in (out / "practice.html").read_text(encoding="utf-8")
