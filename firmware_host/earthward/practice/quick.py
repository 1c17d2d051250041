"""EMULATED practice visit without real time: the virtual pool's own field, a hand-held pole, and a stated noise.

The signal chain (converter, lock-in, interlock) is left out: a reading is the pool's volts where the pole really is,
plus white noise of the grade's size. Scripted players and the guided way that people are compared with run on it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import msgspec
import numpy as np

from earthward.clock import ManualClock
from earthward.daemon.spot import HEADS, turned
from earthward.emulated.load import Drive
from earthward.emulated.pole import HandHeldPole
from earthward.emulated.pool import VirtualPool
from earthward.pool.shape import Pool
from earthward.practice.actions import (
    Accused,
    AnyAction,
    Covered,
    Dyed,
    EnableHeld,
    Ended,
    Held,
    Kept,
    Looked,
    Patched,
    SourceOff,
    SourceOn,
    StrayChecked,
)
from earthward.practice.pools import PracticePool
from earthward.record.base import Point
from earthward.record.place import Placement, Station
from earthward.record.reading import NONE_COVERED, KeptReading
from earthward.safety.limits import Limits
from earthward.survey.pair import pair_ends

#: Pace of a visit, in seconds (own estimates): a look, a hold of the stray check, enable and warning, a turn of the
#: pole, a reading, dye, a patch; metres a second along the deck.
LOOK_S, STRAY_HOLD_S, ENABLE_S, TURN_S, READING_S, DYE_S = 20.0, 12.0, 6.0, 10.0, 5.0, 180.0
PATCH_S = 600.0
#: A patch put on so near to a hole covers it.
PATCH_REACH_M = 0.6
PACE_M_PER_S = 0.4
#: Dye let go this near to a hole is drawn in.
DYE_REACH_M = 0.3
#: A look at the whole pool is renewed when the last one has so little left.
LOOK_SOON_S = 90.0


class QuickVisit:
    """Moves of a visit; what is done is in `actions`. `safe`: takes every safety step by itself, as the instrument
    would ask for it; else none, and the source stays on throughout."""

    def __init__(self, pool: PracticePool, player: str, *, safe: bool = True) -> None:
        self.practice = pool
        self.scenario = pool.scenario
        self.safe = safe
        self.actions: list[AnyAction] = []
        self.dyed: list[tuple[Point, bool]] = []
        self.t_s = 0.0
        self._looked_s = -math.inf
        self._on = False
        self._at: Point | None = None
        self._stations = 0
        self._covered: list[str] = []
        self._world = VirtualPool(self.scenario, ManualClock())
        self._drive = Drive()
        # The same hands for everybody with the same player's name on the same pool.
        draw = np.random.default_rng([pool.grade.number, pool.seed, *player.encode()])
        self._pole, self._noise = HandHeldPole(self.scenario, draw), draw

    # ---- what is known --------------------------------------------------------------------------------------

    def known_pool(self) -> Pool:
        """As the technician knows it, with the currents that the board measures now and the covers that are on."""
        pool = self.scenario.known_pool()
        return replace(
            pool,
            sources=tuple(self._measured(s) for s in pool.sources),
            fittings=tuple(msgspec.structs.replace(f, covered=f.name in self._covered) for f in pool.fittings),
        )

    def _measured(self, source: Placement) -> Placement:
        return msgspec.structs.replace(source, current_A=self._injected_A("AB"[source.source_id]))

    def _injected_A(self, electrode: str) -> float:
        return self._world.inject(self._drive, electrode).current_A

    @property
    def readings(self) -> list[KeptReading]:
        return [a.reading for a in self.actions if isinstance(a, Kept)]

    @property
    def readings_since_patch(self) -> list[KeptReading]:
        """A patch sends the current other ways for good: earlier readings are of another pool."""
        patches = [k for k, a in enumerate(self.actions) if isinstance(a, Patched)]
        return [a.reading for a in self.actions[max(patches, default=0) :] if isinstance(a, Kept)]

    @property
    def covered(self) -> frozenset[str]:
        return frozenset(self._covered)

    # ---- moves ----------------------------------------------------------------------------------------------

    def begin(self) -> None:
        """A look, the stray-voltage check, source on."""
        if self.safe:
            self._look()
            self.t_s += 3 * STRAY_HOLD_S
            self.actions.append(StrayChecked(t_s=self.t_s))
        self._switch_on()

    def spot(self, position_m: Point, bearing_deg: float) -> None:
        """Hold the pole there along, across and upright; read each with both injection electrodes."""
        if self.safe and self.t_s - self._looked_s > Limits().water_clear_s - LOOK_SOON_S:
            self._look()
        self._switch_on()
        self._walk(position_m)
        self._stations += 1
        base = Station(position_m=position_m, bearing_deg=bearing_deg % 360.0, name=f"S{self._stations}")
        self._pole.put_down()
        for turn in HEADS["single"]:
            place = turned(base, turn)
            self.t_s += TURN_S
            self.actions.append(Held(t_s=self.t_s, place=place))
            front, back, _ = self._pole.ends(place)
            said_front, said_back = pair_ends(place, self.scenario.spacing_m)
            for source_id, electrode in enumerate("AB"):
                injected = self._injected_A(electrode)
                value = injected * self._world.transfer_ohm(front, back, electrode)
                sigma = self.practice.grade.reading_sigma_V
                self.t_s += READING_S
                reading = KeptReading(
                    front_m=said_front, back_m=said_back, value_V=value + float(self._noise.normal(0.0, sigma)),
                    sigma_V=sigma, station=base.name, turn=turn, source_id=source_id, injected_A=injected,
                    row=len(self.readings) + 1, time_s=self.t_s,
                    covered=tuple(sorted(self._covered)) or NONE_COVERED,
                )  # fmt: skip
                self.actions.append(Kept(t_s=self.t_s, reading=reading))

    def cover(self, fitting: str) -> None:
        self._hands_in_water()
        self._world.set_covered(fitting)
        self.t_s += self.practice.cover_s[fitting]
        self._covered.append(fitting)
        self.actions.append(Covered(t_s=self.t_s, fitting=fitting))

    def dye(self, position_m: Point) -> bool:
        """Let dye go there; is it drawn in?"""
        self._hands_in_water()
        self._walk(position_m)
        self.t_s += DYE_S
        self.actions.append(Dyed(t_s=self.t_s, position_m=position_m))
        drawn = any(math.dist(leak.position_m, position_m) <= DYE_REACH_M for leak in self.scenario.leaks)
        self.dyed.append((position_m, drawn))
        return drawn

    def patch(self, position_m: Point) -> None:
        """Patch the hole near there, if there is one."""
        self._hands_in_water()
        self.t_s += PATCH_S
        self.actions.append(Patched(t_s=self.t_s, position_m=position_m))
        for leak in self.scenario.leaks:
            if math.dist(leak.position_m, position_m) <= PATCH_REACH_M:
                self._world.set_repaired(leak.name)

    def accuse(self, position_m: Point) -> None:
        self.actions.append(Accused(t_s=self.t_s, position_m=position_m))

    def end(self) -> None:
        if self.safe:
            self._switch_off()
        self.actions.append(Ended(t_s=self.t_s))

    # ---- safety steps ---------------------------------------------------------------------------------------

    def _look(self) -> None:
        self.t_s += LOOK_S
        self._looked_s = self.t_s
        self.actions.append(Looked(t_s=self.t_s))

    def _switch_on(self) -> None:
        if self._on:
            return
        if self.safe and self.t_s - self._looked_s > Limits().water_clear_s - LOOK_SOON_S:
            self._look()
        self.actions.append(EnableHeld(t_s=self.t_s))
        self.t_s += ENABLE_S
        self.actions.append(SourceOn(t_s=self.t_s))
        self._on = True

    def _switch_off(self) -> None:
        if self._on:
            self.actions.append(SourceOff(t_s=self.t_s))
        self._on = False

    def _hands_in_water(self) -> None:
        if self.safe:
            self._switch_off()

    def _walk(self, position_m: Point) -> None:
        if self._at is not None:
            self.t_s += math.dist(self._at[:2], position_m[:2]) / PACE_M_PER_S
        self._at = position_m
