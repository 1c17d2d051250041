"""The source board's byte protocol: frames and bodies, pure functions of bytes. docs/protocol.md is the text.

Codes of states, trips, refusals and waveforms are the record's (`record.board`, `record.waveform`).

Framing is COBS (library `cobs`), integrity CRC-32 (zlib), bodies are fixed little-endian structs.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import IntEnum, IntFlag
from typing import Any, ClassVar, Self

from cobs import cobs

from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.waveform import BY_CODE, WAVEFORMS

VERSION = 1
MAX_PAYLOAD = 64
BAUD = 250_000


class Type(IntEnum):
    HELLO = 0x01
    CONFIGURE = 0x02
    ARM = 0x03
    ENERGISE = 0x04
    OFF = 0x05
    HEARTBEAT = 0x06
    SELECT = 0x07
    STATUS = 0x08
    BOOT = 0xC0
    TELEMETRY = 0xC1
    EVENT = 0xC2
    REFUSAL = 0xFF


REPLY = 0x80


class Electrode(IntEnum):
    A = 0
    B = 1


class TelemetryFlag(IntFlag):
    EMERGENCY_STOP_CLOSED = 1
    ENABLE_HELD = 2
    HEARTBEAT_FRESH = 4
    OPEN_CIRCUIT = 8
    CURRENT_LIMITING = 16


class ResetCause(IntFlag):
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8


class EventCode(IntEnum):
    STATE_CHANGED = 1
    TRIPPED = 2
    RESET_BUTTON = 3
    ELECTRODE_SWITCHED = 4


class FrameError(ValueError):
    """Bytes between two zeros that are no frame of ours."""


@dataclass(frozen=True, slots=True)
class Frame:
    type: int
    seq: int
    body: bytes = b""

    def encode(self) -> bytes:
        payload = bytes((VERSION, self.type, self.seq & 0xFF)) + self.body
        if len(payload) > MAX_PAYLOAD:
            raise ValueError(f"payload of {len(payload)} bytes is longer than {MAX_PAYLOAD}")
        encoded: bytes = cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))
        return encoded + b"\0"

    @classmethod
    def decode(cls, data: bytes) -> Self:
        """From the bytes between two zeros. Raises FrameError."""
        try:
            raw = cobs.decode(data)
        except cobs.DecodeError as error:
            raise FrameError(f"not COBS: {error}") from error
        if not 7 <= len(raw) <= MAX_PAYLOAD + 4:
            raise FrameError(f"{len(raw)} bytes is no frame length")
        payload, (crc,) = raw[:-4], struct.unpack("<I", raw[-4:])
        if zlib.crc32(payload) != crc:
            raise FrameError("checksum does not match")
        if payload[0] != VERSION:
            raise FrameError(f"protocol version {payload[0]}, expected {VERSION}")
        return cls(payload[1], payload[2], payload[3:])


class FrameReader:
    """Turns a byte stream into frames; counts what it had to drop. Never grows without bound."""

    _LONGEST = MAX_PAYLOAD + 4 + 2  # COBS adds one byte per 254, plus slack

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._overrun = False
        self.errors = 0
        self.frames = 0

    def feed(self, data: bytes) -> list[Frame]:
        frames = []
        *ended, rest = data.split(b"\0")
        for part in ended:
            self._add(part)
            if self._buffer:
                try:
                    if self._overrun:
                        raise FrameError("run of bytes longer than a frame")
                    frames.append(Frame.decode(bytes(self._buffer)))
                    self.frames += 1
                except FrameError:
                    self.errors += 1
            self._buffer.clear()
            self._overrun = False
        self._add(rest)
        return frames

    def _add(self, part: bytes) -> None:
        room = self._LONGEST - len(self._buffer)
        self._overrun = self._overrun or len(part) > room
        self._buffer += part[:room]


class _Body:
    """Mixin: a frozen dataclass whose fields are packed in order by `LAYOUT`."""

    LAYOUT: ClassVar[struct.Struct]

    def pack(self) -> bytes:
        packed: bytes = self.LAYOUT.pack(*(getattr(self, f.name) for f in fields(self)))  # type: ignore[arg-type]
        return packed

    @classmethod
    def unpack(cls, body: bytes) -> Self:
        if len(body) != cls.LAYOUT.size:
            raise FrameError(f"{cls.__name__} has {len(body)} bytes, expected {cls.LAYOUT.size}")
        return cls(*cls.LAYOUT.unpack(body))


@dataclass(frozen=True, slots=True)
class Identity(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHBBIIHHIIH")
    protocol: int
    major: int
    minor: int
    patch: int
    boot_count: int
    reset_cause: int
    emulated: int
    tick_Hz: int
    max_current_uA: int
    max_voltage_mV: int
    deadman_ms: int
    build: int
    limits_crc: int
    battery_min_mV: int = 0
    """Below this the board trips; 0 = it does not say."""

    def expected_limits_crc(self) -> int:
        return zlib.crc32(struct.pack("<IHH", self.max_current_uA, self.max_voltage_mV, self.deadman_ms))

    def crc(self) -> int:
        return zlib.crc32(self.pack())


@dataclass(frozen=True, slots=True)
class Configuration(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBII")
    waveform: int
    electrode: int
    period_ticks: int
    current_limit_uA: int

    def crc(self) -> int:
        return zlib.crc32(self.pack())


@dataclass(frozen=True, slots=True)
class ArmRequest(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<II")
    identity_crc: int
    config_crc: int


@dataclass(frozen=True, slots=True)
class HeartbeatReply(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<IQBB")
    host_stamp: int
    tick: int
    state: int
    trip: int


@dataclass(frozen=True, slots=True)
class SelectReply(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BQ")
    electrode: int
    tick: int


@dataclass(frozen=True, slots=True)
class RefusalBody(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BB")
    request: int
    reason: int


@dataclass(frozen=True, slots=True)
class EventBody(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBQ")
    event: int
    state: int
    trip: int
    electrode: int
    tick: int


_Codec = tuple[Callable[[Any], Any], Callable[[Any], int]]


def _flag(flag: TelemetryFlag) -> _Codec:
    # A plain number: `&` with a member of an IntFlag makes another member, at twenty times the cost.
    mask = int(flag)
    return (lambda raw: bool(raw & mask)), (lambda value: mask if value else 0)


def _scaled(step: float) -> _Codec:
    return (lambda raw: raw * step), (lambda value: round(value / step))


_NUMBER: _Codec = (int, int)
_LOWEST = {"B": 0, "H": 0, "I": 0, "Q": 0, "h": -(2**15), "i": -(2**31)}
_HIGHEST = {"B": 2**8 - 1, "H": 2**16 - 1, "I": 2**32 - 1, "Q": 2**64 - 1, "h": 2**15 - 1, "i": 2**31 - 1}

#: The report's layout on the wire: (field of `BoardReport`, struct code, (from the wire, to the wire)). A row with an
#: empty code shares the byte of the row before.
_REPORT: tuple[tuple[str, str, _Codec], ...] = (
    ("state", "B", (BoardState, int)),
    ("trip", "B", (Trip, int)),
    ("emergency_stop_closed", "B", _flag(TelemetryFlag.EMERGENCY_STOP_CLOSED)),
    ("enable_held", "", _flag(TelemetryFlag.ENABLE_HELD)),
    ("heartbeat_fresh", "", _flag(TelemetryFlag.HEARTBEAT_FRESH)),
    ("open_circuit", "", _flag(TelemetryFlag.OPEN_CIRCUIT)),
    ("current_limiting", "", _flag(TelemetryFlag.CURRENT_LIMITING)),
    ("electrode", "B", (lambda raw: Electrode(raw).name, lambda name: int(Electrode[name]))),
    ("waveform", "B", (lambda raw: BY_CODE[raw].name, lambda name: WAVEFORMS[name].code)),
    ("bad_frames", "B", _NUMBER),
    ("period_ticks", "I", _NUMBER),
    ("cycles", "I", _NUMBER),
    ("cycle_tick", "Q", _NUMBER),
    ("current_positive_A", "i", _scaled(1e-6)),
    ("current_negative_A", "i", _scaled(1e-6)),
    ("voltage_positive_V", "h", _scaled(1e-3)),
    ("voltage_negative_V", "h", _scaled(1e-3)),
    ("battery_V", "H", _scaled(1e-3)),
    ("temperature_C", "h", _scaled(1e-2)),
    ("idle_dc_V", "h", _scaled(1e-3)),
    ("idle_ac_V", "H", _scaled(1e-3)),
    ("current_peak_A", "I", _scaled(1e-6)),
)
_REPORT_LAYOUT = struct.Struct("<" + "".join(code for _, code, _ in _REPORT))


def unpack_report(body: bytes, received_s: float) -> BoardReport:
    """The body of TELEMETRY and of the answers that carry it. FrameError if its length or a code is not ours."""
    if len(body) != _REPORT_LAYOUT.size:
        raise FrameError(f"a report has {len(body)} bytes, expected {_REPORT_LAYOUT.size}")
    raw = iter(_REPORT_LAYOUT.unpack(body))
    values: dict[str, Any] = {}
    number = 0
    try:
        for field, code, (from_wire, _) in _REPORT:
            number = next(raw) if code else number
            values[field] = from_wire(number)
    except (ValueError, KeyError) as error:
        raise FrameError(f"a report with an unknown code: {error}") from error
    return BoardReport(received_s=received_s, **values)


def pack_report(report: BoardReport) -> bytes:
    """Inverse of `unpack_report`; what the wire cannot hold is cut to what it can."""
    numbers: list[int] = []
    for field, code, (_, to_wire) in _REPORT:
        number = to_wire(getattr(report, field))
        if code:
            numbers.append(max(_LOWEST[code], min(_HIGHEST[code], number)))
        else:
            numbers[-1] |= number
    return _REPORT_LAYOUT.pack(*numbers)
