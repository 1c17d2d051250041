"""Draw the figures of the lessons and of the page on electrodes: `python -m tests.site.draw_figures`.

Numbers come from the instrument's own formulas, drawn by a few lines of SVG. Own work.
"""

from __future__ import annotations

import math
import random
from pathlib import Path

from earthward.pool.resistance import hole_ohm

FOLDER = Path(__file__).parents[2] / "docs" / "figures"
INK, WATER, EARTH, STRONG = "#1a1a1a", "#d5ecf5", "#e8dcc8", "#b3261e"


class Drawing:
    def __init__(self, width: int, height: int, title: str) -> None:
        self._parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
            f'font-family="sans-serif" font-size="14"><title>{title}</title>'
            f'<rect width="{width}" height="{height}" fill="#ffffff"/>'
        ]

    def box(self, x: float, y: float, w: float, h: float, fill: str, line: str = INK) -> None:
        self._parts.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{w:.1f}" height="{h:.1f}" fill="{fill}" stroke="{line}"/>'
        )

    def line(self, *points: tuple[float, float], colour: str = INK, width: float = 2.0, dash: str = "") -> None:
        way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self._parts.append(f'<polyline points="{way}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>')

    def dot(self, x: float, y: float, r: float = 5.0, fill: str = INK) -> None:
        self._parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="{fill}"/>')

    def text(self, x: float, y: float, words: str, anchor: str = "start", colour: str = INK) -> None:
        self._parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{words}</text>')

    def svg(self) -> str:
        return "\n".join([*self._parts, "</svg>"]) + "\n"


def placing() -> str:
    d = Drawing(760, 320, "Injection electrode, earth stake and pair, seen from the side")
    d.box(0, 120, 760, 200, EARTH, EARTH)
    d.box(180, 120, 420, 140, WATER)
    d.line((0, 120), (180, 120))
    d.line((600, 120), (760, 120))
    d.line((250, 100), (250, 180))
    d.dot(250, 184, 8, STRONG)
    d.text(262, 178, "injection electrode")
    d.text(262, 196, "half way down,")
    d.text(262, 214, "1.5 m from the end")
    d.line((560, 60), (510, 216))
    d.line((488, 200), (520, 226), width=3)
    d.dot(488, 200)
    d.dot(520, 226)
    d.text(500, 250, "pair on the pole", "middle")
    d.line((90, 90), (90, 210), width=5)
    d.text(90, 230, "earth stake", "middle")
    d.text(90, 248, "damp soil", "middle")
    d.line((90, 90), (90, 50), (140, 50))
    d.line((250, 100), (250, 50), (220, 50))
    d.box(140, 34, 80, 32, "#ffffff")
    d.text(180, 55, "source", "middle")
    d.line((90, 285), (180, 285), width=1)
    d.text(135, 303, "3 m or more", "middle")
    d.text(380, 24, "nobody in the water while the source is on", "middle", STRONG)
    return d.svg()


def circuit() -> str:
    hole = float(hole_ohm(2e-3, 5.0, 50.0, 0.5e-3))
    d = Drawing(760, 300, "Source, hole and light in parallel, earth")
    d.line((90, 80), (420, 80))
    d.line((90, 80), (90, 240), (640, 240), (640, 80), (560, 80))
    d.box(50, 130, 80, 50, "#ffffff")
    d.text(90, 152, "source", "middle")
    d.text(90, 170, "10 V", "middle")
    for x, words in ((150, "1200 ohm"), (280, "25 ohm")):
        d.box(x, 66, 100, 28, "#ffffff")
        d.text(x + 50, 85, words, "middle")
    d.text(200, 55, "built in", "middle")
    d.text(330, 55, "electrode", "middle")
    d.line((420, 80), (420, 50), (560, 50), (560, 80))
    d.line((420, 80), (420, 130), (560, 130), (560, 80))
    d.box(435, 34, 110, 30, WATER)
    d.text(490, 54, f"hole {hole / 1000:.1f} kohm", "middle")
    d.box(435, 115, 110, 30, "#ffffff")
    d.text(490, 135, "light 300 ohm", "middle")
    d.box(310, 226, 110, 28, EARTH)
    d.text(365, 245, "earth 120 ohm", "middle")
    d.text(400, 100, "water", "end")
    return d.svg()


