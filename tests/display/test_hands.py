"""The whole visit by somebody who sees only the terminal's cells and presses only keys, on the emulated bench.

Nothing here reads the daemon's messages or the record: what the player knows stands on the screen. Only the verdict on
how well it went looks at the files that were left, and at the truth.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import math
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.display.hands import Bench, Cells, Player, PoolSidePlayer, SwitchPlayer

from earthward.emulated.scenario import Scenario
from earthward.survey.store import SurveyStore

pytestmark = pytest.mark.realtime
#: Of the bench, as many times real time. With four, three visits side by side take a slow machine of two cores whole.
SPEED = "2"
PRESSES_A_SPOT, PRESSES_BESIDE = 4.0, 60
#: What a complete report names.
REPORT_SAYS = (
    "What could still hide",
    "What remains to be done",
    "Measured again: the current into it is gone",
    "Test leak",
)


@contextlib.contextmanager
def demo(seed: int, out: Path, size: tuple[int, int] = (53, 20)) -> Iterator[Player]:
    cells = Cells("demo", "--seed", str(seed), "--out", str(out), "--speed", SPEED, size=size)
    try:
        yield Player(cells)
    finally:
        cells.close()


@contextlib.contextmanager
def bench(seed: int, out: Path, speed: str) -> Iterator[Bench]:
    """The bench with its daemon, for screens that come and go."""
    pool_side = Bench(seed, out / "visit", speed, out)
    try:
        yield pool_side
    finally:
        pool_side.close()


def log_page(player: Player) -> str:
    player.press("\x1b[17~", "to Log")  # F6
    player.wait(" Log ")
    time.sleep(0.5)
    return player.cells.text()


def told(seed: int, player: Player, minutes: float) -> str:
    return (
        f"seed {seed}: {player.spots} spots, {player.spot_presses / max(player.spots, 1):.1f} presses a spot, "
        f"{player.other_presses} besides, {minutes:.1f} min of bench time at most"
    )


def judge(seed: int, visit: Path, player: Player) -> float:
    """How far from the leak the repaired place is (m): within a quarter of a metre, gone after the repair, the report
    complete, few presses."""
    leaks = [leak.position_m for leak in Scenario.random(seed, fittings=3).leaks]
    with SurveyStore.open(visit / "survey.db", read_only=True) as store:
        repaired = [f for f in store.findings() if any(h.stage == "repaired" for h in f.history)]
        assert len(repaired) == len(leaks)
        away = [min(math.dist(finding.position_m, leak) for leak in leaks) for finding in repaired]
        assert max(away) <= 0.25
        for finding in repaired:
            assert finding.stage == "re-measured"
            assert (finding.history[-1].result or {}).get("outcome") == "gone"
        assert store.loss_tests() and store.sensitivity_tests()
        assert store.meta()["report_written"]
    assert player.spot_presses <= PRESSES_A_SPOT * player.spots
    assert player.other_presses <= PRESSES_BESIDE
    html = next((visit / "report").glob("*.html")).read_text(encoding="utf-8")
    assert (visit / "report" / "report.pdf").read_bytes().startswith(b"%PDF")
    for words in REPORT_SAYS:
        assert words in html, words
    return max(away)


#: Whole visits of every test run. Not seed 4, whose leak is missed in every other visit: it is among the slow ones.
ALWAYS = (1, 3, 10)
#: Real minutes that such a visit may take: one or two are usual, five on a machine that is busy all the time.
MINUTES_AT_MOST = 8.0


def whole_visit(seed: int, out: Path, minutes_at_most: float = 15.0) -> str:
    """From a cold start to the report, in so many real minutes; what it took."""
    with demo(seed, out) as player:
        began = time.monotonic()
        player.visit(minutes=minutes_at_most)
        minutes = (time.monotonic() - began) * float(SPEED) / 60
        end = time.monotonic() + 20
        while "EMULATED truth" not in log_page(player) and time.monotonic() < end:
            player.cells.press("\x1bOP")
        assert "from the nearest place found" in player.cells.text()
    away = judge(seed, out / "visit", player)
    return f"{told(seed, player, minutes)}, {away:.2f} m from the leak"


def test_whole_visits(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Side by side: each alone waits most of the time for its bench's clock.

    Hands and noise are drawn anew each time. In about one visit of ten the place that is found first is a second, wrong
    mode of how the pole was held, dye there shows nothing, and the visit ends without a repair: one of the three may be
    made once more, and both are told.
    """
    missed = []
    with concurrent.futures.ThreadPoolExecutor(len(ALWAYS)) as pool:
        visits = {pool.submit(whole_visit, seed, tmp_path / str(seed), MINUTES_AT_MOST): seed for seed in ALWAYS}
        for visit in concurrent.futures.as_completed(visits):
            try:
                told = visit.result()
            except AssertionError as error:
                missed.append(visits[visit])
                told = f"seed {visits[visit]}: MISSED ({str(error).splitlines()[0]})"
            with capsys.disabled():
                print(f"\n{told}")
    assert len(missed) <= 1
    for seed in missed:
        again = whole_visit(seed, tmp_path / "again", MINUTES_AT_MOST)
        with capsys.disabled():
            print(f"\n{again}, at the second try")


