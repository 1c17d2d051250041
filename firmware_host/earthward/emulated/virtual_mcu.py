"""EMULATED ATmega328P that runs the source board's own firmware file, with an output stage and a load around it.

A thin, typed binding of hardware/source_board/virtual_mcu (C over libsimavr). Time is virtual and counted in cycles
of 16 MHz; nothing here looks at a clock. `find_build` says what to type when the files are not there.
"""

from __future__ import annotations

import ctypes
import math
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple, Self

from earthward.devices.protocol import BAUD
from earthward.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

HZ = 16_000_000
CYCLES_PER_TICK = 8


class Pin(NamedTuple):
    port: str
    bit: int


# hardware/source_board/firmware/board.h
DRIVE_POSITIVE = Pin("B", 1)
DRIVE_NEGATIVE = Pin("B", 2)
TEN_VOLTS = Pin("B", 3)
CLAMP_TEST = Pin("B", 4)
SYNC = Pin("B", 5)
STOP_CLOSED = Pin("D", 2)
ENABLE_HELD = Pin("D", 3)
BRIDGE = Pin("D", 4)
ELECTRODE_A = Pin("D", 5)
ELECTRODE_B = Pin("D", 6)
RESET_BUTTON = Pin("D", 7)
ALIVE = Pin("C", 5)
OUTPUTS = (DRIVE_POSITIVE, DRIVE_NEGATIVE, BRIDGE, ELECTRODE_A, ELECTRODE_B, ALIVE)


class Edge(NamedTuple):
    cycle: int
    pin: Pin
    value: int


class World(ctypes.Structure):
    """What is around the chip; the C header explains each field. SI units, `inf` ohm is an open circuit."""

    bridge_V: float
    regulator_stuck_V: float
    clamp_V: float
    series_ohm: float
    limit_A: float
    load_ohm: ctypes.Array[ctypes.c_double]
    positive_gain: float
    negative_gain: float
    negative_load: float
    stray_dc_V: float
    stray_ac_V: float
    stray_Hz: float
    extra_current_A: float
    sense_tau_s: float
    battery_V: float
    temperature_C: float
    supply_V: float
    stuck_drive: int
    stuck_mV: ctypes.Array[ctypes.c_int]
    welded: ctypes.Array[ctypes.c_int]
    fuses: ctypes.Array[ctypes.c_int]
    _fields_ = (
        ("bridge_V", ctypes.c_double),
        ("regulator_stuck_V", ctypes.c_double),
        ("clamp_V", ctypes.c_double),
        ("series_ohm", ctypes.c_double),
        ("limit_A", ctypes.c_double),
        ("load_ohm", ctypes.c_double * 2),
        ("positive_gain", ctypes.c_double),
        ("negative_gain", ctypes.c_double),
        ("negative_load", ctypes.c_double),
        ("stray_dc_V", ctypes.c_double),
        ("stray_ac_V", ctypes.c_double),
        ("stray_Hz", ctypes.c_double),
        ("extra_current_A", ctypes.c_double),
        ("sense_tau_s", ctypes.c_double),
        ("battery_V", ctypes.c_double),
        ("temperature_C", ctypes.c_double),
        ("supply_V", ctypes.c_double),
        ("stuck_drive", ctypes.c_int),
        ("stuck_mV", ctypes.c_int * 8),
        ("welded", ctypes.c_int * 2),
        ("fuses", ctypes.c_int * 3),
    )


class _Edge(ctypes.Structure):
    _fields_ = (
        ("cycle", ctypes.c_uint64),
        ("port", ctypes.c_char),
        ("pin", ctypes.c_uint8),
        ("value", ctypes.c_uint8),
        ("reserved", ctypes.c_uint8 * 5),
    )


@dataclass(frozen=True, slots=True)
class Build:
    """The two files that the virtual board is made of."""

    library: Path
    firmware: Path


def find_build(folder: Path | None = None) -> Build:
    """The built files in `folder` (default: hardware/source_board/build beside the package's sources).

    Raises:
        InputError: they are not there; says how to make them.
    """
    folder = folder or Path(__file__).parents[3] / "hardware" / "source_board" / "build"
    build = Build(folder / "libvirtual_mcu.so", folder / "source_board.hex")
    for path in (build.library, build.firmware):
        if not path.is_file():
            raise InputError(
                f"{path} is not there: run `make -C hardware/source_board` in a checkout of the sources "
                "(Debian packages gcc-avr, avr-libc, libsimavr-dev, libelf-dev, gcc)."
            )
    return build


