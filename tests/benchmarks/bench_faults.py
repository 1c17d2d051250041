#!/usr/bin/env python3
"""Pull, kill, freeze, stick: how long the output stays on afterwards. EMULATED source board, the real daemon.

    python tests/benchmarks/bench_faults.py                 every fault once, table printed
    python tests/benchmarks/bench_faults.py --only cable    one fault
    python tests/benchmarks/bench_faults.py --repeat 3      the worst of three
    python tests/benchmarks/bench_faults.py --firmware      the board is its real firmware on a virtual chip
                                                            (first: make -C hardware/source_board)

The emulated source board lives in this process, on a pseudo-terminal, with 1 kohm as water. With --firmware the end of
its output is the edge at the chip's pin, by its cycle. The daemon (with emulated
converter and pool-side contacts of its own) runs in a child process, so that it can be killed and stopped. Times are
between the fault and the end of the board's output, on the machine's monotonic clock; the second time is when the
daemon's interlock had named the cause.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from earthward.clock import SystemClock
from earthward.devices.protocol import ResetCause
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.firmware_board import FirmwareBoard
from earthward.emulated.load import ResistorLoad
from earthward.emulated.virtual_mcu import Build, find_build
from earthward.errors import InputError

# ---- the child: the daemon --------------------------------------------------------------------------------------


async def _daemon(port: str, folder: Path) -> None:
    """The whole daemon with its own emulated converter and contacts; the source board is somewhere else."""
    import msgspec

    from earthward.config import Config
    from earthward.daemon.life import Daemon
    from earthward.daemon.wiring import SUPERVISED_S, make_receiver, wire
    from earthward.devices.source import SourceLink
    from earthward.emulated.bench import EmulatedBench
    from earthward.emulated.scenario import Scenario
    from earthward.safety.limits import Limits
    from earthward.safety.stray import StrayMeasurement, judge

    clock = SystemClock()
    scenario = Scenario.random(1)
    config = Config()
    config = msgspec.structs.replace(
        config,
        service=msgspec.structs.replace(config.service, socket=str(folder / "socket"), record=False),
        pins=msgspec.structs.replace(config.pins, buzzer=None),
    )
    loop = asyncio.get_running_loop()
    with EmulatedBench(scenario, clock) as bench:
        link = SourceLink(port, clock, supervised_s=SUPERVISED_S, expect_emulated=True)
        receiver = make_receiver(config, bench.i2c, clock, bench.pin_factory)
        wiring = wire(config, clock, receiver, link, emulated=True, pin_factory=bench.pin_factory)
        daemon = Daemon(config, wiring)
        supervisor = daemon.supervisor
        await daemon.start()

        def command(line: str) -> None:
            word = line.strip()
            if word == "prepare":
                # The check itself has tests of its own: here it is taken as made.
                supervisor.set_stray(judge(StrayMeasurement(clock.now(), 0.001, 0.01, 0.01, 0.01, 2), Limits()))
                supervisor.state_water_clear("fault bench")
            elif word in ("enable", "release"):
                bench.drive_contact(bench.pins.enable, word == "enable")
            elif word in ("stop", "unstop"):
                bench.drive_contact(bench.pins.emergency_stop, word == "unstop")
            elif word == "adc":
                bench.technician.unplug_adc()
            elif word == "adc back":
                bench.technician.replug_adc()
            elif word == "off":
                supervisor.request_stop()
            elif word == "withdraw":
                supervisor.withdraw_water_clear()
            elif word == "end":
                daemon.end()
                ended.set()

        ended = asyncio.Event()

        def read() -> None:
            for line in sys.stdin:
                loop.call_soon_threadsafe(command, line)
            loop.call_soon_threadsafe(command, "end")

        threading.Thread(target=read, daemon=True).start()
        told: object = None
        while not ended.is_set():
            state = supervisor.state
            now = (state.name, state.trip.code if state.trip else state.stop_code)
            if now != told:
                told = now
                text = supervisor.view().text
                print(json.dumps({"t": time.monotonic(), "state": now[0], "code": now[1], "text": text}), flush=True)
            await asyncio.sleep(0.005)
        await daemon.close()


# ---- the parent: the board and the faults ----------------------------------------------------------------------


class NotReady(RuntimeError):
    """The bench could not be brought to energised: no fault can be measured."""


class FaultBench:
    """A board here (emulated, or the real firmware on a virtual chip), the daemon there, both brought to energised."""

    def __init__(self, load_ohm: float = 1000.0, firmware: Build | None = None) -> None:
        self.folder = tempfile.TemporaryDirectory(prefix="earthward-faults-")
        self.clock = SystemClock()
        load, path = ResistorLoad(load_ohm), str(Path(self.folder.name) / "source")
        self.board: EmulatedBoard | FirmwareBoard
        if firmware is None:
            self.board = EmulatedBoard(self.clock, load, path=path)
        else:
            self.board = FirmwareBoard(self.clock, load, build=firmware, path=path)
        self.offs: list[float] = []
        self.states: list[dict[str, Any]] = []
        self._changed = threading.Condition()
        self.board.timeline.listeners.append(self._output_changed)
        self.board.start()
        self.log = (Path(self.folder.name) / "daemon.log").open("w+", encoding="utf-8")
        self.process = subprocess.Popen(
            [sys.executable, __file__, "--daemon", self.board.port, self.folder.name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self.log,
            text=True,
            env={
                **os.environ,
                "PYTHONPATH": str(ROOT / "firmware_host"),
                "OPENBLAS_NUM_THREADS": "1",
            },
        )
        threading.Thread(target=self._listen, daemon=True).start()

    def _output_changed(self) -> None:
        # `from_s` is the moment at the output on the machine's own clock: for the firmware its pin's edge.
        segment = self.board.timeline.segments()[-1]
        if not segment.on:
            self.offs.append(segment.from_s)

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with self._changed:
                self.states.append(json.loads(line))
                self._changed.notify_all()

    def tell(self, word: str) -> None:
        assert self.process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.write(word + "\n")
            self.process.stdin.flush()

    def wait_state(self, name: str, timeout_s: float, after_s: float = 0.0) -> dict[str, Any] | None:
        """The first state of that name told after a moment, or None."""

        def found() -> dict[str, Any] | None:
            return next((s for s in self.states if s["state"] == name and s["t"] >= after_s), None)

        with self._changed:
            self._changed.wait_for(lambda: found() is not None, timeout_s)
            return found()

    def wait_off(self, after_s: float, timeout_s: float) -> float | None:
        """Seconds from a moment to the next end of output."""
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            later = [t for t in self.offs if t >= after_s]
            if later:
                return later[0] - after_s
            time.sleep(0.001)
        return None

    def hand(self, held: bool) -> None:
        """The enable's two contacts: the board's and the host's."""
        self.board.set_enable(held)
        self.tell("enable" if held else "release")

    def energise(self, timeout_s: float = 90.0) -> None:
        """What a person does, again if a busy machine let the interlock trip before. Raises NotReady."""
        if self.wait_state("off", timeout_s) is None:
            raise NotReady(f"the daemon did not come up: {self._tail()}")
        end_s = time.monotonic() + timeout_s
        while time.monotonic() < end_s:
            self.hand(False)
            time.sleep(0.2)
            self.board.press_reset()
            time.sleep(0.3)
            self.tell("prepare")
            self.hand(True)
            begun_s = time.monotonic()
            while time.monotonic() < begun_s + 15.0 and self.states[-1]["state"] != "tripped":
                if self.board.energised and self.states[-1]["state"] == "energised":
                    time.sleep(0.6)
                    if self.board.energised and self.states[-1]["state"] == "energised":
                        return
                time.sleep(0.01)
        last = self.states[-1] if self.states else {}
        raise NotReady(f"not energised after {timeout_s:g} s: {last.get('state')} {last.get('text')} {self._tail()}")

    def _tail(self) -> str:
        self.log.flush()
        self.log.seek(0)
        return self.log.read()[-800:]

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGCONT)
        self.tell("end")
        try:
            self.process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.board.close()
        self.log.close()
        self.folder.cleanup()

    def __enter__(self) -> FaultBench:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True)
