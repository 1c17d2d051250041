"""A class on a real broker (Debian package mosquitto): every status arrives, also when the broker dies meanwhile."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest

from earthward.errors import InputError
from earthward.practice.actions import Ended, Held, SourceOff, SourceOn
from earthward.practice.status import REPEATED, Board, Progress, table
from earthward.record.place import Station

HOLD = Station(position_m=(1.0, 1.0, 0.5), bearing_deg=0.0, name="S1")


def broker_program() -> str:
    pytest.importorskip("paho.mqtt.client", reason="needs the package paho-mqtt")
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if found is None:
        pytest.skip("needs the Debian package mosquitto")
    return found


class Broker:
    """mosquitto on a port of its own; it can be killed and started again."""

    def __init__(self, folder: Path) -> None:
        self._program = broker_program()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self._config = folder / "broker.conf"
        self._config.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\nlog_type all\n")
        self.log = folder / "broker.log"
        self.start()

    def start(self) -> None:
        with open(self.log, "ab") as log:
            self._process = subprocess.Popen([self._program, "-v", "-c", str(self._config)], stdout=log, stderr=log)
        end = time.monotonic() + 10
        while time.monotonic() < end:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError("the broker did not start")

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()


def wait(until, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if until():
            return True
        time.sleep(0.02)
    return bool(until())


def run_class(folder: Path, players: int, statuses: int, gap_s: float, dead: tuple[int, int]) -> tuple[Board, str]:
    """`players` tell `statuses` each, `gap_s` apart; the broker is dead between those two rounds."""
    from earthward.commands.practice_class import BoardLine, PlayerLine

    broker = Broker(folder)
    where = f"127.0.0.1:{broker.port}"
    board = Board()
    ear = BoardLine(where, "room 1", board)
    assert wait(lambda: ear.connected, 10)
    names = [f"player {k + 1}" for k in range(players)]
    lines = {name: PlayerLine(where, "room 1", name) for name in names}
    progress = {name: Progress("room 1", name, 1, 1) for name in names}
    try:
        for round_ in range(statuses):
            if round_ == dead[0]:
                broker.kill()
            if round_ == dead[1]:
                broker.start()
            began = time.monotonic()
            for name in names:
                lines[name].tell(progress[name].after(Held(t_s=float(round_), place=HOLD)))
            time.sleep(max(0.0, gap_s - (time.monotonic() - began)))
        whole = wait(lambda: all(len(board.said.get(n, {})) == statuses for n in names), 30)
        assert whole, {n: board.missing(n) for n in names if n in board.newest}
        assert all(line.close() for line in lines.values())
    finally:
        ear.close()
        broker.kill()
    return board, broker.log.read_text(errors="replace")


def judge(board: Board, log: str, players: int, statuses: int) -> None:
    assert len(board.newest) == players
    assert all(board.missing(name) == [] and len(board.said[name]) == statuses for name in board.newest)
    subscribers = {
        line.split(" from ")[1].split("-")[0] for line in log.splitlines() if "Received SUBSCRIBE from" in line
    }
    assert subscribers == {"board"}, "a player listens to nothing"


@pytest.mark.long
def test_a_small_class_and_a_broker_that_dies(tmp_path: Path) -> None:
    """Real time, some four seconds: three players, the broker away for half of them."""
    judge(*run_class(tmp_path, 3, 20, 0.08, (6, 12)), 3, 20)


@pytest.mark.slow
@pytest.mark.realtime
def test_twenty_players_for_ten_minutes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A status a second each; the broker is killed after four minutes and back after fifteen seconds."""
    board, log = run_class(tmp_path, 20, 600, 1.0, (240, 255))
    judge(board, log, 20, 600)
    with capsys.disabled():
        print(f"\n{len(board.newest)} players, {sum(len(s) for s in board.said.values())} statuses, none missing")


def test_what_was_lost_comes_with_the_next_ones() -> None:
    progress = Progress("c", "p", 2, 3)
    statuses = [progress.after(Held(t_s=60.0 * k, place=HOLD)) for k in range(30)]
    board = Board()
    board.take(statuses[0])
    board.take(statuses[REPEATED - 1])
    assert board.missing("p") == []
    board.take(statuses[0])
    assert board.newest["p"].number == REPEATED, "a late one changes nothing"
    board.take(progress.after(Ended(t_s=1.0)))
    assert board.missing("p") == [], "31 repeats 12 to 31"
    other = Board()
    other.take(progress.judged(88.0))
    assert other.missing("p") == list(range(1, 32 - REPEATED + 1))
    other.take(statuses[0])
    assert other.newest["p"].number == 1 and other.missing("p") == [], "after a judged visit the next one begins"


def test_the_table_shows_who_is_where() -> None:
    progress = Progress("c", "Ann", 2, 3)
    board = Board()
    for action in (SourceOn(t_s=0.0), Held(t_s=60.0, place=HOLD)):
        board.take(progress.after(action))
    assert "Ann     2-3   1.0  1      0    0      ON      pole held" in table(board.rows())
    board.take(progress.after(SourceOff(t_s=61.0)))
    board.take(progress.judged(91.5))
    assert "off" in table(board.rows()) and "91.5" in table(board.rows())


@pytest.mark.parametrize("name", ["", "a/b", "#", "x" * 41])
def test_names_that_would_be_other_topics(name: str) -> None:
    with pytest.raises(InputError, match="cannot be a player's name"):
        Progress("c", name, 1, 1)


def test_addresses() -> None:
    from earthward.commands.practice_class import address

    assert address("pool.example") == ("pool.example", 1883)
    assert address("10.0.0.2:2883") == ("10.0.0.2", 2883)
    with pytest.raises(InputError, match="no broker's address"):
        address("host:port")
