"""EMULATED pool, source board and technician behind the devices of a virtual Pi.

The converter and the pins are the kernel's (`virtual_receiver`), the board's cable is a USB serial adapter whose other
end is a virtio port: the daemon finds what it finds on a Pi. Commands, one a line, over a Unix socket: `enable 1`,
`stop 0`, `hold X Y Z BEARING`, `lift`, `reset`, `restart`, `current`. Each is answered with one line.
"""

from __future__ import annotations

import os
import socket
import struct
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from earthward.clock import SystemClock
from earthward.emulated.bench import BenchPins, Technician
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.head import EmulatedHead
from earthward.emulated.pool import VirtualPool
from earthward.emulated.scenario import Scenario

CABLE = "/dev/virtio-ports/board"
WATER = "/dev/virtual-water"
CONTACTS = "/dev/virtual-contacts"
SOCKET = "/run/virtual-world"
#: struct state of the module
STATE = struct.Struct("<QqQQQIIII")
AHEAD = struct.Struct("<QII")
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)
INPUTS: tuple[tuple[int, int | None], ...] = (
    (0, 1),
    (0, 3),
    (1, 3),
    (2, 3),
    (0, None),
    (1, None),
    (2, None),
    (3, None),
)
#: how far ahead codes are written: what the technician does shows that much later
AHEAD_S, EVERY_S = 0.15, 0.05


class BoardOnACable(EmulatedBoard):
    """The emulated board at the far end of a USB cable that the kernel plugs and unplugs, not we.

    It calls itself a real one: the daemon rightly refuses an emulated board on real parts, and here it shall take all
    that it finds for real."""

    def __init__(self, clock: SystemClock, pool: VirtualPool, scenario: Scenario) -> None:
        super().__init__(
            clock, pool, rate_error=scenario.board_rate_error, wander=scenario.board_wander, seed=scenario.seed
        )
        self._identity = replace(self._identity, emulated=0)

    def replug(self) -> None:
        with self._lock:
            if self._master < 0:
                self._master = os.open(CABLE, os.O_RDWR | os.O_NONBLOCK)
        self._poke()

    def unplug(self) -> None:
        with self._lock:
            if self._master >= 0:
                os.close(self._master)
            self._master = -1
        self._poke()


class Water:
    """Keeps the module supplied with what the converter will read."""

    def __init__(self, scenario: Scenario, pool: VirtualPool, clock: SystemClock) -> None:
        self._voltage = pool.pair(0)
        self._scenario = scenario
        self._clock = clock
        self._draw = np.random.default_rng(scenario.seed)
        self._file = os.open(WATER, os.O_RDWR)
        self._written: tuple[int, int, int] = (-1, -1, -1)
        self.starved = 0
        self.missed = 0
        self.fetched = 0

    def run(self) -> None:
        while True:
            self.once()
            time.sleep(EVERY_S)

    def once(self) -> None:
        at, end_ns, self.starved, self.fetched, _, config, generation, period_ns, self.missed = STATE.unpack(
            os.pread(self._file, STATE.size, 0)
        )
        if not period_ns:
            return
        until_generation, pool_generation, until = self._written
        first = at
        if (until_generation, pool_generation) == (generation, self._voltage.generation) and until > at:
            first = until
        begin_s = end_ns / 1e9 if end_ns else self._clock.now()
        count = at + int(AHEAD_S / (period_ns / 1e9)) + 2 - first
        if count <= 0:
            return
        seen = self._voltage.generation
        codes = self._codes(begin_s + (first - at) * period_ns / 1e9, period_ns / 1e9, config, count)
        os.write(self._file, AHEAD.pack(first, generation, count) + codes.tobytes())
        self._written = (generation, seen, first + count)

    def _codes(self, end_s: float, period_s: float, config: int, count: int) -> Any:
        positive, negative = INPUTS[(config >> 12) & 7]
        lsb = FULL_SCALE_V[(config >> 9) & 7] / 32768
        ends = end_s + period_s * np.arange(count, dtype=np.float64)
        volts = self._voltage.mean_V(positive, negative, ends - period_s, ends)
        noise = max(self._scenario.noise_V, 0.35 * lsb)
        volts = volts + self._scenario.adc_offset_V + noise * self._draw.standard_normal(count)
        return np.clip(np.rint(volts / lsb), -32768, 32767).astype("<i2")


class World:
    """Has what `Technician` wants of a bench."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.clock = SystemClock()
        self.pins = BenchPins()
        self.pool = VirtualPool(scenario, self.clock)
        self.board = BoardOnACable(self.clock, self.pool, scenario)
        self.board.battery_V = scenario.battery_V
        self.head = EmulatedHead(scenario, self.clock)
        self.pool.connect(self.board.timeline, self.board.drive)
        self.water = Water(scenario, self.pool, self.clock)
        self.technician = Technician(self)  # type: ignore[arg-type]

    def drive_contact(self, pin: int, closed: bool) -> None:
        Path(CONTACTS).write_text(f"{pin} {0 if closed else 1}")

    def begin(self) -> None:
        self.drive_contact(self.pins.emergency_stop, True)
        self.drive_contact(self.pins.enable, False)
        self.board.start()
        threading.Thread(target=self.water.run, name="water", daemon=True).start()

    def obey(self, line: str) -> str:
        word, *rest = line.split()
        hands = self.technician
        acts: dict[str, Callable[[], object]] = {
            "enable": lambda: hands.press_enable() if rest[0] == "1" else hands.release_enable(),
            "stop": lambda: hands.close_stop() if rest[0] == "1" else hands.open_stop(),
            "hold": lambda: hands.hold((float(rest[0]), float(rest[1]), float(rest[2])), float(rest[3])),
            "lift": hands.lift_out,
            "reset": hands.press_reset,
            "restart": hands.restart_board,
            "live": lambda: self.board.live,
            "on": lambda: self.board.energised,
            "converter": lambda: f"{self.water.fetched} {self.water.missed} {self.water.starved}",
        }
        if word not in acts:
            return f"unknown: {line}"
        return str(acts[word]())


def main() -> None:
    scenario = Scenario.random(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
    world = World(scenario)
    world.begin()
    Path(SOCKET).unlink(missing_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
        server.bind(SOCKET)
        server.listen(8)
        os.chmod(SOCKET, 0o666)
        while True:
            peer, _ = server.accept()
            with peer, peer.makefile("rw") as lines:
                for line in lines:
                    lines.write(world.obey(line.strip()) + "\n")
                    lines.flush()


if __name__ == "__main__":
    main()
