"""Guided survey against hand practice, on the same pools: what a map of the whole pool saves a technician.

    python tests/benchmarks/bench_hand_practice.py --pools 20 --seed 740000

The pools are those of the world "turned" (tests/benchmarks/worlds.py): one leak, one to three fittings that take
current. Both hold the same pole with the same hands and the same detector (1 uV), both know the fittings, both walk at
the same pace, both dye within the same reach. The technician by hand has sign and loudness only. His rules:

1.  He walks the edge once around, 0.4 m off the wall at half the depth, pair along his way, a hold every 0.8 m; then up
    and down the middle in lines at most 1.5 m apart. The injection electrode hangs at its first place.
2.  Where the sign turns from "ahead" to "behind" between two holds (current comes together there; it parts where the
    electrode is) there is a sink. Both holds must be clear of the noise (3 sigma). The louder places he takes first:
    he follows a sign change at once if it is louder than the median of all holds so far, else after the walk.
3.  He narrows down: halves the stretch along the way until it is shorter than 0.15 m; then across the way: towards the
    side that the sign says, in steps of 0.4 m until the sign turns or the wall is reached, and halves again; then
    upright for the depth, the same; then once more along, across and upright from where he is now, within 0.4 m.
4.  Where that ends within 0.35 m of a fitting he knows, it is the fitting: he notes it and moves on without dye.
    A place within 0.5 m of one he dyed already he does not dye again.
5.  Elsewhere he dyes at the nearest liner. Dye is drawn within 0.3 m of the leak: found, done. Not drawn: he moves on.
6.  After the walk he takes the sign changes left over, loudest first; then he hangs the electrode at the other end (its
    second place) and walks again. After that he dyes each fitting. He stops after 200 holds, wherever he is.

The guided one starts a third of the way along the pool's left long wall, reads every station in three directions with
both electrodes (the board switches them), and goes where the search proposes. Says it "found", he dyes there; not
drawn: the place becomes a fitting, and the survey goes on. After 16 stations he dyes what is
suspected, strongest first, and stops.

Pace, for both: 10 s to put the pole and hold still, 5 s a reading, 0.4 m/s with the pole along the deck, 3 min a dye
test, 4 min to hang the electrode elsewhere by hand.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[2] / "firmware_host")]

from tests.benchmarks.world_list import WORLDS
from tests.benchmarks.worlds import NOISE_V, Drawn, Spot, draw, ends, hold, inside, measured
from tests.benchmarks.worlds import Pair as HeldPair

from earthward.inversion.locate import locate
from earthward.record.place import Fitting
from earthward.record.reading import KeptReading

FloatArray = NDArray[np.float64]
REACH_m, CLEAR = 0.3, 3.0
HOLD_s, READING_s, DYE_s, HANG_s, PACE_m_per_s = 10.0, 5.0, 180.0, 240.0, 0.4
MOST_HOLDS, MOST_STATIONS = 200, 16
OFF_WALL_m, APART_m = 0.4, 0.8


class EnoughError(Exception):
    """So many holds that a technician gives up."""


@dataclass
class Visit:
    """What one visit costs, and whether the leak was dyed."""

    found: bool = False
    holds: int = 0
    readings: int = 0
    walked_m: float = 0.0
    wrong_dye: int = 0
    hangs: int = 0
    at: FloatArray | None = field(default=None, repr=False)

    def go(self, place: FloatArray) -> None:
        if self.at is not None:
            self.walked_m += float(np.linalg.norm(place[:2] - self.at[:2]))
        self.at = place

    @property
    def minutes(self) -> float:
        dyed = self.wrong_dye + self.found
        seconds = self.holds * HOLD_s + self.readings * READING_s + self.walked_m / PACE_m_per_s
        return (seconds + dyed * DYE_s + self.hangs * HANG_s) / 60


class ByHand:
    """The technician of the module's text."""

    def __init__(self, drawn: Drawn) -> None:
        self._drawn, self._pool = drawn, drawn.pool
        self._draw = np.random.default_rng([drawn.seed, 5])
        self.visit = Visit()
        self._electrode = 0
        self._loud: list[float] = []
        self._dyed: list[FloatArray] = []
        self._seen: list[FloatArray] = []

    def run(self) -> Visit:
        try:
            for electrode in (0, 1):
                if electrode:
                    self._electrode = 1
                    self.visit.hangs += 1
                if self._walk():
                    return self.visit
            for fitting in self._pool.fittings:
                if self._dye(np.array(fitting.position_m)):
                    break
        except EnoughError:
            pass
        return self.visit

    # ---- walking ------------------------------------------------------------------------------------------------

    def _walk(self) -> bool:
        """Once around and up and down the middle; True when the leak was dyed."""
        later: list[tuple[float, FloatArray, FloatArray]] = []
        for way in self._ways():
            before: tuple[FloatArray, float] | None = None
            for k, place in enumerate(way):
                heading = way[min(k + 1, len(way) - 1)] - way[max(min(k, len(way) - 2), 0)]
                value = self._hold(place, heading)
                if before is not None and before[1] > CLEAR * NOISE_V and value < -CLEAR * NOISE_V:
                    loud = max(before[1], -value)
                    if loud > float(np.median(self._loud)):
                        if self._follow(before[0], place):
                            return True
                    else:
                        later.append((loud, before[0], place))
                before = (place, value)
        later.sort(key=lambda one: -one[0])
        return any(self._follow(a, b) for _, a, b in later)

    def _ways(self) -> list[list[FloatArray]]:
        """Once around the edge, then lines along the middle."""
        length, width, z = self._pool.length_m, self._pool.width_m, 0.5 * self._pool.floor.depth_m
        o = OFF_WALL_m
        edge = [(o, o), (length - o, o), (length - o, width - o), (o, width - o), (o, o)]
        ways = [[place for a, b in pairwise(edge) for place in _steps(a, b, z)[:-1]]]
        ways[0].append(ways[0][0])
        lines = max(1, math.ceil((width - 2 * o) / 1.5) - 1)
        for k in range(lines):
            y = o + (k + 1) * (width - 2 * o) / (lines + 1)
            ends_m = ((o, y), (length - o, y)) if k % 2 == 0 else ((length - o, y), (o, y))
            ways.append(_steps(*ends_m, z))
        return ways

    # ---- narrowing down -----------------------------------------------------------------------------------------

    def _follow(self, behind: FloatArray, ahead: FloatArray) -> bool:
        """Narrow a sink down between two holds, and dye there if it is no fitting."""
        if any(np.linalg.norm(0.5 * (behind + ahead)[:2] - s[:2]) < 0.5 for s in self._seen):
            return False
        along = (ahead - behind) / np.linalg.norm(ahead - behind)
        across, upright = np.array([-along[1], along[0], 0.0]), np.array([0.0, 0.0, 1.0])
        place = self._halve(behind, ahead)
        place = self._search(place, across)
        place = self._search(place, upright)
        for axis in (along, across, upright):
            place = self._halve(*self._stretch(place - 0.4 * axis, place + 0.4 * axis))
        spot = self._nearest_liner(place)
        self._seen.append(spot)
        if any(np.linalg.norm(spot - f.position_m) < 0.35 for f in self._pool.fittings):
            return False
        if any(np.linalg.norm(spot - d) < 0.5 for d in self._dyed):
            return False
        return self._dye(spot)

    def _stretch(self, a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
        within = inside(self._pool, np.array([a, b]), 0.2)
        return within[0], within[1]

    def _halve(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Towards the sink by its sign until the stretch is short."""
        while np.linalg.norm(high - low) > 0.15:
            middle = 0.5 * (low + high)
            if self._hold(middle, high - low) > 0:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def _search(self, place: FloatArray, axis: FloatArray) -> FloatArray:
        """In steps to the side that the sign says, until it turns or the liner is reached; then halved."""
        way = axis if self._hold(place, axis) > 0 else -axis
        while True:
            ahead = inside(self._pool, (place + 0.4 * way)[None], 0.2)[0]
            if np.linalg.norm(ahead - place) < 0.05:
                return place
            if self._hold(ahead, way) < 0:
                return self._halve(place, ahead)
            place = ahead

    def _nearest_liner(self, place: FloatArray) -> FloatArray:
        gaps: list[tuple[float, FloatArray]] = []
        for axis, end in ((0, self._pool.length_m), (1, self._pool.width_m)):
            for wall in (0.0, end):
                on = place.copy()
                on[axis] = wall
                gaps.append((abs(float(place[axis]) - wall), on))
        floor = place.copy()
        floor[2] = self._pool.floor.depth_m
        gaps.append((float(floor[2] - place[2]), floor))
        return min(gaps, key=lambda one: one[0])[1]

    # ---- hands --------------------------------------------------------------------------------------------------

    def _hold(self, place: FloatArray, heading: FloatArray) -> float:
        """Volts with the front end along the heading: > 0 means that current flows that way."""
        if self.visit.holds >= MOST_HOLDS:
            raise EnoughError
        upright = abs(heading[2]) > np.hypot(*heading[:2])
        bearing = 0.0 if upright else math.degrees(math.atan2(heading[1], heading[0]))
        self.visit.go(place)
        self.visit.holds += 1
        self.visit.readings += 1
        spot = Spot(place, bearing, np.array([0.0, 1.0]))
        middle, arm, _ = hold(self._drawn.world, self._drawn.truth.pool, spot, self._draw)[2 if upright else 1]
        front, back = ends(self._drawn.truth.pool, [HeldPair(middle, arm, 0, 0, self._electrode)])
        value = float(self._drawn.truth.volts(front, back, np.array([self._electrode]))[0])
        value += self._draw.normal(0.0, NOISE_V)
        if upright and heading[2] < 0:
            value = -value
        self._loud.append(abs(value))
        return value

    def _dye(self, place: FloatArray) -> bool:
        self.visit.go(place)
        self._dyed.append(place)
        return dye(self._drawn, place, self.visit)


def _steps(a: tuple[float, float], b: tuple[float, float], z: float) -> list[FloatArray]:
    """Holds on the way from a to b, both ends among them."""
    count = max(2, math.ceil(math.dist(a, b) / APART_m) + 1)
    return [np.array([*(np.array(a) + t * np.subtract(b, a)), z]) for t in np.linspace(0, 1, count)]


def dye(drawn: Drawn, place: FloatArray, visit: Visit) -> bool:
    """Is dye let go here drawn into the liner?"""
    drawn_in = any(np.linalg.norm(leak.middle_m - place) <= REACH_m for leak in drawn.truth.leaks)
    visit.found |= drawn_in
    visit.wrong_dye += not drawn_in
    return drawn_in


def guided(drawn: Drawn) -> Visit:
    """The same pool with the search's proposals."""
    draw_hands = np.random.default_rng([drawn.seed, 6])
    visit, readings, pool = Visit(), list[KeptReading](), drawn.pool
    place = np.array([pool.length_m / 3, pool.width_m - 0.45, 0.5 * pool.floor.depth_m])
    bearing = 90.0
    for station in range(MOST_STATIONS):
        visit.go(place)
        visit.holds += 3
        visit.readings += 6
        spot = Spot(place, bearing, np.array([0.0, 1.0]))
        new = measured(drawn.world, drawn.seed, drawn.pool, drawn.truth, [spot], draw_hands).readings
        readings += [msgspec.structs.replace(r, station=f"S{station + 1}") for r in new]
        result = locate(pool, readings, coverage=False)
        last = station == MOST_STATIONS - 1
        for finding in result.findings:
            if not (finding.certain or last):
                continue
            visit.go(np.array(finding.position_m))
            if dye(drawn, np.array(finding.position_m), visit):
                return visit
            thing = Fitting(name=f"no dye {len(pool.fittings)}", kind="other", position_m=finding.position_m)
            pool = replace(pool, fittings=(*pool.fittings, thing))
        if result.next_station is None:
            break
        place = np.array(result.next_station.position_m)
        bearing = result.next_station.bearing_deg or 0.0
    return visit


# ---- table --------------------------------------------------------------------------------------------------------

MEASURES: dict[str, Callable[[Visit], float]] = {
    "holds": lambda v: v.holds,
    "metres walked": lambda v: v.walked_m,
    "dye tests at no leak": lambda v: v.wrong_dye,
    "minutes": lambda v: v.minutes,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--pools", type=int, default=12)
    parser.add_argument("--seed", type=int, default=740_000)
    parser.add_argument("--only", choices=("hand", "guided"), help="one of the two")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    visits: dict[str, list[Visit]] = {"hand": [], "guided": []}
    for seed in range(args.seed, args.seed + args.pools):
        drawn = draw(WORLDS["turned"], seed)
        for name, run in (("hand", lambda d: ByHand(d).run()), ("guided", guided)):
            if args.only in (None, name):
                visits[name].append(run(drawn))
                print(name, seed, visits[name][-1], file=sys.stderr, flush=True)
    figures = {
        name: {
            "pools": len(them),
            "found": float(np.mean([v.found for v in them])),
            **{what: float(np.mean([of(v) for v in them])) for what, of in MEASURES.items()},
            "minutes a leak found": sum(v.minutes for v in them) / max(1, sum(v.found for v in them)),
        }
        for name, them in visits.items()
        if them
    }
    if args.json:
        print(json.dumps(figures))
        return
    for name, row in figures.items():
        print(name + ": " + ", ".join(f"{what} {value:.3g}" for what, value in row.items()))


if __name__ == "__main__":
    main()