@pytest.mark.slow
@pytest.mark.parametrize("seed", [k for k in range(1, 21) if k not in ALWAYS])
def test_the_whole_visit(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = whole_visit(seed, tmp_path)
    with capsys.disabled():
        print(f"\n{text}")


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 6))
def test_the_whole_visit_by_four_switches(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On the smallest screen, through the contacts of the daemon's emulated pins: no keyboard is there."""
    with bench(seed, tmp_path, SPEED) as pool_side:
        cells = pool_side.screen((40, 13))
        try:
            player = SwitchPlayer(cells, pool_side)
            began = time.monotonic()
            player.visit(minutes=15)
            minutes = (time.monotonic() - began) * float(SPEED) / 60
        finally:
            cells.close()
    away = judge(seed, tmp_path / "visit", player)
    with capsys.disabled():
        print(f"\nfour switches: {told(seed, player, minutes)}, {away:.2f} m from the leak")


def test_a_player_who_makes_mistakes_loses_nothing(tmp_path: Path) -> None:
    """Wrong keys, the enable let go in the middle of a spot, a direction taken back, one read in air, a screen that
    dies, somebody who leaves and comes back: always a line that says how to go on, and nothing is lost."""
    with bench(2, tmp_path, SPEED) as pool_side:
        cells = pool_side.screen()
        try:
            player = PoolSidePlayer(cells, pool_side)
            until_first_spot(player)
            for key in ("n", "z", "9", "\x1b"):  # already here; a sound; a digit that opens a form; out of it
                player.press(key, "wrong key")
            player.wait("K: when turned: ACROSS")
            player.press("x", "let go")
            player.wait("Hold the enable", "K: look at the whole pool")
            assert "skipped" not in cells.text()
            again_on(player)
            player.wait("K: when turned: ACROSS")
            player.press("u", "take back")
            player.wait("K: when turned: as the place says")
            player.press("k", "spot")
            player.wait("K: when turned: ACROSS")
            pool_side.do("lift out")
            player.press("k", "spot")
            player.wait("is the pole in the water")
            pool_side.do("put in")
            player.wait("K: when turned: UPRIGHT")
            cells.process.kill()
            cells.close()
            cells = player.cells = pool_side.screen()
            player.wait("K: when turned: UPRIGHT")
            player.press("x", "let go")
            player.press("q", "leave")
            cells.process.wait(timeout=20)
            cells.close()
            time.sleep(3)
            cells = player.cells = pool_side.screen()
            player.wait("Hold the enable", "K: look at the whole pool")
            again_on(player)
            player.wait("K: when turned: UPRIGHT")
            player.press("k", "spot")
            player.wait("N: spot done")
        finally:
            cells.close()
    with SurveyStore.open(tmp_path / "visit" / "survey.db", read_only=True) as store:
        turns = [(r.turn, r.source_id) for r in store.readings("survey")]
        assert sorted(turns) == sorted((t, e) for t in ("along", "across", "upright") for e in (0, 1))
        withdrawn = [r for r in store.readings("survey", withdrawn=True) if r.withdrawn_s is not None]
        assert [r.turn for r in withdrawn] == ["along", "along"]
        assert all(r.withdrawn_why == "taken back by hand" and not r.note for r in withdrawn)
        assert not store.loss_tests() or store.loss_tests()[0].result["text"]
        assert "marked_steps" not in store.meta()


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
