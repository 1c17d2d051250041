"""EMULATED pools to practise on, in five grades. The same grade and seed are the same pool, for a whole class.

What distracts, besides the leak: fittings that take current, water that moves, stray voltage below the limit, a fitting
whose cover takes long to put on. All of our own invention.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from earthward.emulated.scenario import Scenario
from earthward.errors import InputError

#: What covering or plugging a fitting takes, and where it takes long (own estimates).
COVER_S, LONG_COVER_S = 120.0, 720.0


@dataclass(frozen=True, slots=True)
class Grade:
    """How hard. `hole_mm`: smallest and largest; `restless`: noise, wander and mains, times the usual."""

    number: int
    name: str
    leaks: int
    hole_mm: tuple[float, float]
    fittings: int
    reading_sigma_V: float = 1e-6
    restless: float = 1.0
    stray: bool = False
    long_cover: bool = False
    text: str = ""


GRADES: tuple[Grade, ...] = (
    Grade(1, "still", 1, (2.5, 4.0), 0, text="one large hole, nothing else that takes current, still water"),
    Grade(2, "light", 1, (1.5, 4.0), 1, text="one hole and one fitting"),
    Grade(3, "usual", 1, (1.0, 3.0), 3, text="one hole among three fittings"),
    Grade(
        4, "restless", 1, (1.0, 2.5), 3, 3e-6, 4.0, long_cover=True,
        text="the water moves, the mains is strong, and one cover takes long to put on",
    ),
    Grade(
        5, "two", 2, (1.0, 2.5), 4, 2e-6, 3.0, stray=True, long_cover=True,
        text="two holes, four fittings, moving water, stray voltage near its limit, a cover that takes long",
    ),
)  # fmt: skip
#: Stray voltage with the source off where it shall distract: worth a caution, below what ends the visit.
STRAY_DC_V, STRAY_AC_V = 1.5, 0.4


@dataclass(frozen=True, slots=True)
class PracticePool:
    """`cover_s`: what covering each fitting takes."""

    grade: Grade
    seed: int
    scenario: Scenario
    cover_s: dict[str, float]

    @property
    def name(self) -> str:
        return self.scenario.name


def practice_pool(grade: int, seed: int) -> PracticePool:
    """The pool of a grade and a seed. Raises InputError for a grade that there is not."""
    known = {g.number: g for g in GRADES}
    if grade not in known:
        raise InputError(f"there is no practice grade {grade}: choose 1 to {len(GRADES)}")
    if seed < 0:
        raise InputError(f"the seed {seed} is below zero: choose 0 or more")
    g = known[grade]
    scenario = Scenario.random(1000 * seed + 7 * grade, fittings=g.fittings, leaks=g.leaks)
    draw = random.Random(f"earthward practice {grade} {seed}")
    low, high = (math.log(mm) for mm in g.hole_mm)
    leaks = tuple(replace(leak, diameter_mm=round(math.exp(draw.uniform(low, high)), 2)) for leak in scenario.leaks)
    changes = {
        "name": f"practice pool {grade}-{seed}",
        "leaks": leaks,
        "noise_V": round(scenario.noise_V * g.restless, 9),
        "drift_V": round(scenario.drift_V * g.restless, 9),
        "motion_V": round(scenario.motion_V * g.restless, 9),
        "mains_V": round(scenario.mains_V * math.sqrt(g.restless), 9),
    }
    if g.stray:
        changes |= {"idle_dc_V": STRAY_DC_V, "idle_ac_V": STRAY_AC_V}
    cover_s = {f.name: COVER_S for f in scenario.fittings}
    if g.long_cover:
        cover_s[draw.choice(sorted(cover_s))] = LONG_COVER_S
    return PracticePool(g, seed, scenario.with_(**changes), cover_s)
