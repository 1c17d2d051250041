"""Heartbeats: the board drops its output 0.5 s after the last one, and each is a ping for the clock map."""

from __future__ import annotations

from earthward.devices.protocol import BAUD, REPLY, Frame, HeartbeatReply, Type
from earthward.devices.source.clockmap import ClockMap

HEARTBEAT_S = 0.1
#: an answer later than this counts as none
LATE_S = 0.5


def _stamp(sent_s: float) -> int:
    return int(sent_s * 1e6) & 0xFFFFFFFF


class Heartbeats:
    """Unanswered beats and what the answered ones teach. Not thread-safe: the link calls it under its lock."""

    def __init__(self) -> None:
        self.sent: dict[int, float] = {}
        """Sequence number -> time sent, of those not answered yet."""
        self.clock_map: ClockMap | None = None
        self.round_trip_s: float | None = None
        self.timeouts = 0

    def beat(self, seq: int, now: float) -> Frame:
        for late in [number for number, sent in self.sent.items() if now - sent > LATE_S]:
            del self.sent[late]
            self.timeouts += 1
        self.sent[seq] = now
        return Frame(Type.HEARTBEAT, seq, _stamp(now).to_bytes(4, "little"))

    def answered(self, frame: Frame, now: float) -> None:
        """FrameError if it is no answer of ours; one that comes too late or twice is ignored."""
        reply = HeartbeatReply.unpack(frame.body)
        sent = self.sent.get(frame.seq)
        if sent is None or reply.host_stamp != _stamp(sent):
            return
        del self.sent[frame.seq]
        trip = now - sent
        self.round_trip_s = trip if self.round_trip_s is None else 0.8 * self.round_trip_s + 0.2 * trip
        if self.clock_map is not None:
            self.clock_map.add_ping(sent, now, reply.tick)

    def new_clock(self, tick_Hz: float) -> None:
        """The board's ticks start anew."""
        # Ten bits a byte: the request is 13 bytes, the answer 23 (frame, checksum, COBS and closing zero).
        request = len(Frame(Type.HEARTBEAT, 1, b"\1" * 4).encode()) * 10 / BAUD
        reply = len(Frame(Type.HEARTBEAT | REPLY, 1, b"\1" * HeartbeatReply.LAYOUT.size).encode()) * 10 / BAUD
        self.clock_map = ClockMap(tick_Hz, request_wire_s=request, reply_wire_s=reply)

    def cable_lost(self) -> None:
        """Old pings say nothing about the time after a break."""
        self.sent.clear()
        self.round_trip_s = None
        if self.clock_map is not None:
            self.new_clock(self.clock_map.nominal_Hz)