_POINTER = ctypes.c_void_p
_SIGNATURES: dict[str, tuple[object, tuple[object, ...]]] = {
    "vm_new": (_POINTER, (ctypes.c_char_p, ctypes.c_uint32)),
    "vm_free": (None, (_POINTER,)),
    "vm_world": (ctypes.POINTER(World), (_POINTER,)),
    "vm_world_changed": (None, (_POINTER,)),
    "vm_cycle": (ctypes.c_uint64, (_POINTER,)),
    "vm_run_until": (ctypes.c_int, (_POINTER, ctypes.c_uint64)),
    "vm_send": (ctypes.c_int, (_POINTER, ctypes.c_char_p, ctypes.c_int)),
    "vm_pending": (ctypes.c_int, (_POINTER,)),
    "vm_receive": (ctypes.c_int, (_POINTER, ctypes.c_char_p, ctypes.c_int)),
    "vm_input": (None, (_POINTER, ctypes.c_char, ctypes.c_int, ctypes.c_int)),
    "vm_output": (ctypes.c_int, (_POINTER, ctypes.c_char, ctypes.c_int)),
    "vm_current_A": (ctypes.c_double, (_POINTER,)),
    "vm_charge_C": (ctypes.c_double, (_POINTER,)),
    "vm_record": (None, (_POINTER, ctypes.c_int)),
    "vm_edge_count": (ctypes.c_size_t, (_POINTER,)),
    "vm_edges": (ctypes.POINTER(_Edge), (_POINTER,)),
    "vm_forget_edges": (None, (_POINTER,)),
    "vm_reset": (None, (_POINTER, ctypes.c_uint8)),
    "vm_resets": (ctypes.c_uint32, (_POINTER,)),
    "vm_longest_masked": (ctypes.c_uint32, (_POINTER,)),
    "vm_hang": (ctypes.c_int, (_POINTER, ctypes.c_int)),
    "vm_peek": (ctypes.c_uint8, (_POINTER, ctypes.c_uint16)),
    "vm_poke": (None, (_POINTER, ctypes.c_uint16, ctypes.c_uint8)),
    "vm_flip": (None, (_POINTER, ctypes.c_uint16, ctypes.c_uint8)),
    "vm_eeprom": (ctypes.c_uint8, (_POINTER, ctypes.c_uint16)),
    "vm_flip_flash": (None, (_POINTER, ctypes.c_uint32, ctypes.c_uint8)),
}


def _load(path: Path) -> ctypes.CDLL:
    try:
        library = ctypes.CDLL(str(path))
    except OSError as error:
        raise InputError(
            f"{path} does not load ({error}): install the Debian package libsimavr-dev and run make in "
            "hardware/source_board again."
        ) from error
    for name, (result, arguments) in _SIGNATURES.items():
        function = getattr(library, name)
        function.restype = result
        function.argtypes = arguments
    return library