def pair_V(r_m: float, current_A: float = 0.39e-3, rho_ohm_m: float = 5.0, spacing_m: float = 0.3) -> float:
    """A pair in line with a sink in a flat wall (half space)."""
    half = spacing_m / 2
    return rho_ohm_m * current_A / (2 * math.pi) * (1 / (r_m - half) - 1 / (r_m + half))


def distance() -> str:
    d = Drawing(760, 360, "Reading in line against distance, both axes logarithmic")
    left, top, wide, high = 90.0, 30.0, 620.0, 270.0

    def at(r_m: float, uV: float) -> tuple[float, float]:
        across = math.log(r_m / 0.2) / math.log(5.0 / 0.2)
        up = math.log(uV / 1.0) / math.log(5000.0)
        return left + wide * across, top + high * (1 - up)

    for r in (0.2, 0.5, 1.0, 2.0, 5.0):
        d.line(at(r, 1.0), at(r, 5000.0), colour="#cccccc", width=1)
        d.text(at(r, 1.0)[0], top + high + 20, f"{r:g} m", "middle")
    for uV in (1, 10, 100, 1000):
        d.line(at(0.2, uV), at(5.0, uV), colour="#cccccc", width=1)
        d.text(left - 8, at(0.2, uV)[1] + 5, f"{uV} uV", "end")
    radii = [0.2 * 25 ** (k / 80) for k in range(81)]
    d.line(*(at(r, 1e6 * pair_V(r)) for r in radii), width=3)
    far = [r for r in radii if r >= 0.35]
    d.line(*(at(r, 1e6 * 5.0 * 0.39e-3 * 0.3 / (2 * math.pi * r * r)) for r in far), colour=STRONG, dash="6 5")
    x, y = at(0.55, 2200.0)
    d.text(x, y, "0.39 mA, pair of 0.3 m, 5 ohm m; broken line: 1/r²")
    d.text(left + wide / 2, 350, "distance from the hole", "middle")
    return d.svg()


def intervals() -> str:
    d = Drawing(760, 330, "Twenty intervals of 90 %, and the truth")
    draw = random.Random("twenty honest intervals")
    d.line((380, 20), (380, 300), colour="#666666", width=1)
    d.text(380, 320, "truth", "middle")
    missed = 0
    for k in range(20):
        middle = 380 + 60 * draw.gauss(0.0, 1.0)
        half = 60 * 1.645
        miss = abs(middle - 380) > half
        missed += miss
        y = 26 + 13.6 * k
        d.line((middle - half, y), (middle + half, y), colour=STRONG if miss else INK, width=4 if miss else 2)
        d.dot(middle, y, 3, STRONG if miss else INK)
    d.text(20, 24, f"{missed} of 20 miss")
    return d.svg()


CSS = """/* Screenshots are white sheets: they stay so where the page is dark. */
.md-typeset img { background: #fff; max-width: 100%; }
.md-typeset table:not([class]) { font-size: .68rem; }
@media (max-width: 30em) {
  .md-typeset table:not([class]) th, .md-typeset table:not([class]) td { min-width: 4rem; padding: .5em .6em; }
}
"""
FIGURES = {"placing": placing, "circuit": circuit, "distance": distance, "intervals": intervals}


def main() -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, draw in FIGURES.items():
        (FOLDER / f"{name}.svg").write_text(draw(), encoding="utf-8")
    (FOLDER / "site.css").write_text(CSS, encoding="utf-8")


if __name__ == "__main__":
    main()
