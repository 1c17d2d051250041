"""Readings: what the lock-in says, and what of it was kept with the place where the pole was."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from earthward.record.base import Point, Record, positive, said
from earthward.record.place import Station

Purpose = Literal["survey", "test leak", "re-measure"]
#: In a test-leak reading: was the test leak joined to earth?
TestLeakState = Literal["connected", "disconnected"]
#: In `covered`: it is known that nothing was.
NONE_COVERED = ("none",)


class Measured(Record, frozen=True, kw_only=True):
    """What one lock-in window gave. value_V: signed peak amplitude, V_back - V_front at the injection electrode's
    positive phase; p_sign: probability that its sign is right. Flags are plain words ("saturated", "acquiring")."""

    quadrature_V: Annotated[float | None, said("quadrature amplitude")] = None
    snr: Annotated[float | None, said("|value| over sigma as the detector gave it")] = None
    p_sign: Annotated[float | None, said("probability that the sign is right")] = None
    window_s: Annotated[float | None, said("length of the detector's window")] = None
    lost_fraction: Annotated[float | None, said("share of the window's samples that were lost")] = None
    flags: Annotated[
        tuple[str, ...], said("the detector's words about this reading, separated by semicolons in tables")
    ] = ()
    channel: Annotated[int, said("input pair")] = 0


class Reading(Measured, frozen=True, kw_only=True):
    """One lock-in result. t_s: middle of the window; newest_s: time of its newest sample. value_V is None (and
    "acquiring" among the flags) while the phase is not known."""

    t_s: float
    window_s: float = 0.0
    lost_fraction: float = 0.0
    value_V: float | None = None
    sigma_V: float | None = None
    newest_s: float = 0.0


class KeptReading(Measured, frozen=True, kw_only=True):
    """A reading that was kept, and where.

    Rows of one `station` (empty: a station of its own) share the place and its errors; rows of one `turn` there were
    taken without turning the pole head and share its bearing and tilt errors (empty: each direction is a turn of its
    own, unless the head is rigid). bearing and tilt: told by a sensor in the head, whose errors then count for the
    turn; front and back lie as it says (None: held by eye). depth: told by a pressure sensor, its error counts for the
    station (None: the mark on the pole). injected_A: positive-phase peak at that moment. finding:
    which one a re-measurement belongs to. test_leak: state of the test leak, for that purpose. `row` and `uid` are
    filled in by the store.
    """

    front_m: Annotated[Point, said("front electrode")]
    back_m: Annotated[Point, said("back electrode")]
    value_V: Annotated[
        float,
        said(
            "signed peak amplitude of the waveform, V_back - V_front at the injection electrode's positive phase; "
            "above zero: current flows in the water from back towards front"
        ),
    ]
    sigma_V: Annotated[
        float, positive("standard error of value_V from the detector (without errors of the pole's place)")
    ]
    station: Annotated[
        str,
        said("readings with the same station share the place of the pole and its errors; none: a station of its own"),
    ] = ""
    turn: Annotated[str, said("readings of a station with the same turn were taken without turning the pole head")] = ""
    source_id: Annotated[int, said("which placement of the injection electrode")] = 0
    injected_A: Annotated[float | None, said("injected current, positive-phase peak, at that moment")] = None
    purpose: Annotated[Purpose, said("why it was taken")] = "survey"
    test_leak: Annotated[TestLeakState | None, said("state of the test leak")] = None
    finding: Annotated[int | None, said("number of the finding that a re-measurement belongs to")] = None
    bearing_deg: Annotated[
        float | None, said("bearing of the head by a sensor in it: from +x towards +y, the way that it points ahead")
    ] = None
    bearing_sigma_deg: Annotated[float | None, said("standard error of that bearing")] = None
    tilt_deg: Annotated[float | None, said("by how much the head leans, by a sensor in it")] = None
    tilt_sigma_deg: Annotated[float | None, said("standard error of the lean about each level axis")] = None
    depth_m: Annotated[float | None, said("depth of the head's middle, by a pressure sensor in it")] = None
    depth_sigma_m: Annotated[float | None, said("standard error of that depth")] = None
    settings_id: Annotated[int | None, said("number of the measuring settings in use")] = None
    note: Annotated[str, said("remark")] = ""
    time_s: Annotated[float, said("when it was kept")] = math.nan
    uid: Annotated[str, said("identity of the reading, unique for ever")] = ""
    row: Annotated[int, said("number of the reading in the survey")] = 0
    withdrawn_s: Annotated[float | None, said("when it was taken back")] = None
    withdrawn_why: Annotated[str, said("why it was taken back")] = ""
    covered: Annotated[
        tuple[str, ...],
        said(
            'fittings that were covered or plugged when it was taken; "none": none was; empty: not said, as in the '
            "pool file"
        ),
    ] = ()

    def covered_then(self, now: frozenset[str]) -> frozenset[str]:
        """What was covered when it was taken; `now`: what is in the pool file, for a reading that does not say."""
        if not self.covered:
            return now
        return frozenset() if self.covered == NONE_COVERED else frozenset(self.covered)

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