class VirtualMcu:
    """One chip with its firmware. Context manager; not thread safe (one thread runs it).

    Right after construction the stop chain is closed, the enable is not held, the button is not pressed; no
    instruction has run yet.
    """

    def __init__(self, build: Build) -> None:
        self._c = _load(build.library)
        self._vm = self._c.vm_new(str(build.firmware).encode(), BAUD)
        if not self._vm:
            raise InputError(f"{build.firmware} is no firmware file: run make in hardware/source_board again.")
        self.set_input(STOP_CLOSED, True)
        self.set_input(ENABLE_HELD, False)
        self.set_input(RESET_BUTTON, True)

    def close(self) -> None:
        if self._vm:
            self._c.vm_free(self._vm)
            self._vm = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- time ---------------------------------------------------------------------------------------------

    @property
    def cycle(self) -> int:
        return int(self._c.vm_cycle(self._vm))

    @property
    def time_s(self) -> float:
        """Virtual seconds since power-up."""
        return self.cycle / HZ

    def run_until(self, cycle: int) -> None:
        """Raises RuntimeError if the chip's core stopped (illegal instruction, sleep without interrupts)."""
        state = self._c.vm_run_until(self._vm, cycle)
        if state:
            raise RuntimeError(f"the virtual chip stopped in state {state} at cycle {self.cycle}")

    def run(self, seconds: float) -> None:
        self.run_until(self.cycle + round(seconds * HZ))

    # ---- serial line --------------------------------------------------------------------------------------

    def send(self, data: bytes) -> None:
        """Queue bytes for the chip at line rate. Raises BufferError if 64 KiB are waiting already."""
        if int(self._c.vm_send(self._vm, data, len(data))) != len(data):
            raise BufferError("the virtual line has 64 KiB waiting")

    @property
    def pending(self) -> int:
        """Bytes queued by `send` and not yet on the line."""
        return int(self._c.vm_pending(self._vm))

    def receive(self) -> bytes:
        out = b""
        room = ctypes.create_string_buffer(4096)
        while n := int(self._c.vm_receive(self._vm, room, len(room))):
            out += room.raw[:n]
        return out

    # ---- pins and the world -------------------------------------------------------------------------------

    def set_input(self, pin: Pin, level: bool) -> None:
        self._c.vm_input(self._vm, pin.port.encode(), pin.bit, int(level))

    def output(self, pin: Pin) -> int:
        return int(self._c.vm_output(self._vm, pin.port.encode(), pin.bit))

    @property
    def driven(self) -> bool:
        """Whether any output pin that can put current into the water is high."""
        return any(self.output(pin) for pin in (DRIVE_POSITIVE, DRIVE_NEGATIVE, BRIDGE, ELECTRODE_A, ELECTRODE_B))

    @contextmanager
    def world(self) -> Iterator[World]:
        """Change the world: `with mcu.world() as w: w.battery_V = 9.0`."""
        yield self._c.vm_world(self._vm).contents
        self._c.vm_world_changed(self._vm)

    @property
    def current_A(self) -> float:
        return float(self._c.vm_current_A(self._vm))

    @property
    def charge_C(self) -> float:
        return float(self._c.vm_charge_C(self._vm))

    def record(self, on: bool) -> None:
        self._c.vm_record(self._vm, int(on))

    def edges(self, *, forget: bool = False) -> list[Edge]:
        """Pin edges since the last `forget`, oldest first."""
        raw = self._c.vm_edges(self._vm)
        pins = {(port, bit): Pin(port, bit) for port in "BCD" for bit in range(8)}
        found = [
            Edge(raw[k].cycle, pins[raw[k].port.decode(), raw[k].pin], raw[k].value)
            for k in range(int(self._c.vm_edge_count(self._vm)))
        ]
        if forget:
            self.forget_edges()
        return found

    def forget_edges(self) -> None:
        self._c.vm_forget_edges(self._vm)

    # ---- faults of the chip -------------------------------------------------------------------------------

    def reset(self, cause: int) -> None:
        """Causes as in the chip's MCUSR: 1 power-on, 2 external, 4 brown-out, 8 watchdog."""
        self._c.vm_reset(self._vm, cause)

    @property
    def resets(self) -> int:
        return int(self._c.vm_resets(self._vm))

    def longest_masked_cycles(self) -> int:
        """Longest stretch with interrupts off since the last call (or the start): what delays the next handler."""
        return int(self._c.vm_longest_masked(self._vm))

    def hang(self, *, interrupts_live: bool) -> None:
        """The next instruction of the main loop jumps to itself, with or without interrupts still served."""
        if not self._c.vm_hang(self._vm, int(interrupts_live)):
            raise RuntimeError("found no place to hang the chip at")

    def peek(self, address: int) -> int:
        return int(self._c.vm_peek(self._vm, address))

    def poke(self, address: int, value: int) -> None:
        self._c.vm_poke(self._vm, address, value)

    def flip(self, address: int, bit: int) -> None:
        """One bit of RAM or of a register turns over; a register's effect follows."""
        self._c.vm_flip(self._vm, address, bit)

    def eeprom(self, address: int) -> int:
        """What a start would read from that cell."""
        return int(self._c.vm_eeprom(self._vm, address))

    def flip_flash(self, address: int, mask: int) -> None:
        self._c.vm_flip_flash(self._vm, address, mask)


def run_until(mcu: VirtualMcu, condition: Callable[[], bool], limit_s: float, step_s: float = 1e-4) -> float:
    """Run in steps until the condition holds; virtual seconds it took, nan if not within the limit."""
    start = mcu.time_s
    while not condition():
        if mcu.time_s - start >= limit_s:
            return math.nan
        mcu.run(step_s)
    return mcu.time_s - start
