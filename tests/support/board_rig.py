"""A source board on the test bench, in virtual time: the real firmware on the virtual chip, or the emulated board.

Both look the same to a test: bytes in, frames out, hands on switches, faults by name.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import tty
from abc import ABC, abstractmethod
from pathlib import Path

import pytest

from earthward.clock import ManualClock
from earthward.devices.protocol import (
    REPLY,
    ArmRequest,
    Configuration,
    Electrode,
    EventBody,
    Frame,
    FrameReader,
    HeartbeatReply,
    Identity,
    RefusalBody,
    ResetCause,
    SelectReply,
    Type,
    unpack_report,
)
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.load import ResistorLoad
from earthward.emulated.virtual_mcu import (
    ENABLE_HELD,
    RESET_BUTTON,
    STOP_CLOSED,
    Build,
    VirtualMcu,
    find_build,
)
from earthward.record.board import BoardReport, BoardState, Refusal
from earthward.record.waveform import WAVEFORMS, WaveformName

ROOT = Path(__file__).parents[2]
SOURCES = ROOT / "hardware" / "source_board"
#: what the build needs -> the Debian package that brings it
NEEDED = {"avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr", "cc": "gcc", "make": "make"}
NEEDED_FILES = {
    Path("/usr/include/simavr/sim_avr.h"): "libsimavr-dev",
    Path("/usr/lib/avr/include/avr/io.h"): "avr-libc",
}


def missing_packages() -> list[str]:
    missing = [package for tool, package in NEEDED.items() if shutil.which(tool) is None]
    return missing + [package for path, package in NEEDED_FILES.items() if not path.exists()]


def build_or_skip(folder: Path, sources: Path = SOURCES) -> Build:
    """Firmware and virtual chip built into `folder`; skips the test where a package is missing."""
    missing = missing_packages()
    if missing:
        pytest.skip(f"needs the Debian package(s) {', '.join(missing)}")
    make = subprocess.run(
        ["make", "-s", "-C", str(sources), f"BUILD={folder}"], capture_output=True, text=True, check=False
    )
    assert make.returncode == 0, make.stderr
    return find_build(folder)


def symbol(build: Build, name: str) -> int:
    """Address of a variable of the firmware, in RAM or in EEPROM."""
    listing = subprocess.run(
        ["avr-nm", str(build.firmware.with_suffix(".elf"))], capture_output=True, text=True, check=True
    ).stdout
    found = [int(line.split()[0], 16) for line in listing.splitlines() if line.split()[-1] == name]
    assert len(found) == 1, f"{name}: {len(found)} symbols"
    return found[0] & 0xFFFF


class Refused(Exception):
    def __init__(self, refusal: RefusalBody) -> None:
        super().__init__(Refusal(refusal.reason).name)
        self.reason = Refusal(refusal.reason)
        self.request = refusal.request


class Rig(ABC):
    """One board. Subclasses bring the bytes and the hands."""

    name: str
    emulated: int

    def __init__(self) -> None:
        self._reader = FrameReader()
        self._seq = 0
        self.unsolicited: list[Frame] = []
        self._replies: list[Frame] = []

    # ---- brought by subclasses ----------------------------------------------------------------------------

    @abstractmethod
    def wait(self, seconds: float) -> None: ...
    @abstractmethod
    def send(self, data: bytes) -> None: ...
    @abstractmethod
    def _received(self) -> bytes: ...
    @abstractmethod
    def set_enable(self, held: bool) -> None: ...
    @abstractmethod
    def set_stop(self, closed: bool) -> None: ...
    @abstractmethod
    def press_button(self) -> None: ...
    @abstractmethod
    def set_load(self, ohm: float) -> None: ...
    @abstractmethod
    def set_battery(self, volts: float) -> None: ...
    @abstractmethod
    def set_temperature(self, deg_C: float) -> None: ...
    @abstractmethod
    def set_asymmetry(self) -> None:
        """The halves' currents now differ by far."""

    @abstractmethod
    def set_leak(self, current_A: float) -> None:
        """A current that nobody commanded."""

    @abstractmethod
    def restart(self, cause: ResetCause) -> None: ...
    @property
    @abstractmethod
    def driven(self) -> bool:
        """Whether the output can put current into the water."""

    @abstractmethod
    def close(self) -> None: ...

    # ---- frames -------------------------------------------------------------------------------------------

    @property
    def bad_frames(self) -> int:
        """Frames from the board that the host had to drop."""
        return self._reader.errors

    def collect(self) -> None:
        for frame in self._reader.feed(self._received()):
            if frame.type >= Type.BOOT and frame.type != Type.REFUSAL:
                self.unsolicited.append(frame)
            else:
                self._replies.append(frame)

    def take_replies(self) -> list[Frame]:
        self.collect()
        replies, self._replies = self._replies, []
        return replies

    def take(self, kind: Type) -> list[Frame]:
        """Unsolicited frames of one type since the last take, removed."""
        self.collect()
        found = [f for f in self.unsolicited if f.type == kind]
        self.unsolicited = [f for f in self.unsolicited if f.type != kind]
        return found

    def events(self) -> list[EventBody]:
        return [EventBody.unpack(f.body) for f in self.take(Type.EVENT)]

    def request(self, kind: int, body: bytes = b"", seq: int | None = None) -> bytes:
        """The reply's body. Raises Refused, or AssertionError when no answer or the wrong one comes in 50 ms."""
        if seq is None:
            self._seq = (self._seq + 1) & 0xFF
            seq = self._seq
        self.take_replies()
        self.send(Frame(kind, seq, body).encode())
        for _ in range(100):
            self.wait(0.0005)
            replies = self.take_replies()
            if replies:
                assert len(replies) == 1, f"{len(replies)} answers to one request"
                assert replies[0].seq == seq
                if replies[0].type == Type.REFUSAL:
                    refusal = RefusalBody.unpack(replies[0].body)
                    assert refusal.request == kind
                    raise Refused(refusal)
                assert replies[0].type == kind | REPLY
                return replies[0].body
        raise AssertionError(f"no answer to request {kind:#x}")

    def refusal(self, kind: int, body: bytes = b"") -> Refusal | None:
        try:
            self.request(kind, body)
        except Refused as refused:
            return refused.reason
        return None

    # ---- what tests do all the time -----------------------------------------------------------------------

    def hello(self) -> Identity:
        return Identity.unpack(self.request(Type.HELLO))

    def status(self) -> BoardReport:
        return unpack_report(self.request(Type.STATUS), 0.0)

    def beat(self, stamp: int = 0x12345678) -> HeartbeatReply:
        return HeartbeatReply.unpack(self.request(Type.HEARTBEAT, struct.pack("<I", stamp)))

    def select(self, electrode: Electrode) -> SelectReply:
        return SelectReply.unpack(self.request(Type.SELECT, bytes((electrode,))))

    def configuration(
        self, waveform: WaveformName = "coded", frequency_Hz: float = 35.2, limit_uA: int = 10_000
    ) -> Configuration:
        return Configuration(
            WAVEFORMS[waveform].code, Electrode.A, round(self.hello().tick_Hz / frequency_Hz), limit_uA
        )

    def configure(self, configuration: Configuration | None = None) -> Configuration:
        wanted = configuration or self.configuration()
        assert self.request(Type.CONFIGURE, wanted.pack()) == wanted.pack()
        return wanted

    def arm_body(self, configuration: Configuration) -> bytes:
        return ArmRequest(self.hello().crc(), configuration.crc()).pack()

    def arm(self, configuration: Configuration | None = None) -> Configuration:
        """Enable seen released, configured, beating, armed."""
        self.set_enable(False)
        self.wait(0.08)
        wanted = self.configure(configuration)
        self.beat()
        assert unpack_report(self.request(Type.ARM, self.arm_body(wanted)), 0.0).state == BoardState.ARMED
        return wanted

    def energise(self, configuration: Configuration | None = None) -> Configuration:
        wanted = self.arm(configuration)
        self.set_enable(True)
        self.wait(0.02)
        self.beat()
        assert unpack_report(self.request(Type.ENERGISE), 0.0).state == BoardState.ENERGISED
        return wanted

    def run(self, seconds: float, every_s: float = 0.1) -> None:
        """Let time pass with heartbeats."""
        passed = 0.0
        while passed < seconds - 1e-9:
            self.beat()
            step = min(every_s, seconds - passed)
            self.wait(step)
            passed += step
            self.collect()

    def recover(self) -> None:
        """Enable let go, stop closed, button pressed."""
        self.set_stop(True)
        self.set_enable(False)
        self.wait(0.1)
        self.press_button()

    def tripped_by(self) -> int:
        """The trip of a tripped board; asserts that it is one and that its output is off."""
        telemetry = self.status()
        assert telemetry.state == BoardState.TRIPPED
        assert not self.driven
        return telemetry.trip


