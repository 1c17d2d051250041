"""The real program on a real pseudo-terminal: what bytes reach the console."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import wave
from fcntl import ioctl
from pathlib import Path

import pytest
from tests.display import fake_feed
from tests.display.fake_feed import FakeDaemon

pytestmark = pytest.mark.realtime
ROOT = Path(__file__).parents[2]


class Terminal:
    """A child on a pty, its output collected by a thread."""

    def __init__(self, *command: str, size: tuple[int, int] = (53, 20), **environ: str) -> None:
        master, slave = pty.openpty()
        ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self.before = termios.tcgetattr(slave)
        clean = {k: v for k, v in os.environ.items() if k not in ("COLORTERM", "NO_COLOR", "LC_ALL", "LC_CTYPE")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "earthward", *command],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=clean | {"PYTHONPATH": str(ROOT / "firmware_host"), "LANG": "C.UTF-8"} | environ,
            start_new_session=True,
        )
        self.master, self.slave = master, slave
        self.output = b""
        self._leaving = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        # A blocked read would keep the terminal open after it was closed here: look first, and never for long.
        with contextlib.suppress(OSError):
            while not self._leaving.is_set():
                if select.select([self.master], [], [], 0.1)[0]:
                    data = os.read(self.master, 65536)
                    if not data:
                        return
                    self.output += data

    async def shows(self, text: str, patience_s: float = 60.0) -> None:
        async with asyncio.timeout(patience_s):
            while text.encode() not in self.output:
                assert self.process.poll() is None, self.output[-500:]
                await asyncio.sleep(0.05)

    async def ended(self, patience_s: float = 30.0) -> int:
        async with asyncio.timeout(patience_s):
            while self.process.poll() is None:
                await asyncio.sleep(0.05)
        return int(self.process.returncode)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.hang_up()

    def hang_up(self) -> None:
        """The window is closed, the login lost."""
        self._leaving.set()
        self._reader.join()
        os.close(self.slave)
        os.close(self.master)


async def keep_feeding(daemon: FakeDaemon) -> None:
    n = 0
    while True:
        n += 1
        daemon.say(fake_feed.reading(n, 123e-6))
        if n % 4 == 0:
            daemon.say(fake_feed.state())
        await asyncio.sleep(0.05)


@contextlib.asynccontextmanager
async def visit(tmp_path: Path):
    daemon = FakeDaemon(tmp_path / "d.sock")
    await daemon.start()
    task = asyncio.create_task(keep_feeding(daemon))
    try:
        yield daemon
    finally:
        task.cancel()
        await daemon.stop()


def colour_codes(output: bytes) -> set[str]:
    """Every parameter of every SGR sequence, with the arguments of 38 and 48 kept together."""
    codes = set()
    for parameters in re.findall(rb"\x1b\[([0-9;:]*)m", output):
        words = parameters.decode().replace(":", ";").split(";")
        i = 0
        while i < len(words):
            n = 1
            if words[i] in ("38", "48") and i + 1 < len(words):
                n = 5 if words[i + 1] == "2" else 3
            codes.add(";".join(words[i : i + n]))
            i += n
    return codes


@pytest.mark.parametrize("theme", ["daylight", "night", "mono"])
async def test_linux_console_gets_only_sixteen_colours_and_safe_glyphs(tmp_path: Path, theme: str) -> None:
    async with visit(tmp_path) as daemon:
        # COLORTERM may leak from a shell that was started under an emulator: the console still has 16 colours.
        terminal = Terminal(
            "watch", "--connect", str(daemon.path), "--theme", theme, TERM="linux", COLORTERM="truecolor"
        )
        try:
            await terminal.shows("TOWARD ONE RING")
            os.write(terminal.master, b"m")
            await terminal.shows("leaks: 1")
            os.write(terminal.master, b"mmmm")
            await terminal.shows("Nobody in the water")
            os.write(terminal.master, b"q")
            assert await terminal.ended() == 0
        finally:
            terminal.close()
        allowed = {"", "0", "1", "7", "22", "27", "39", "49"}
        allowed |= {str(k) for base in (30, 40, 90) for k in range(base, base + 8)}
        assert colour_codes(terminal.output) <= allowed
        if theme == "mono":
            assert not {c for c in colour_codes(terminal.output) if c[:1] in "349" and c not in ("39", "49")}
        else:
            assert any(c.startswith("4") for c in colour_codes(terminal.output))
        text = re.sub(r"\x1b(\[[0-9;?<>=]*[A-Za-z]|[()][A-Z0-9]|\][^\x07]*\x07|[=>78])", "", terminal.output.decode())
        from earthward.display.glyphs import SAFE

        assert set(text) - set("\r\n\x1b") <= SAFE


async def test_killed_politely_the_terminal_is_left_as_it_was(tmp_path: Path) -> None:
    async with visit(tmp_path) as daemon:
        terminal = Terminal("watch", "--connect", str(daemon.path), TERM="xterm-256color")
        try:
            await terminal.shows("TOWARD ONE RING")
            assert termios.tcgetattr(terminal.slave)[3] != terminal.before[3]
            terminal.process.send_signal(signal.SIGTERM)
            assert await terminal.ended() == 0
            assert termios.tcgetattr(terminal.slave)[3] == terminal.before[3]
            assert b"\x1b[?1049l" in terminal.output
        finally:
            terminal.close()


async def test_keys_reach_the_page_a_lone_escape_too(tmp_path: Path) -> None:
    """The key thread sleeps until the terminal has something; an escape that nothing follows must not wait for more."""
    async with visit(tmp_path) as daemon:
        terminal = Terminal("watch", "--connect", str(daemon.path), TERM="xterm-256color")
        try:
            await terminal.shows("TOWARD ONE RING")
            f2 = b"\x1bOQ"
            for key, answer in ((b"h", "louder"), (b"\x1b", "TOWARD ONE RING"), (f2, "leaks: 1")):
                terminal.output = b""
                os.write(terminal.master, key)
                await terminal.shows(answer)
            ioctl(terminal.master, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
            terminal.output = b""
            terminal.process.send_signal(signal.SIGWINCH)
            await terminal.shows("\x1b[24;1H")
            os.write(terminal.master, b"q")
            assert await terminal.ended() == 0
            assert termios.tcgetattr(terminal.slave)[3] == terminal.before[3]
        finally:
            terminal.close()


async def test_terminal_gone_the_dashboard_ends(tmp_path: Path) -> None:
    """A closed window or a lost login must not leave a dashboard behind."""
    async with visit(tmp_path) as daemon:
        terminal = Terminal("watch", "--connect", str(daemon.path), TERM="xterm-256color")
        await terminal.shows("TOWARD ONE RING")
        terminal.hang_up()
        try:
            await terminal.ended()
        finally:
            if terminal.process.poll() is None:
                terminal.process.kill()


async def test_killed_hard_the_daemon_goes_on(tmp_path: Path) -> None:
    async with visit(tmp_path) as daemon:
        terminal = Terminal("watch", "--connect", str(daemon.path), TERM="xterm-256color")
        try:
            await terminal.shows("TOWARD ONE RING")
            terminal.process.kill()
            await terminal.ended()
            async with asyncio.timeout(20):
                while daemon.clients:
                    await asyncio.sleep(0.02)
        finally:
            terminal.close()
        second = Terminal("watch", "--connect", str(daemon.path), TERM="xterm-256color")
        try:
            await second.shows("TOWARD ONE RING")
        finally:
            second.close()


async def test_wav_of_what_was_heard(tmp_path: Path) -> None:
    import numpy as np

    wav = tmp_path / "cue.wav"
    async with visit(tmp_path) as daemon:
        terminal = Terminal("watch", "--connect", str(daemon.path), "--wav", str(wav), TERM="xterm-256color")
        try:
            await terminal.shows("TOWARD ONE RING")
            started = time.monotonic()
            while time.monotonic() - started < 2.0:
                await asyncio.sleep(0.1)
            os.write(terminal.master, b"q")
            assert await terminal.ended() == 0
        finally:
            terminal.close()
    with wave.open(str(wav)) as read:
        samples = np.frombuffer(read.readframes(read.getnframes()), dtype="<i2").astype(float)
        rate = read.getframerate()
    assert samples.size > rate
    tail = samples[-rate // 2 :]
    spectrum = np.abs(np.fft.rfft(tail * np.hanning(tail.size)))
    peak_Hz = float(np.argmax(spectrum)) * rate / tail.size
    from earthward.devices.cue import pitch_of

    assert peak_Hz == pytest.approx(pitch_of(123e-6 / 0.3, "front"), rel=0.01)


def test_without_a_terminal_one_sentence_and_exit_2() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "earthward", "watch"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT / "firmware_host")},
        timeout=120,
    )
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert "terminal" in done.stderr