class Case:
    """A fault: what is done, within what time the output must be off, who takes it off."""

    name: str
    do: Callable[[FaultBench], None]
    within_s: float
    by: str
    state: str = "tripped"
    daemon_lives: bool = True


def _stop(bench: FaultBench) -> None:
    bench.board.set_emergency_stop(False)
    bench.tell("stop")


#: The stated times. The board's dead-man is 500 +- 20 ms after the last heartbeat; beats come every 100 ms. The host
#: notices a silent converter after 1 s. All others are one step of somebody's loop.
CASES: tuple[Case, ...] = (
    Case("cable pulled", lambda b: b.board.unplug(), 0.55, "board's dead-man"),
    Case("daemon killed (SIGKILL)", lambda b: b.process.kill(), 0.55, "board's dead-man", daemon_lives=False),
    Case(
        "daemon stopped (SIGSTOP)",
        lambda b: b.process.send_signal(signal.SIGSTOP),
        0.55,
        "board's dead-man",
        daemon_lives=False,
    ),
    Case("emergency stop pulled", _stop, 0.05, "board"),
    Case("emergency stop, board's contact only", lambda b: b.board.set_emergency_stop(False), 0.05, "board"),
    Case("emergency stop, host's contact only", lambda b: b.tell("stop"), 0.25, "host"),
    Case("enable released", lambda b: b.hand(False), 0.05, "board", state="off"),
    Case("enable released, board's contact stuck held", lambda b: b.tell("release"), 0.25, "host", state="off"),
    Case("enable released, host's contact stuck held", lambda b: b.board.set_enable(False), 0.05, "board", state="off"),
    Case("converter dead", lambda b: b.tell("adc"), 1.25, "host", daemon_lives=True),
    Case("board restarts (watchdog)", lambda b: b.board.restart(ResetCause.WATCHDOG), 0.05, "board"),
    Case("off asked for by a client", lambda b: b.tell("off"), 0.25, "host", state="off"),
    Case("water-clear statement withdrawn", lambda b: b.tell("withdraw"), 0.25, "host", state="off"),
)