class FirmwareRig(Rig):
    """The firmware's own binary on the virtual chip."""

    name = "firmware"
    emulated = 1  # the virtual chip holds the firmware's bench strap

    def __init__(self, build: Build, boot: bool = True) -> None:
        super().__init__()
        self.mcu = VirtualMcu(build)
        if boot:
            self.wait(0.15)

    def wait(self, seconds: float) -> None:
        self.mcu.run(seconds)

    def send(self, data: bytes) -> None:
        self.mcu.send(data)

    def _received(self) -> bytes:
        return self.mcu.receive()

    def set_enable(self, held: bool) -> None:
        self.mcu.set_input(ENABLE_HELD, held)

    def set_stop(self, closed: bool) -> None:
        self.mcu.set_input(STOP_CLOSED, closed)

    def press_button(self) -> None:
        self.wait(0.05)
        self.mcu.set_input(RESET_BUTTON, False)
        self.wait(0.05)
        self.mcu.set_input(RESET_BUTTON, True)
        self.wait(0.05)

    def set_load(self, ohm: float) -> None:
        with self.mcu.world() as world:
            world.load_ohm[0] = world.load_ohm[1] = ohm

    def set_battery(self, volts: float) -> None:
        with self.mcu.world() as world:
            world.battery_V = volts

    def set_temperature(self, deg_C: float) -> None:
        with self.mcu.world() as world:
            world.temperature_C = deg_C

    def set_asymmetry(self) -> None:
        with self.mcu.world() as world:
            world.negative_load = 3.0

    def set_leak(self, current_A: float) -> None:
        with self.mcu.world() as world:
            world.extra_current_A = current_A

    def restart(self, cause: ResetCause) -> None:
        self.mcu.reset(int(cause))

    @property
    def driven(self) -> bool:
        return self.mcu.driven

    def close(self) -> None:
        self.mcu.close()


