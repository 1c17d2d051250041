"""A reading spot as one routine: the pole along, across and upright, each with every electrode, in one hold.

The daemon owns it, so that it goes on if the screen dies. It keeps by itself once the value has been steady for a
second (that can be switched off) and has the board switch electrodes while the pole is held. Pure: told of readings
and presses, it says what to do next.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import msgspec

from earthward.daemon import protocol as m
from earthward.record.board import ElectrodeName
from earthward.record.place import Station
from earthward.record.reading import Purpose, TestLeakState

#: The value has to stand still for so long before it is kept.
STEADY_S = 1.0
#: Steady: all values of that time within six sigma, or within this part of the value (what a hand can hold).
HAND_SHARE = 0.1
#: A pair in air picks up many times the mains of one in the water: beyond this a person is asked. Common practice, no
#: source; the emulated pool has 40.
AIR_TIMES = 10.0
#: Less mains than this is not worth a comparison.
LEAST_MAINS_V = 2e-5
#: So many readings that were kept say how much mains there is in the water.
MAINS_KEPT = 24
BAD_FLAGS = frozenset({"saturated", "acquiring", "motion"})

HEADS: dict[str, tuple[m.TurnName, ...]] = {
    "single": ("along", "across", "upright"),
    "crossed": ("along", "upright"),
    "three-axis": ("along",),
}


@dataclass(frozen=True, slots=True)
class KeepNow:
    """Keep the newest reading as this turn's."""

    place: Station
    turn: str


@dataclass(frozen=True, slots=True)
class SwitchTo:
    electrode: ElectrodeName


@dataclass
class Turn:
    name: m.TurnName
    status: m.TurnStatus = "to do"
    rows: list[int] = field(default_factory=list)


class WaterMains:
    """How much mains the pair picks up in the water. The median of the readings kept: at some place there is hardly
    any, and for some moments after a start the lock-in knows of none."""

    def __init__(self) -> None:
        self._kept_V: deque[float] = deque(maxlen=MAINS_KEPT)

    def times(self, mains_V: float) -> float:
        """Mains against that of the readings kept before; 1 before there is any."""
        return max(mains_V, LEAST_MAINS_V) / statistics.median(self._kept_V) if self._kept_V else 1.0

    def kept(self, mains_V: float) -> None:
        """A reading in the water was kept."""
        self._kept_V.append(max(mains_V, LEAST_MAINS_V))


