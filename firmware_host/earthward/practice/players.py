"""Scripted players of practice pools: the guided way, and three worse ones that a score must tell from it.

guided: covers what is quickly covered, reads where the search proposes, covers the rest where the search advises it,
dyes what the search calls found after two spots in succession, names what draws dye in, and goes on for the next hole.
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

from earthward.inversion.covers import joined
from earthward.inversion.locate import FEWEST_STATIONS, Survey
from earthward.inversion.types import NO_DYE_WITHIN_M, FloatingSink, LocateSettings, Result
from earthward.practice.actions import Accused, AnyAction, Covered, Dyed, Held, Patched
from earthward.practice.pools import LONG_COVER_S, PracticePool
from earthward.practice.quick import QuickVisit
from earthward.record.base import Point
from earthward.record.place import COVERABLE, Station

#: After so many spots the guided way dyes what is only suspected, and stops.
MOST_SPOTS = 24
OFF_WALL_M, SWEEP_APART_M = 0.45, 1.5
RANDOM_SPOTS = 10
#: As in the display's line (display/next_step.py).
COVER_SHARE = 0.5
#: The same finding after another spot lies so near to where it was.
TWICE_WITHIN_M = 0.3
#: A finding so near to a place where dye was let go is that place.
SAME_PLACE_M = 0.3


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
    for fitting in s.fittings:
        if fitting.kind in COVERABLE and visit.practice.cover_s[fitting.name] < LONG_COVER_S:
            visit.cover(fitting.name)
    visit.begin()
    search = Search(visit)
    place, bearing = (s.length_m / 3, s.width_m - OFF_WALL_M, 0.5 * s.depth_m), 90.0
    named = 0
    wanted = len(s.leaks)  # the level log says how much is lost; here it is said as a number of holes
    before: list[Point] = []
    for number in range(1, MOST_SPOTS + 1):
        visit.spot(place, bearing)
        result = search.result()
        last = number == MOST_SPOTS or result.next_station is None
        certain = [f.position_m for f in result.findings if f.certain and not _settled(visit, f.position_m)]
        # Certain after one spot more as well: two holes look like one between them while little has been read.
        twice = [at for at in certain if any(math.dist(at, then) < TWICE_WITHIN_M for then in before)]
        before = certain
        for at in [f.position_m for f in result.findings if not _settled(visit, f.position_m)] if last else twice:
            if named < wanted and visit.dye(at):
                visit.accuse(at)
                named += 1
        if named >= wanted or result.next_station is None:
            break
        advised = to_cover(visit, result)
        if advised is not None and not certain:
            visit.cover(advised)
        place, bearing = result.next_station.position_m, result.next_station.bearing_deg or 0.0
    visit.end()
    return visit.actions


def _settled(visit: QuickVisit, at: Point) -> bool:
    """Dye was let go there already."""
    return any(math.dist(at, known) < SAME_PLACE_M for known, _ in visit.dyed)


def to_cover(visit: QuickVisit, result: Result) -> str | None:
    """What the search advises to cover, or what the display's line asks for because it takes half of the current for
    sure; if it can be covered, and is not yet."""
    able = {f.name for f in visit.known_pool().fittings if f.kind in COVERABLE and not f.covered}
    if result.cover_next in able:
        return result.cover_next
    most = {s.name: s.interval_A[0] / result.budget.injected_A for s in result.budget.fittings if s.name in able}
    name = max(most, key=most.__getitem__, default="")
    return name if most.get(name, 0.0) >= COVER_SHARE and result.stations >= FEWEST_STATIONS else None


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
    """The instrument's own search over all of a visit's readings since the last patch, those from before a cover
    included; what drew no dye counts as a fitting."""

    def __init__(self, visit: QuickVisit) -> None:
        self._visit = visit
        self._about: tuple[int, frozenset[str], int] | None = None
        self._survey: Survey | None = None

    def result(self) -> Result:
        visit = self._visit
        no_dye = [at for at, drawn in visit.dyed if not drawn]
        pool, readings, earlier = joined(visit.known_pool(), visit.readings_since_patch)
        about = (len(no_dye), visit.covered, readings[0].row if readings else 0)
        survey = self._survey
        if survey is None or about != self._about:
            floating = tuple(
                FloatingSink(f"no dye {k + 1}", at, no_dye_within_m=NO_DYE_WITHIN_M) for k, at in enumerate(no_dye)
            )
            liner = None if survey is None else survey.problem.liner
            survey = Survey(pool, LocateSettings(floating=floating, earlier=earlier), liner=liner)
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
