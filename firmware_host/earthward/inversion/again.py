"""How much current does a sink at a known place take in these readings? For the stations read again after a repair.

The same model as the search, with fittings and this one sink at their places and poses free: no search.
Unlike in the search the current may come out below zero, so that "none" has an honest error on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from earthward.inversion import check, tails
from earthward.inversion.fit import fit, solve_about
from earthward.inversion.lead import LeadField
from earthward.inversion.liner import on_liner
from earthward.inversion.observations import StationData, add_reading, pack
from earthward.inversion.predict import Model, State, make_model
from earthward.inversion.prepare import leak_sink, make_problem
from earthward.inversion.types import LocateSettings
from earthward.pool.field import Field
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.reading import KeptReading

#: shares of the current that the sink is first thought to take
STARTING_SHARES = (0.0, 0.04, 0.3)
#: Poses far worse than noted can be wrong together in more than one way. Fits whose log evidence is within so much of
#: the best are as believable, and readings that one of them explains are explained.
AS_BELIEVABLE = 3.0
#: So many rounds at the most: poses that are turned by thirty degrees need more than six.
ROUNDS = 12


@dataclass(frozen=True, slots=True)
class SinkCurrent:
    """Current of the sink, ampere, with its standard error; share of the whole. `fit_p`: probability of a misfit this
    large if fittings and sink were all there is."""

    current_A: float
    sigma_A: float
    share: float
    share_sigma: float
    fit_p: float


def sink_current(
    pool: Pool,
    readings: Sequence[KeptReading],
    position_m: Point,
    place_sigma_m: float,
    settings: LocateSettings | None = None,
    field: Field | None = None,
) -> SinkCurrent:
    """`place_sigma_m`: how well the sink's place is known, along the liner. InputError for readings that cannot be
    what they say; ValueError without readings."""
    if not readings:
        raise ValueError("a sink's current needs at least one reading")
    check.check_pool(pool)
    for reading in readings:
        check.check_reading(pool, reading)
    problem = make_problem(pool, settings or LocateSettings(), field)
    stations: dict[str, StationData] = {}
    lead_fields: dict[tuple[float, ...], LeadField] = {}
    for reading in readings:
        add_reading(problem, stations, reading, lead_fields)
    obs, leads = pack(problem, list(stations.values()))
    place, cell, _ = on_liner(problem.pool, problem.grid.fine, position_m)
    sinks = (*problem.fittings, leak_sink(problem, place, cell, place_sigma_m))
    model = make_model(problem, obs, leads, sinks)
    # Poses and currents bend each other close to a sink: begin from several currents, the best end counts.
    fits = [fit(model, _start(model, share), ROUNDS) for share in STARTING_SHARES]
    fitted = max(fits, key=lambda solved: solved.log_evidence)
    # Once more about the end, with the sink's own current free to be negative.
    k = len(sinks) - 1
    solved = solve_about(model, fitted.state, bounded=k)
    current = float(solved.beta[k])
    sigma = math.sqrt(max(float(solved.covariance[k, k]), 0.0))
    total = float(problem.injected_mA.mean())
    believable = [one for one in fits if one.log_evidence > fitted.log_evidence - AS_BELIEVABLE]
    misfit = min(float(one.station_chi2.sum()) for one in believable)
    return SinkCurrent(
        1e-3 * current,
        1e-3 * sigma,
        current / total,
        sigma / total,
        tails.chance(model, misfit),
    )


def _start(model: Model, share: float) -> State:
    """Everything as noted; the last sink takes `share`, the others the rest evenly."""
    sinks = len(model.known)
    each = np.full(sinks, (1.0 - share) / max(sinks - 1, 1))
    each[-1] = share if sinks > 1 else 1.0
    return replace(model.start(), current_mA=(model.problem.injected_mA[:, None] * each)[None])
