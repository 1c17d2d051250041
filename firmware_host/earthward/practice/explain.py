"""Afterwards: the truth on the map, and where the search would have gone instead, spot by spot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from itertools import takewhile

import msgspec

from earthward.inversion.locate import Survey
from earthward.inversion.types import LocateSettings
from earthward.pool.shape import Pool
from earthward.practice.actions import Accused, AnyAction, Patched, covered_in_the_end, kept_readings
from earthward.practice.pools import PracticePool
from earthward.practice.result import PracticeRun
from earthward.record.base import Point
from earthward.record.place import Station
from earthward.record.reading import NONE_COVERED, KeptReading
from earthward.report.html import inline_svg
from earthward.report.plan import Arrow, Picture, Spot, draw_plan

#: The search says little of fewer spots.
FEWEST = 3


@dataclass(frozen=True, slots=True)
class ReplayedSpot:
    """After the spot `after`: where the search would have gone, where the person went (None: nowhere any more)."""

    after: str
    best: Station
    went_m: Point | None
    verdict: str

    @property
    def text(self) -> str:
        x, y, z = self.best.position_m
        best = f"after {self.after} ({self.verdict}) the best next spot was ({x:.1f}, {y:.1f}) m, {z:.1f} m deep"
        if self.went_m is None:
            return f"{best}; you read no more."
        return f"{best}; you went {math.dist(self.best.position_m, self.went_m):.1f} m beside it."


def pool_then(pool: PracticePool, readings: Sequence[KeptReading], covered: frozenset[str]) -> Pool:
    """The pool as the technician knew it, with the currents that these readings were taken with."""
    known = pool.scenario.known_pool()
    sources = []
    for source in known.sources:
        seen = [r.injected_A for r in readings if r.source_id == source.source_id and r.injected_A]
        sources.append(msgspec.structs.replace(source, current_A=sum(seen) / len(seen) if seen else source.current_A))
    fittings = tuple(msgspec.structs.replace(f, covered=f.name in covered) for f in known.fittings)
    return replace(known, sources=tuple(sources), fittings=fittings)


def replayed(pool: PracticePool, actions: Sequence[AnyAction], most: int = 8) -> Iterator[ReplayedSpot]:
    """The search over the first three spots, over the first four, and so on; not more than `most` of them, spread
    evenly. With covers as they were in the end: spots from before a cover are left out, as the instrument does."""
    # After the first patch it is another pool.
    actions = list(takewhile(lambda a: not isinstance(a, Patched), actions))
    covered = covered_in_the_end(actions)
    wanted = tuple(sorted(covered))
    readings = [r for r in kept_readings(actions) if r.covered in ((), wanted or NONE_COVERED)]
    names = list(dict.fromkeys(r.station for r in readings))
    if len(names) < FEWEST:
        return
    survey = Survey(pool_then(pool, readings, covered), LocateSettings())
    counts = range(FEWEST, len(names) + 1)
    every = max(1, math.ceil(len(counts) / most))
    shown = {*counts[::every], len(names)}
    for k, name in enumerate(names, start=1):
        for reading in readings:
            if reading.station == name:
                survey.add(reading)
        if k not in shown:
            continue
        result = survey.result(coverage=False)
        if result.next_station is None:
            continue
        went = next((r.centre_m for r in readings if k < len(names) and r.station == names[k]), None)
        yield ReplayedSpot(name, result.next_station, went, result.verdict)


def truth_picture(pool: PracticePool, actions: Sequence[AnyAction], steps: Sequence[ReplayedSpot]) -> str:
    """SVG: the pool from above with the holes, what was named, the spots read, and the best next ones."""
    readings = kept_readings(actions)
    spots = [
        Spot(leak.position_m, f"EMULATED truth: {leak.name}, {leak.diameter_mm:.1f} mm") for leak in pool.scenario.leaks
    ]
    named = dict.fromkeys(a.position_m for a in actions if isinstance(a, Accused))
    spots += [Spot(at, f"named {k + 1}", certain=False) for k, at in enumerate(named)]
    spots += [Spot(step.best.position_m, f"best after {step.after}", certain=False) for step in steps]
    known = pool_then(pool, readings, covered_in_the_end(actions))
    arrows = [
        Arrow(r.front_m, r.back_m, r.value_V, weak=abs(r.value_V) < 2 * r.sigma_V)
        for r in readings
        if r.source_id == 0 and not r.place.vertical
    ]
    told = f"grade {pool.grade.number}, seed {pool.seed}"
    return draw_plan(known, Picture(title=f"EMULATED {pool.name}", subtitle=told, arrows=arrows, spots=spots))


def in_words(pool: PracticePool, run: PracticeRun) -> list[str]:
    """What was scored, for what, and what the guided way needed."""
    t, g, s = run.tally, run.guided, run.score
    lines = [f"{pool.name} ({pool.grade.name}: {pool.grade.text}). EMULATED. Player: {run.player}."]
    lines.append(f"Score: {s.points:.1f} of 100.")
    for number, (leak, error) in enumerate(zip(pool.scenario.leaks, t.error_m, strict=True), start=1):
        x, y, z = leak.position_m
        how = "not found" if error is None else f"named {error:.2f} m from it"
        lines.append(f"Hole {number} of {leak.diameter_mm:.1f} mm at ({x:.2f}, {y:.2f}) m, {z:.2f} m deep: {how}.")
    lines.append(
        f"Holds {t.holds} (guided way {g.holds}), minutes {t.minutes:.1f} ({g.minutes:.1f}), dye tests {t.dye_tests}, "
        f"wrong accusations {t.wrong_accusations}."
    )
    lines.append(
        f"Points: place {s.for_place:.1f} of 60, holds {s.for_holds:.1f} of 20, minutes {s.for_minutes:.1f} of 20, "
        f"wrong accusations {s.for_wrong + 0.0:.0f}."
    )
    if t.skipped:
        lines.append(f"Safety steps left out ({len(t.skipped)}): nothing that was found makes up for that.")
        lines += [f"  - {what}" for what in t.skipped]
    return lines


def page(pool: PracticePool, run: PracticeRun, steps: Sequence[ReplayedSpot]) -> str:
    """One HTML file that needs nothing else."""
    items = "".join(f"<li>{escape(step.text)}</li>" for step in steps)
    words = "".join(f"<p>{escape(line)}</p>" for line in in_words(pool, run))
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        f"<title>{escape(pool.name)}</title><style>body{{font:16px/1.5 sans-serif;max-width:60rem;margin:1rem auto;"
        "padding:0 1rem;color:#111;background:#fff}svg{max-width:100%;height:auto}</style>"
        f"<h1>EMULATED: {escape(pool.name)}</h1>{words}<h2>The truth on the map</h2>"
        f"{inline_svg(truth_picture(pool, run.actions, steps))}<h2>The best next spots</h2><ol>{items}</ol></html>\n"
    )
