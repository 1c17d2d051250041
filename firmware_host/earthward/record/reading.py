"""Readings: what the lock-in says, and what of it was kept with the place where the pole was."""

from __future__ import annotations

import math
from typing import Literal

from earthward.record.base import Point, Record
from earthward.record.place import Station

Purpose = Literal["survey", "test leak", "re-measure"]
#: In a test-leak reading: was the test leak joined to earth?
TestLeakState = Literal["connected", "disconnected"]


class Measured(Record, frozen=True, kw_only=True):
    """What one lock-in window gave. value_V: signed peak amplitude, V_back - V_front at the injection electrode's
    positive phase; p_sign: probability that its sign is right. Flags are plain words ("saturated", "acquiring")."""

    quadrature_V: float | None = None
    snr: float | None = None
    p_sign: float | None = None
    window_s: float | None = None
    lost_fraction: float | None = None
    flags: tuple[str, ...] = ()
    channel: int = 0


class Reading(Measured, frozen=True, kw_only=True):
    """One lock-in result. t_s: middle of the window; newest_s: time of its newest sample. value_V is None (and
    "acquiring" among the flags) while the phase is not known."""

    t_s: float
    value_V: float | None = None
    sigma_V: float | None = None
    newest_s: float = 0.0


class KeptReading(Measured, frozen=True, kw_only=True):
    """A reading that was kept, and where.

    Rows of one `station` (empty: a station of its own) share the place and its errors; rows of one `turn` there were
    taken without turning the pole head and share its bearing and tilt errors (empty: each direction is a turn of its
    own, unless the head is rigid). injected_A: positive-phase peak at that moment. finding: which one a re-measurement
    belongs to. test_leak: state of the test leak, for that purpose. `row` and `uid` are filled in by the store.
    """

    front_m: Point
    back_m: Point
    value_V: float
    sigma_V: float
    station: str = ""
    turn: str = ""
    source_id: int = 0
    injected_A: float | None = None
    purpose: Purpose = "survey"
    test_leak: TestLeakState | None = None
    finding: int | None = None
    settings_id: int | None = None
    note: str = ""
    time_s: float = math.nan
    uid: str = ""
    row: int = 0
    withdrawn_s: float | None = None
    withdrawn_why: str = ""

    @property
    def centre_m(self) -> Point:
        (ax, ay, az), (bx, by, bz) = self.front_m, self.back_m
        return (ax + bx) / 2, (ay + by) / 2, (az + bz) / 2

    @property
    def place(self) -> Station:
        """Where and how the pair was held, from the places of its ends."""
        dx, dy, dz = (a - b for a, b in zip(self.front_m, self.back_m, strict=True))
        vertical = math.hypot(dx, dy) < abs(dz)
        bearing = None if vertical else math.degrees(math.atan2(dy, dx)) % 360.0
        return Station(position_m=self.centre_m, bearing_deg=bearing, vertical=vertical, name=self.station)