def _hang(bench: FaultBench) -> None:
    assert isinstance(bench.board, FirmwareBoard)
    bench.board.hang(interrupts_live=False)


#: What only a chip with a program can have. Its watchdog is set to 30 ms (an oscillator good to +-10 %, from memory).
FIRMWARE_CASES: tuple[Case, ...] = (
    *CASES,
    Case("board's program hangs, interrupts off", _hang, 0.1, "board's watchdog"),
)


@dataclass(frozen=True)
class Result:
    case: Case
    off_s: float | None
    named_s: float | None
    code: str

    @property
    def held(self) -> bool:
        return self.off_s is not None and self.off_s <= self.case.within_s


def measure(case: Case, timeout_s: float = 10.0, firmware: Build | None = None) -> Result:
    """Energise, do it, time it; again where the machine was too busy to run the virtual chip. Raises NotReady."""
    for _ in range(4):
        result, stalled = _measure(case, timeout_s, firmware)
        if not stalled:
            return result
    raise NotReady("this machine is too busy to run the virtual chip in real time")


def _measure(case: Case, timeout_s: float, firmware: Build | None) -> tuple[Result, bool]:
    with FaultBench(firmware=firmware) as bench:
        bench.energise()
        stalls = getattr(bench.board, "stalls", 0)
        if isinstance(bench.board, FirmwareBoard):
            bench.board.acted_s = None
        at_s = time.monotonic()
        case.do(bench)
        # A hand waits for the virtual chip's turn: the fault begins when it takes effect there.
        at_s = getattr(bench.board, "acted_s", None) or at_s
        off_s = bench.wait_off(at_s, timeout_s)
        stalled = getattr(bench.board, "stalls", 0) > stalls
        if not case.daemon_lives:
            return Result(case, off_s, None, "-"), stalled
        told = bench.wait_state(case.state, timeout_s, at_s)
        if told is None:
            return Result(case, off_s, None, "not named"), stalled
        return Result(case, off_s, told["t"] - at_s, told["code"]), stalled


def stuck_enable_starts_nothing(seconds: float = 8.0, firmware: Build | None = None) -> bool:
    """An enable that stays closed after a stop: nothing comes on again, however long and whatever is stated."""
    with FaultBench(firmware=firmware) as bench:
        bench.energise()
        bench.tell("off")
        if bench.wait_off(time.monotonic() - 0.5, 5.0) is None:
            return False
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            bench.tell("prepare")
            if bench.board.energised:
                return False
            time.sleep(0.2)
        return True


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--only", default="")
    parser.add_argument("--repeat", type=int, default=1)
    parser.add_argument("--firmware", action="store_true", help="the real firmware on a virtual chip")
    parser.add_argument("--daemon", nargs=2, metavar=("PORT", "FOLDER"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.daemon:
        sys.setswitchinterval(0.0005)
        asyncio.run(_daemon(args.daemon[0], Path(args.daemon[1])))
        return 0
    firmware = None
    if args.firmware:
        try:
            firmware = find_build()
        except InputError as error:
            print(error, file=sys.stderr)
            return 2
    board = "EMULATED source board" if firmware is None else "Source board's firmware on an EMULATED chip"
    print(f"{board}, real daemon in a process of its own")
    print(f"{'fault':46s} {'off after':>10s} {'stated':>8s} {'named after':>12s}  as")
    failed = 0
    for case in CASES if firmware is None else FIRMWARE_CASES:
        if args.only.lower() not in case.name.lower():
            continue
        results = [measure(case, firmware=firmware) for _ in range(args.repeat)]
        worst = max(results, key=lambda r: float("inf") if r.off_s is None else r.off_s)
        failed += not worst.held
        off = "NOT OFF" if worst.off_s is None else f"{worst.off_s * 1e3:.0f} ms"
        named = "" if worst.named_s is None else f"{worst.named_s * 1e3:.0f} ms"
        mark = "" if worst.held else "  LATE"
        stated = f"{case.within_s * 1e3:.0f} ms"
        print(f"{case.name:46s} {off:>10s} {stated:>8s} {named:>12s}  {worst.code}, by {case.by}{mark}", flush=True)
    if not args.only:
        nothing = stuck_enable_starts_nothing(firmware=firmware)
        failed += not nothing
        print(f"enable stuck closed after a stop: {'stays off' if nothing else 'CAME ON AGAIN'}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