class EmulatedRig(Rig):
    """The emulated board, stepped by hand."""

    name = "emulated"
    emulated = 1
    STEP_S = 0.0005

    def __init__(self) -> None:
        super().__init__()
        self._clock = ManualClock(100.0)
        self.load = ResistorLoad(1000.0)
        self.board = EmulatedBoard(self._clock, self.load, latency_s=1e-6)
        self.board.replug()
        self._fd = os.open(self.board.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)
        self.wait(0.15)

    def wait(self, seconds: float) -> None:
        end = self._clock.now() + seconds
        while self._clock.now() < end - 1e-12:
            self._clock.advance(min(self.STEP_S, end - self._clock.now()))
            self.board.step()

    def send(self, data: bytes) -> None:
        assert os.write(self._fd, data) == len(data)

    def _received(self) -> bytes:
        data = b""
        while True:
            try:
                more = os.read(self._fd, 4096)
            except BlockingIOError:
                return data
            if not more:
                return data
            data += more

    def set_enable(self, held: bool) -> None:
        self.board.set_enable(held)

    def set_stop(self, closed: bool) -> None:
        self.board.set_emergency_stop(closed)

    def press_button(self) -> None:
        self.board.press_reset()
        self.wait(0.02)

    def set_load(self, ohm: float) -> None:
        self.load.ohm = ohm

    def set_battery(self, volts: float) -> None:
        self.board.battery_V = volts

    def set_temperature(self, deg_C: float) -> None:
        self.board.temperature_C = deg_C

    def set_asymmetry(self) -> None:
        self.board.asymmetry = 0.25

    def set_leak(self, current_A: float) -> None:
        self.board.current_error_A = current_A

    def restart(self, cause: ResetCause) -> None:
        self.board.restart(cause)

    @property
    def driven(self) -> bool:
        return self.board.energised

    def close(self) -> None:
        os.close(self._fd)
        self.board.close()
