"""The source board's byte protocol: frames and bodies, pure functions of bytes. docs/protocol.md is the text.

Framing is COBS (library `cobs`), integrity CRC-32 (zlib), bodies are fixed little-endian structs.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, fields
from enum import IntEnum, IntFlag
from typing import ClassVar, Self

from cobs import cobs

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


class WaveformCode(IntEnum):
    SQUARE = 0
    SINE = 1
    CODED = 2


class Refusal(IntEnum):
    UNKNOWN = 1
    BAD_BODY = 2
    WRONG_STATE = 3
    CHECKSUM = 4
    EMERGENCY_STOP = 5
    ENABLE_NOT_HELD = 6
    TRIPPED = 7
    NO_HEARTBEAT = 8
    ABOVE_LIMIT = 9


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
        for byte in data:
            if byte:
                if len(self._buffer) < self._LONGEST:
                    self._buffer.append(byte)
                else:
                    self._overrun = True
                continue
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
        return frames


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


@dataclass(frozen=True, slots=True)
class Telemetry(_Body):
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBBBIIQiihhHhhHI")
    state: int
    trip: int
    flags: int
    electrode: int
    waveform: int
    bad_frames: int
    period_ticks: int
    cycles: int
    cycle_tick: int
    current_positive_uA: int
    current_negative_uA: int
    voltage_positive_mV: int
    voltage_negative_mV: int
    battery_mV: int
    temperature_cC: int
    idle_dc_mV: int
    idle_ac_mV: int
    current_peak_uA: int
