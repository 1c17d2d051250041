"""Readings from before and after a fitting was covered, made ready for one search.

A cover sends the whole current other ways, but every other sink stays what it is: it goes on taking current in
proportion to the water's voltage against earth. So the search has one unknown more for each earlier state of the
covers, the voltage then against now, and the covered fitting takes nothing in the later readings.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import msgspec
import numpy as np

from earthward.inversion.types import EarlierCovers
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading


def joined(pool: Pool, readings: Iterable[KeptReading]) -> tuple[Pool, list[KeptReading], tuple[EarlierCovers, ...]]:
    """The pool with the present currents only, the readings that one search can take (in their order), and the states
    of the covers that earlier ones of them are from.

    Of another state than the present one a reading counts only if it says what was covered and what was injected; and
    without readings of the present state nothing is known of the present currents, so none of another one counts.
    """
    now = frozenset(f.name for f in pool.fittings if f.covered)
    readings = list(readings)
    present = {r.source_id for r in readings if r.covered_then(now) == now}
    groups: dict[frozenset[str], list[KeptReading]] = {}
    for r in readings:
        if r.covered_then(now) != now and r.injected_A and present:
            groups.setdefault(r.covered_then(now), []).append(r)
    earlier = tuple(EarlierCovers(covered, _currents(group)) for covered, group in groups.items())
    currents = {one.covered: dict(one.current_A) for one in earlier}
    taken: list[KeptReading] = []
    for r in readings:
        then = r.covered_then(now)
        if then == now:
            taken.append(r)
        elif then in currents and r.injected_A:
            scale = currents[then][r.source_id] / r.injected_A
            taken.append(msgspec.structs.replace(r, value_V=r.value_V * scale, sigma_V=r.sigma_V * scale))
    # What an electrode injects now that has not been read with yet is a plan: it must not enter a budget.
    pool = pool.read_with(r.source_id for r in taken)
    if earlier:
        sources = [s if s.source_id in present else msgspec.structs.replace(s, current_A=None) for s in pool.sources]
        pool = replace(pool, sources=tuple(sources))
    return pool, taken, earlier


def _currents(readings: list[KeptReading]) -> tuple[tuple[int, float], ...]:
    ids = sorted({r.source_id for r in readings})
    return tuple((k, float(np.mean([r.injected_A or 0.0 for r in readings if r.source_id == k]))) for k in ids)
