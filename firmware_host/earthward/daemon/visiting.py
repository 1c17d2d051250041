"""The visit as the loop sees it: where the pole is, what is to be kept, when plan and steps are told anew.

The record itself is the clerk's; nothing here waits for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from earthward.clock import Clock
from earthward.daemon import protocol as m
from earthward.daemon.clerk import Clerk
from earthward.daemon.parts import Wiring
from earthward.daemon.plan import build_plan
from earthward.daemon.searching import Searching
from earthward.daemon.telling import Teller
from earthward.errors import InputError
from earthward.record.place import Depth, Orientation, Station
from earthward.record.reading import KeptReading
from earthward.survey.photos import photo_in
from earthward.survey.steps import Instrument
from earthward.survey.visit import Visit

#: A reading whose window ended so long ago is not what the person at the pole sees.
FRESH_S = 1.0
#: A calendar this much behind the record is not just being corrected.
CLOCK_SLACK_S = 60.0

Reply = Callable[[list[m.Message]], None]


class Visiting:
    """In the loop's thread. `instrument`: how the instrument is at present, for the course of the visit."""

    def __init__(
        self, visit: Visit, wiring: Wiring, clerk: Clerk, teller: Teller, instrument: Callable[[], Instrument]
    ) -> None:
        self.visit = visit
        self._wiring = wiring
        self._clock: Clock = wiring.clock
        self._clerk = clerk
        self._teller = teller
        self._instrument = instrument
        self.place: Station | None = None
        self._moved_s = -math.inf
        #: The hold under way: where and since when, and how the head is held in it.
        self._hold: tuple[tuple[Station | None, float], Orientation] | None = None
        #: ... and how deep it is.
        self._deep: tuple[tuple[Station | None, float], Depth] | None = None
        self.searching = Searching(visit, clerk, teller, wiring.clock, self.tell_plan)

    # ---- telling ----------------------------------------------------------------------------------------------

    def build_plan(self) -> m.Plan:
        return build_plan(self.visit, self._wiring.wall_s)

    def build_steps(self) -> m.Steps:
        return m.Steps(steps=self.visit.steps(self._instrument()))

    def tell_plan(self) -> None:
        """Plan and steps to everybody, as soon as the record has them."""
        self._clerk.put(self.build_plan, self._teller.publish)
        self.tell_steps()

    def tell_steps(self) -> None:
        self._clerk.put(self.build_steps, self._teller.publish)

    def begin(self) -> None:
        """The daemon has started: what the record holds already is told and searched."""

        def looked(found: tuple[int, float]) -> None:
            readings, newest_s = found
            if readings:
                self.searching.request()
            if self._wiring.wall_s() < newest_s - CLOCK_SLACK_S:
                self._teller.event(
                    "caution",
                    "clock not set",
                    f"The calendar is not set: it says {_day(self._wiring.wall_s())}, but this survey was written to "
                    f"at {_day(newest_s)}. Times in the record are wrong from here on; its order is kept.",
                    "Set the clock (network or sudo date).",
                )

        self._clerk.put(lambda: (len(self.visit.survey_readings()), self.visit.newest_s()), looked)
        self.tell_plan()

    # ---- the pole ---------------------------------------------------------------------------------------------

    def move(self, place: Station) -> None:
        self.place = place
        if self._wiring.on_move is not None:
            self._wiring.on_move(place)
        # What was read on the way belongs to no place.
        self._moved_s = self._clock.now()

    def keep(self, wish: m.Keep, latest: Mapping[int, m.ReadingMessage], reply: Reply) -> None:
        """Keep the newest reading of every pair of the head; `reply` and everybody hear of them once they are durable.
        InputError with the reason: all of them or none."""
        place = wish.place or self.place
        upright = place is not None and place.vertical and self.visit.head == "crossed"
        readings = [self._keepable(latest.get(k)) for k in range(1 if upright else self._wiring.channels)]
        orientation = self._orientation(place)
        depth = self._depth(place, orientation)
        if len({r.source_id for r in readings}) > 1:
            raise InputError("the injection electrode has only just changed; hold the pole still and keep again")

        def kept(records: list[KeptReading]) -> None:
            assert place is not None
            at = msgspec.structs.replace(place, name=records[0].station)
            if self.place is None or self.place == place or wish.place is not None:
                self.place = at
            messages: list[m.Message] = [m.Kept(**msgspec.structs.asdict(record), place=at) for record in records]
            if self._wiring.ear is not None:
                self._wiring.ear.alert("kept")
            if depth is not None and records[0].depth_sigma_m is None:
                text = f"The depth sensor shows {depth.depth_m:.2f} m, which cannot be here: the depth is kept as said."
                self._teller.event("caution", "depth sensor", text, "Hold the head at the surface and zero it again.")
            for reading, record, message in zip(readings, records, messages, strict=True):
                self._teller.note({"kind": "kept", "t_s": reading.t_s, "row": record.row, "station": record.station})
                self._teller.publish(message)
            reply(messages)
            if wish.purpose == "survey":
                self.searching.request()

        self._clerk.put(
            lambda: self._keep_all(wish, place, readings, orientation, depth),
            kept,
            lambda error: reply([problem(error)]),
        )

    def _keepable(self, reading: m.ReadingMessage | None) -> m.ReadingMessage:
        """Raises InputError unless it was measured here and now."""
        window_s = 0.0 if reading is None else reading.window_s or 0.0
        if reading is None or self._clock.now() - reading.t_s > window_s + FRESH_S:
            raise InputError("there is no fresh reading to keep; is the source on and the pair in the water?")
        head = self._wiring.head
        if head is not None and reading.t_s - window_s / 2 < head.moving_s:
            raise InputError("hold still: the head moved while this was measured, as its orientation sensor saw")
        if reading.t_s - window_s / 2 < self._moved_s:
            raise InputError("the pole has only just come here; hold it still for a moment and keep again")
        return reading

    def _orientation(self, place: Station | None) -> Orientation | None:
        """What the head's sensor says of this hold; the same for every electrode that is read in it."""
        head = self._wiring.head
        told = None if head is None else head.now()
        if head is None or told is None:
            self._hold = None
            return None
        if self._hold is None or self._hold[0] != (place, head.moving_s):
            self._hold = (place, head.moving_s), told
        return self._hold[1]

    def _depth(self, place: Station | None, orientation: Orientation | None) -> Depth | None:
        """What the depth sensor says of this hold; the same for every electrode that is read in it."""
        sense, head = self._wiring.depth, self._wiring.head
        since_s = self._moved_s if head is None else max(self._moved_s, head.moving_s)
        told = None if sense is None else sense.now(orientation, since_s)
        if told is None:
            self._deep = None
            return None
        if self._deep is None or self._deep[0] != (place, since_s):
            self._deep = (place, since_s), told
        return self._deep[1]

    def _keep_all(
        self,
        wish: m.Keep,
        place: Station | None,
        readings: list[m.ReadingMessage],
        orientation: Orientation | None,
        depth: Depth | None,
    ) -> list[KeptReading]:
        """In the clerk's thread."""
        kept: list[KeptReading] = []
        for reading in readings:
            # Pairs of one hold are one station, also where its name is only given now.
            if kept and place is not None:
                place = msgspec.structs.replace(place, name=kept[0].station)
            kept.append(
                self.visit.keep(
                    place,
                    reading,
                    source_id=reading.source_id,
                    injected_A=reading.current_A,
                    note=wish.note,
                    purpose=wish.purpose,
                    finding=wish.finding,
                    test_leak=wish.test_leak,
                    uid=wish.uid if not wish.uid or not reading.channel else f"{wish.uid}-{reading.channel}",
                    turn=wish.turn,
                    orientation=orientation,
                    depth=depth,
                )
            )
        return kept

    def add_photo(self, wish: m.AddPhoto) -> None:
        """In the clerk's thread. Raises InputError."""
        store = self.visit.store
        store.add_photo(photo_in(store.path.parent, Path(wish.path), wish.caption, wish.finding, wish.station))


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, tz=UTC).strftime("%Y-%m-%d %H:%M UTC")


def problem(error: Exception) -> m.Problem:
    """What a client is told of a wish that could not be carried out."""
    if isinstance(error, InputError):
        return m.Problem(text=f"{error}.".replace("..", "."), code=error.code)
    return m.Problem(text="The instrument failed inside while doing that; its log says how.")
