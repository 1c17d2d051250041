"""Is the electrical search done? It is when no patch of liner can hide a hole that passes the remaining loss of water.

The hole that the loss needs is the smallest that could pass it: freely draining, under the whole depth of water over
the patch. What could hide in a patch is the hole behind its upper limit, in soil of middling resistivity. What still
leaks then is no hole in this liner: plumbing, or a seal of a fitting.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from earthward.inversion.types import CoverageCell
from earthward.record.base import Point

#: Nearer to a fitting or finding than this a hole hides behind it, whatever is read.
BESIDE_M = 1.5
#: No patch has less water over it than this.
LEAST_HEAD_M = 0.05


@dataclass(frozen=True, slots=True)
class Ending:
    """remaining_L_per_day: the loss that is surely left. hole_mm: the smallest hole that could pass it, under the
    deepest patch; None without a proven loss. `open_cells`: patches that could hide such a hole, of `cells`; beside:
    those of them that lie within BESIDE_M of something known to take current, by its name. done: nowhere; None: cannot
    tell."""

    remaining_L_per_day: float
    hole_mm: float | None
    open_cells: tuple[CoverageCell, ...]
    cells: int
    beside: dict[str, int]
    done: bool | None
    text: str

    @property
    def free(self) -> int:
        """Open patches beside nothing known."""
        return len(self.open_cells) - sum(self.beside.values())


def ending(
    cells: Sequence[CoverageCell],
    known: Sequence[tuple[str, Point]],
    remaining_L_per_day: float,
    least_hole_m: Callable[[float, float], float],
) -> Ending:
    """`known`: names and places of fittings and findings. `least_hole_m`: the smallest hole that passes so many litres
    a day under so many metres of water (`water.hole_flow.least_hole_m`)."""
    if not remaining_L_per_day > 0.0 or not cells:
        text = "no remaining loss of water is proven: a longer level log tells whether there is more to look for"
        if remaining_L_per_day > 0.0:
            text = "cannot tell what could still hide: no upper limits have been worked out"
        return Ending(remaining_L_per_day, None, (), len(cells), {}, None, text)
    needs_mm = {
        head: 1e3 * least_hole_m(remaining_L_per_day, head)
        for head in {max(LEAST_HEAD_M, cell.position_m[2]) for cell in cells}
    }
    still = could_hide(cells, lambda cell: needs_mm[max(LEAST_HEAD_M, cell.position_m[2])])
    beside: dict[str, int] = {}
    for cell in still:
        gaps = {name: float(np.linalg.norm(np.subtract(cell.position_m, place))) for name, place in known}
        nearest = min(gaps, key=gaps.__getitem__, default=None)
        if nearest is not None and gaps[nearest] < BESIDE_M:
            beside[nearest] = beside.get(nearest, 0) + 1
    least_mm = min(needs_mm.values())
    free = len(still) - sum(beside.values())
    text = _in_words(remaining_L_per_day, least_mm, free, beside, len(cells))
    return Ending(remaining_L_per_day, least_mm, still, len(cells), beside, not still, text)


def could_hide(
    cells: Sequence[CoverageCell], hole_mm: Callable[[CoverageCell], float] | float
) -> tuple[CoverageCell, ...]:
    """The patches where a hole of that diameter (or of what each patch's own depth needs) is still possible."""
    needed = hole_mm if callable(hole_mm) else lambda _: hole_mm
    return tuple(c for c in cells if c.limit_hole_mm is None or c.limit_hole_mm > needed(c))


def _in_words(remaining: float, hole_mm: float, free: int, beside: dict[str, int], cells: int) -> str:
    need = f"at least {remaining:.0f} L/day are left to explain, which takes a hole of {hole_mm:.1f} mm or more"
    if not free and not beside:
        return (
            f"{need}; no patch of liner can hide one: the electrical search is done, look at the plumbing and at the "
            "seals of fittings"
        )
    names = " and ".join(f'"{name}"' for name in sorted(beside))
    if not free:
        return (
            f"{need}; one could hide only within {BESIDE_M:g} m of {names}: source off first, then cover or plug that "
            "and read there, or use dye"
        )
    share = 100.0 * free / cells
    where = f"{free} of {cells} patches of liner ({share:.0f} %)"
    return f"{need}; one could still hide in {where}" + (f" and beside {names}" if beside else "")
