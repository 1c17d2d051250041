"""Scripted players of practice pools: the guided way, and three worse ones that a score must tell from it.

guided: reads where the search proposes, covers what the display would ask to cover, dyes what the search calls found,
names what draws dye in, patches it if there is another hole.
sweep: covers every fitting, reads all along the edge and the middle, asks the search once, dyes from the strongest on.
random: reads at ten places of chance, dyes beside the loudest, and names it whatever the dye says.
cheater: the guided way without a look at the pool, without the stray-voltage check, hands in the water with the
source on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from earthward.inversion.locate import Survey
from earthward.inversion.types import FloatingSink, LocateSettings, Result
from earthward.practice.actions import Accused, AnyAction, Covered, Dyed, Held, Patched
from earthward.practice.pools import PracticePool
from earthward.practice.quick import QuickVisit
from earthward.record.base import Point
from earthward.record.place import COVERABLE, Station

#: After so many spots the guided way dyes what is only suspected, and stops.
MOST_SPOTS = 24
OFF_WALL_M, SWEEP_APART_M = 0.45, 1.5
RANDOM_SPOTS = 10
COVER_SHARE, FEW_SPOTS, COVER_SHARE_LATER, MANY_SPOTS = 0.5, 3, 0.25, 12


def guided(pool: PracticePool) -> list[AnyAction]:
    return _guided(QuickVisit(pool, "guided"))


def cheater(pool: PracticePool) -> list[AnyAction]:
    return cheated(pool, guided(pool))


def cheated(pool: PracticePool, honest: Sequence[AnyAction]) -> list[AnyAction]:
    """What the guided player did, with his hands at his places, but without any safety step: no search is needed."""
    visit = QuickVisit(pool, "guided", safe=False)
    visit.begin()
    for action in honest:
        match action:
            case Held(place=Station(vertical=False) as place) if place.name not in {r.station for r in visit.readings}:
                visit.spot(place.position_m, place.bearing_deg or 0.0)
            case Covered(fitting=name):
                visit.cover(name)
            case Patched(position_m=at):
                visit.patch(at)
            case Dyed(position_m=at):
                visit.dye(at)
            case Accused(position_m=at):
                visit.accuse(at)
            case _:
                pass
    visit.end()
    return visit.actions


def _guided(visit: QuickVisit) -> list[AnyAction]:
    s = visit.scenario
    visit.begin()
    search = Search(visit)
    place, bearing = (s.length_m / 3, s.width_m - OFF_WALL_M, 0.5 * s.depth_m), 90.0
    named: list[Point] = []
    wanted = len(s.leaks)  # the level log says how much is lost; here it is said as a number of holes
    for number in range(1, MOST_SPOTS + 1):
        visit.spot(place, bearing)
        result = search.result()
        last = number == MOST_SPOTS or result.next_station is None
        new = [f.position_m for f in result.findings if f.certain or last]
        for at in new:
            if len(named) >= wanted or any(math.dist(at, known) < 0.25 for known, _ in visit.dyed):
                continue
            if visit.dye(at):
                visit.accuse(at)
                named.append(at)
                if len(named) < wanted:
                    visit.patch(at)
        if len(named) >= wanted or result.next_station is None:
            break
        strongest = to_cover(visit, result)
        if strongest is not None and not new:
            visit.cover(strongest)
        place, bearing = result.next_station.position_m, result.next_station.bearing_deg or 0.0
    visit.end()
    return visit.actions


def to_cover(visit: QuickVisit, result: Result) -> str | None:
    """As the display's line asks: what takes half of the current for sure, once three spots have said it; later a
    quarter."""
    kinds = {f.name: f for f in visit.known_pool().fittings}
    spots = len({r.station for r in visit.readings_since})
    enough = COVER_SHARE if len({r.station for r in visit.readings}) < MANY_SPOTS else COVER_SHARE_LATER
    shares = [
        (share.interval_A[0] / result.budget.injected_A, share.name)
        for share in result.budget.fittings
        if share.name in kinds and not kinds[share.name].covered and kinds[share.name].kind in COVERABLE
    ]
    share, name = max(shares, default=(0.0, ""))
    return name if spots >= FEW_SPOTS and share >= enough and result.verdict != "found" else None


def sweep(pool: PracticePool) -> list[AnyAction]:
    visit = QuickVisit(pool, "sweep")
    s = visit.scenario
    for fitting in s.fittings:
        if fitting.kind in COVERABLE:
            visit.cover(fitting.name)
    visit.begin()
    for place, bearing in _everywhere(s.length_m, s.width_m, s.depth_m):
        visit.spot(place, bearing)
    result = Search(visit).result()
    named = 0
    for finding in sorted(result.findings, key=lambda f: -(f.strength or 0.0))[:4]:
        if visit.dye(finding.position_m):
            visit.accuse(finding.position_m)
            named += 1
        if named >= len(s.leaks):
            break
    visit.end()
    return visit.actions


def at_random(pool: PracticePool) -> list[AnyAction]:
    visit = QuickVisit(pool, "random")
    s = visit.scenario
    draw = np.random.default_rng([pool.grade.number, pool.seed, 99])
    visit.begin()
    for _ in range(RANDOM_SPOTS):
        x = draw.uniform(OFF_WALL_M, s.length_m - OFF_WALL_M)
        y = draw.uniform(OFF_WALL_M, s.width_m - OFF_WALL_M)
        visit.spot((float(x), float(y), 0.5 * s.depth_m), float(draw.uniform(0, 360)))
    loudest = max(visit.readings, key=lambda r: abs(r.value_V))
    at = _nearest_liner(loudest.centre_m, s.length_m, s.width_m, s.depth_m)
    visit.dye(at)
    visit.accuse(at)
    visit.end()
    return visit.actions


class Search:
    """The instrument's own search over a visit's readings since the last cover or patch; what drew no dye counts as a
    fitting."""

    def __init__(self, visit: QuickVisit) -> None:
        self._visit = visit
        self._about: tuple[int, int] | None = None
        self._survey: Survey | None = None

    def result(self) -> Result:
        visit = self._visit
        no_dye = [at for at, drawn in visit.dyed if not drawn]
        readings = visit.readings_since
        about = (len(no_dye), readings[0].row if readings else 0)
        survey = self._survey
        if survey is None or about != self._about:
            floating = tuple(FloatingSink(f"no dye {k + 1}", at) for k, at in enumerate(no_dye))
            liner = None if survey is None else survey.problem.liner
            survey = Survey(visit.known_pool(), LocateSettings(floating=floating), liner=liner)
            self._about, self._survey = about, survey
        for reading in readings[len(survey.readings) :]:
            survey.add(reading)
        return survey.result(coverage=False)


def _everywhere(length_m: float, width_m: float, depth_m: float) -> list[tuple[Point, float]]:
    """All along the edge, front end to the wall, then along the middle."""
    o, z = OFF_WALL_M, 0.5 * depth_m
    corners = [(o, o), (length_m - o, o), (length_m - o, width_m - o), (o, width_m - o), (o, o)]
    places: list[tuple[Point, float]] = []
    for (a, b), outward in zip(pairwise(corners), (270.0, 0.0, 90.0, 180.0), strict=True):
        count = max(1, math.ceil(math.dist(a, b) / SWEEP_APART_M))
        for k in range(count):
            share = k / count
            places.append(((a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), z), outward))
    for x in np.linspace(o + 1.0, length_m - o - 1.0, max(2, round(length_m / 3))):
        places.append(((float(x), width_m / 2, z), 0.0))
    return places


def _nearest_liner(at: Point, length_m: float, width_m: float, depth_m: float) -> Point:
    x, y, z = at
    options: list[Point] = [(0.0, y, z), (length_m, y, z), (x, 0.0, z), (x, width_m, z), (x, y, depth_m)]
    return min(options, key=lambda p: math.dist(p, at))


PLAYERS: dict[str, Callable[[PracticePool], list[AnyAction]]] = {
    "guided": guided,
    "sweep": sweep,
    "random": at_random,
    "cheater": cheater,
}