class SpotRoutine:
    """One spot. `electrodes`: those that are in the water; the present one is read first."""

    def __init__(
        self,
        base: Station,
        turns: Sequence[m.TurnName],
        electrodes: Sequence[ElectrodeName],
        now_s: float,
        auto: bool = True,
        purpose: Purpose = "survey",
        finding: int | None = None,
        test_leak: TestLeakState | None = None,
    ) -> None:
        self.base = base
        self.turns = [Turn(name) for name in turns]
        self.electrodes = tuple(electrodes)
        self.auto = auto
        self.purpose, self.finding, self.test_leak = purpose, finding, test_leak
        self._at = 0
        self._read: list[ElectrodeName] = []
        self._since_s = now_s
        self._holding = True
        self._now_wanted = False
        self._recent: deque[tuple[float, float, float]] = deque()
        self._waiting = "no reading yet"
        self.doubt = False

    # ---- what the person does -------------------------------------------------------------------------------

    @property
    def turn(self) -> Turn | None:
        """The present one; None when the spot is done."""
        return self.turns[self._at] if self._at < len(self.turns) else None

    @property
    def done(self) -> bool:
        return self.turn is None

    def place(self) -> Station:
        """Where and how the pole is held now."""
        turn = self.turns[min(self._at, len(self.turns) - 1)]
        return turned(self.base, turn.name)

    def press(self, now_s: float) -> bool:
        """Keep was pressed. True if the pole has just been turned as asked (what was read before belongs elsewhere)."""
        if self.turn is None:
            return False
        if not self._holding:
            self._begin_hold(now_s)
            return True
        self._now_wanted = True
        return False

    def skip(self, now_s: float) -> None:
        """The present turn is left out."""
        if self.turn is not None:
            self.turn.status = "skipped"
            self._advance(now_s)

    def again(self, row: int, now_s: float) -> None:
        """Row `row` was taken back: its turn is read again, if it is of this spot."""
        for number, turn in enumerate(self.turns):
            if row in turn.rows:
                turn.rows.clear()
                turn.status = "to do"
                self._at = number
                self._holding = False
                self._read.clear()

    def interrupted(self, now_s: float) -> None:
        """The source went off: the present hold begins anew once it is on again."""
        if self.turn is not None and self._holding:
            self._read.clear()
            self._recent.clear()
            self._since_s = now_s
            self._waiting = "source off"

    # ---- what the instrument does ---------------------------------------------------------------------------

    def on_reading(self, reading: m.ReadingMessage, now_s: float, mains_times: float = 1.0) -> KeepNow | None:
        """A new reading of the pair along the pole. `mains_times`: its mains against those of readings kept before."""
        if self.turn is None or not self._holding:
            return None
        self.doubt = mains_times > AIR_TIMES
        if self.doubt and not self._now_wanted:
            self._recent.clear()
            self._since_s = now_s
            self._waiting = f"{mains_times:.0f} times the mains of before: is the pole in the water?"
            return None
        wanted = None if not self._read else self._next_electrode()
        if wanted is not None and reading.source_id != "AB".index(wanted):
            self._waiting = f"electrode {wanted} comes on"
            return None
        if not self._since_hold(reading):
            self._waiting = "hold still"
            return None
        if not _valued(reading):
            self._recent.clear()
            self._waiting = "no signal yet"
            return None
        bad = BAD_FLAGS.intersection(reading.flags)
        if bad:
            self._recent.clear()
            self._waiting = "pole moving" if "motion" in bad else sorted(bad)[0]
            return None
        self._recent.append((reading.t_s, reading.value_V or 0.0, reading.sigma_V or 0.0))
        while self._recent[0][0] < reading.t_s - STEADY_S:
            self._recent.popleft()
        values = [value for _, value, _ in self._recent]
        sigma = max(s for _, _, s in self._recent)
        spread = max(values) - min(values)
        if spread > max(6.0 * sigma, HAND_SHARE * max(abs(v) for v in values)):
            self._waiting = "not steady"
            return None
        held_s = reading.t_s - max(self._since_s, self._recent[0][0])
        left_s = STEADY_S - held_s
        self._waiting = f"steady, {max(0.0, left_s):.0f} s" if self.auto else "steady: press keep"
        if self._now_wanted or (self.auto and left_s <= 0.05) or (self._read and left_s <= 0.05):
            return KeepNow(self.place(), self.turn.name)
        return None

    def moved(self, at_s: float) -> None:
        """The head's own sensor saw it move: what was measured until then belongs to no place."""
        if self._holding and at_s > self._since_s:
            self._since_s = at_s
            self._recent.clear()

    def good(self, reading: m.ReadingMessage) -> bool:
        """Whether a reading, of any pair of the head, may be kept with the present hold."""
        return self._since_hold(reading) and _valued(reading) and not BAD_FLAGS.intersection(reading.flags)

    def _since_hold(self, reading: m.ReadingMessage) -> bool:
        return reading.t_s - (reading.window_s or 0.0) / 2 >= self._since_s

    def kept(self, rows: Sequence[int], electrode: ElectrodeName, now_s: float) -> SwitchTo | None:
        """The readings asked for were kept, one row for each pair of the head."""
        turn = self.turn
        assert turn is not None
        turn.rows.extend(rows)
        self._read.append(electrode)
        self._recent.clear()
        self._now_wanted = False
        following = self._next_electrode()
        if following is not None:
            self._since_s = now_s
            self._waiting = f"electrode {following} comes on"
            return SwitchTo(following)
        turn.status = "kept"
        self._advance(now_s)
        return None

    def _next_electrode(self) -> ElectrodeName | None:
        left = [e for e in self.electrodes if e not in self._read]
        return left[0] if left and self._read else None

    def _begin_hold(self, now_s: float) -> None:
        self._holding, self._now_wanted = True, False
        self._since_s = now_s
        self._recent.clear()
        self._waiting = "hold still"

    def _advance(self, now_s: float) -> None:
        self._read.clear()
        self._holding = False
        while self._at < len(self.turns) and self.turns[self._at].status != "to do":
            self._at += 1

    # ---- what is shown --------------------------------------------------------------------------------------

    def told(self) -> m.Spot:
        phase: m.SpotPhase = "done" if self.turn is None else "hold" if self._holding else "turn"
        return m.Spot(
            station=self.base.name,
            turns=[m.SpotTurn(name=t.name, status=t.status) for t in self.turns],
            at=self._at,
            phase=phase,
            waiting=self._waiting if phase == "hold" else "",
            electrodes=len(self.electrodes),
            electrodes_read=len(self._read),
            auto=self.auto,
            purpose=self.purpose,
            doubt=self.doubt and phase == "hold",
        )


def _valued(reading: m.ReadingMessage) -> bool:
    return reading.value_V is not None and bool(reading.sigma_V) and reading.current_A is not None


def turned(base: Station, name: m.TurnName) -> Station:
    """The spot's place with the pole held along, across (a quarter turn towards +y) or upright."""
    bearing = 0.0 if base.bearing_deg is None else base.bearing_deg
    if name == "upright":
        return msgspec.structs.replace(base, bearing_deg=None, vertical=True)
    angle = math.fmod(bearing + (90.0 if name == "across" else 0.0), 360.0)
    return msgspec.structs.replace(base, bearing_deg=angle, vertical=False)
