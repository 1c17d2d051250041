"""How the link to the source board is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """`text` is one plain sentence.

    errors: frames dropped for checksum, framing, length or version, both halves of the cable. restarts: unexpected
    ones of the board.
    """

    ok: bool
    text: str
    port: str
    connected: bool = False
    may_arm: bool = False
    firmware: str = ""
    emulated: bool = False
    errors: int = 0
    retries: int = 0
    timeouts: int = 0
    reconnects: int = 0
    restarts: int = 0
    round_trip_s: float | None = None
    last_frame_age_s: float | None = None
    clock_ready: bool = False
    clock_offset: float | None = None
    clock_error_s: float | None = None
    clock_age_s: float | None = None
