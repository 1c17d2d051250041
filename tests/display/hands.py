"""A player that sees only a terminal's cells and presses only keys."""

from __future__ import annotations

import contextlib
import os
import pty
import re
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from fcntl import ioctl
from pathlib import Path
from typing import Any, ClassVar

import pyte

ROOT = Path(__file__).parents[2]


def end(process: subprocess.Popen[bytes]) -> None:
    """Ask it to end; after 15 s end it."""
    process.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(timeout=15)
    if process.poll() is None:
        process.kill()
        process.wait()


class Cells:
    """A child on a pseudo-terminal; `rows` is what a person would see."""

    def __init__(self, *command: str, size: tuple[int, int] = (53, 20)) -> None:
        master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        clean = {k: v for k, v in os.environ.items() if k not in ("COLORTERM", "NO_COLOR", "LC_ALL", "LC_CTYPE")}
        environ = {"PYTHONPATH": str(ROOT / "firmware_host"), "LANG": "C.UTF-8", "TERM": "xterm-256color"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "earthward", *command],
            stdin=slave, stdout=slave, stderr=slave, env=clean | environ, start_new_session=True,
        )  # fmt: skip
        os.close(slave)
        self._master = master
        self._screen = pyte.Screen(*size)
        self._stream = pyte.ByteStream(self._screen)
        self._lock = threading.Lock()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 65536):
                with self._lock:
                    self._stream.feed(data)

    @property
    def rows(self) -> list[str]:
        with self._lock:
            return list(self._screen.display)

    def text(self) -> str:
        """All of it, spaces folded."""
        return " ".join(" ".join(self.rows).split())

    def foot(self) -> str:
        """The last rows without the keys: notices and what to press now."""
        return " ".join(" ".join(self.rows[-6:-1]).split())

    def press(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def close(self) -> None:
        end(self.process)
        os.close(self._master)


class Player:
    """Does what the last line says. Counts its presses: those for a spot (next, keep) and all others."""

    def __init__(self, cells: Cells, patience_s: float = 90.0, say: Callable[[str], None] = lambda text: None) -> None:
        self.cells = cells
        self.patience_s = patience_s
        self.say = say
        self.spots = 0
        self.spot_presses = 0
        self.other_presses = 0
        self.done: list[str] = []

    def press(self, key: str, what: str = "") -> None:
        if what == "spot":
            self.spot_presses += 1
        else:
            self.other_presses += 1
        self.say(f"[{key}] {what} | {self.cells.foot()}")
        self.send(key, what)

    def send(self, key: str, what: str) -> None:
        self.cells.press(key)

    def wait(self, *texts: str, gone: bool = False, patience_s: float | None = None) -> str:
        """Until one of the texts is seen (or none any more); returns it."""
        end = time.monotonic() + (patience_s or self.patience_s)
        while time.monotonic() < end:
            shown = self.cells.text()
            seen = next((t for t in texts if t in shown), None)
            if gone and seen is None:
                return ""
            if not gone and seen is not None:
                return seen
            assert self.cells.process.poll() is None, "the dashboard ended"
            time.sleep(0.05)
        raise AssertionError(f"never {'gone' if gone else 'seen'}: {texts}\n" + "\n".join(self.cells.rows))

    #: what the last line says -> what is pressed for it
    RULES: ClassVar[tuple[tuple[str, str, str], ...]] = (
        (r"K: enter the level log", "k", "loss"),
        (r"K: look at the whole pool", "k", "water"),
        (r"X: hold the enable", "x", "hold"),
        (r"X: let go of the enable", "x", "let go"),
        (r"K: stray check", "k", "stray"),
        (r"K: cover or plug", "k", "cover"),
        (r"K: test leak", "k", "test leak"),
        (r"K: JOIN", "k", "test leak"),
        (r"K: part the test leak", "k", "test leak"),
        (r"N: (spot done, next: )?(read again after the repair: )?when the pole is", "n", "spot"),
        (r"K: when turned", "k", "spot"),
        # The player has just put the pole into the water, and sees it there.
        (r"K: only if the pole is in the water", "k", "spot"),
        (r"K: dye at finding", "k", "dye"),
        (r"K: finding \d+: repair", "k", "repair"),
        (r"K: finding \d+: compare", "k", "compare"),
        (r"K: write the report", "k", "report"),
    )

    def visit(self, minutes: float = 12.0) -> None:
        """From a cold start to the report."""
        end = time.monotonic() + 60 * minutes
        last = ""
        while time.monotonic() < end:
            assert self.cells.process.poll() is None, "the dashboard ended"
            foot = self.cells.foot()
            if "Done. All is saved in" in foot:
                self.done.append("saved")
                return
            rule = next((r for r in self.RULES if re.search(r[0], foot)), None)
            if rule is None:
                time.sleep(0.1)
                continue
            _, key, what = rule
            self.act(key, what)
            if what != last:
                self.done.append(what)
            last = what
        raise AssertionError("the visit takes too long:\n" + "\n".join(self.cells.rows))

    def act(self, key: str, what: str) -> None:
        before = self.cells.foot()
        if what in ("loss", "water", "cover", "repair"):
            self.press(key, what)
            self.wait("Answer with")
            self.press("k", what)
            self.wait("Answer with", gone=True)
        elif what == "dye":
            self.dye()
        else:
            if what == "spot" and key == "n":
                self.spots += 1
            self.press(key, what)
        # Until the line that was answered has gone; a notice above it is no answer.
        line = next((r for r in self.RULES if re.search(r[0], before)), None)
        end = time.monotonic() + 10
        while line is not None and re.search(line[0], self.cells.foot()) and time.monotonic() < end:
            time.sleep(0.05)

    def dye(self) -> None:
        """Dye is let go while the question is open; what it does is told above the line."""
        self.press("k", "dye")
        self.wait("Answer with")
        self.let_dye_go()
        drawn = self.wait("is drawn in", "stays where it is") == "is drawn in"
        self.press("k" if drawn else "n", "dye")
        self.wait("Answer with", gone=True)

    def let_dye_go(self) -> None:
        self.press("x", "dye")


class Bench:
    """The emulated bench with its daemon as a process of its own: screens come and go, and may die."""

    def __init__(self, seed: int, out: Path, speed: str, folder: Path) -> None:
        self._socket = folder / "socket"
        command = ["demo", "--seed", str(seed), "--out", str(out), "--speed", speed, "--serve", str(self._socket)]
        self._log = open(folder / "bench.log", "wb")  # noqa: SIM115
        self.process = subprocess.Popen(
            [sys.executable, "-m", "earthward", *command],
            stdin=subprocess.DEVNULL, stdout=self._log, stderr=self._log,
            env=os.environ | {"PYTHONPATH": str(ROOT / "firmware_host")},
        )  # fmt: skip
        end = time.monotonic() + 60
        while not self._socket.exists():
            assert self.process.poll() is None and time.monotonic() < end, "the bench did not start"
            time.sleep(0.05)

    def screen(self, size: tuple[int, int] = (53, 20)) -> Cells:
        return Cells("watch", "--connect", str(self._socket), size=size)

    def do(self, act: str) -> None:
        """What a hand does at the pool side."""
        with socket.socket(socket.AF_UNIX) as line:
            line.settimeout(5)
            line.connect(str(self._socket) + ".hands")
            line.sendall(act.encode() + b"\n")
            # The bench closes the line when it has taken the act.
            line.recv(1)

    def close(self) -> None:
        end(self.process)
        self._log.close()


class PoolSidePlayer(Player):
    """The same person beside a real pool: the screen has no hands, so the enable is held by the own one."""

    RULES = (
        *Player.RULES,
        (r"Hold the enable at the pool side", "x", "hold"),
        (r"Let go of the enable", "x", "let go"),
    )

    def __init__(self, cells: Cells, bench: Bench, **more: Any) -> None:
        super().__init__(cells, **more)
        self.bench = bench

    def send(self, key: str, what: str) -> None:
        if key == "x":
            self.bench.do("let go" if what == "let go" else "hold")
        else:
            self.cells.press(key)

    def let_dye_go(self) -> None:
        self.bench.do("dye")


class SwitchPlayer(PoolSidePlayer):
    """With four switches at the pool side and no keyboard: presses close contacts at the daemon's pins."""

    SWITCHES: ClassVar[dict[str, str]] = {"k": "switch keep", "n": "switch next", "m": "switch map", " ": "switch off"}

    def send(self, key: str, what: str) -> None:
        if key == "x":
            super().send(key, what)
        else:
            self.bench.do(self.SWITCHES[key])
