"""Every number in the lessons is worked out again here, from the instrument's own formulas or from plain statistics."""

from __future__ import annotations

import math
from pathlib import Path
from statistics import NormalDist

from tests.site.draw_figures import pair_V

from earthward.pool.resistance import half_space_V, hole_ohm

DOCS = Path(__file__).parents[2] / "docs"
SOURCE_V, BUILT_IN, ELECTRODE, EARTH, LIGHT, COVERED = 10.0, 1200.0, 25.0, 120.0, 300.0, 3e6


def says(page: str, *texts: str) -> None:
    words = " ".join((DOCS / page).read_text(encoding="utf-8").split())
    missing = [text for text in texts if text not in words]
    assert missing == [], page


def hole(mm: float) -> float:
    return float(hole_ohm(mm * 1e-3, 5.0, 50.0, 0.5e-3))


def loop(*ohm: float, earth: float = EARTH) -> tuple[float, float]:
    """(ampere from the source, volts of the water) with these ways to earth in parallel."""
    ways = 1.0 / sum(1.0 / r for r in ohm)
    current = SOURCE_V / (BUILT_IN + ELECTRODE + earth + ways)
    return current, current * ways


def test_lesson_1() -> None:
    current, water = loop(hole(2))
    both, low = loop(hole(2), LIGHT)
    covered = loop(hole(2), COVERED)[1] / hole(2)
    better = loop(hole(2), earth=60.0)[0] / current - 1
    says(
        "lesson-1.md",
        *(f"| {mm} mm | {hole(mm) / 1e3:.1f} kohm |" for mm in (1, 2, 4)),
        f"one hole of 2 mm lets {1e3 * current:.3f} mA pass, and the water stands {water:.2f} V",
        f"gives {1e3 * both:.2f} mA, but the water falls to {low:.2f} V",
        f"and the hole gets only {1e3 * low / hole(2):.3f} mA",
        f"of it, {100 * low / hole(2) / both:.0f} %",
        f"(1200 + 25 + 120 + {hole(4):.0f}) ohm = {1e3 * loop(hole(4))[0]:.2f} mA",
        f"The loop has {SOURCE_V / current:.0f} ohm",
        f"60 ohm less is {100 * better:.1f} % more current",
        f"{1e3 * covered:.3f} mA again: {'five' if round(covered * hole(2) / low) == 5 else '?'} times what it got",
    )


def test_lesson_2() -> None:
    both = float(half_space_V(5.0, 0.39e-3, 0.85)) - float(half_space_V(5.0, 0.39e-3, 1.15))
    assert math.isclose(both, pair_V(1.0), rel_tol=1e-9), "the lesson's formula is that of the instrument"
    far = math.sqrt(5.0 * 0.39e-3 * 0.3 / (2 * math.pi * 5e-6))
    root = math.sqrt(pair_V(1.0) / pair_V(2.0))
    says(
        "lesson-2.md",
        *(f"| {r:g} m | {1e6 * pair_V(r):.3g} uV |" if r > 0.3 else f"| {r:g} m | {1e6 * pair_V(r):.0f} uV |"
          for r in (0.3, 0.5, 1, 2, 3)),
        f"from 1 m to 2 m it falls {pair_V(1) / pair_V(2):.2f} times",
        f"from 0.5 m to 1 m {pair_V(0.5) / pair_V(1):.2f} times",
        f"gives r = {far:.1f} m",
        f"cos 10° = {math.cos(math.radians(10)):.3f}: {100 * (1 - math.cos(math.radians(10))):.1f} % too low",
        f"sin 10° = {math.sin(math.radians(10)):.3f}",
        f"is {root:.2f}: about (r + 1) / r = {root:.2f}, so r = {1 / (root - 1):.2f} m",
    )  # fmt: skip


def test_lesson_3() -> None:
    within = 2 * NormalDist().cdf(2.0) - 1
    step_mm = math.hypot(0.5, 0.5)
    litres = step_mm * 32
    says(
        "lesson-3.md",
        f"in {100 * within:.1f} % of cases, so it lies outside in {100 * (1 - within):.1f} %",
        f"has a probability of {100 * (1 - 0.9**20):.0f} %",
        f"The difference has {step_mm:.2f} mm",
        f"tells the loss to {litres:.0f} L/day",
        f"{litres:.1f} / 5 = {litres / 5:.1f} days",
        f"1 - 0.954^10 = {100 * (1 - 0.954**10):.0f} %",
    )
