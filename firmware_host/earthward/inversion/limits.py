"""Upper limits: for each patch of liner the largest sink that the kept readings and the current balance still allow.

About the fitted model every patch's current is estimated with all that is unknown left free: poses, fittings with
their places and currents, electrodes, the common scale. Since all sinks together take what was injected, a sink
anywhere must take its current from the others, and where these are well known there is nothing left for it: that is how
liner far from any reading spot is bounded as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from earthward.inversion.ending import BESIDE_M
from earthward.inversion.fit import Fit
from earthward.inversion.lead import FloatArray
from earthward.inversion.liner import subset
from earthward.inversion.predict import Model, cell_field
from earthward.inversion.scan import linearise, prepare_scan, score_cells
from earthward.inversion.types import Coverage, CoverageCell, LocateSettings
from earthward.pool.resistance import hole_diameter_m

REFERENCE_A = 0.3e-3
CONFIDENCE = 0.95
#: Power with which a sink of twice a patch's limit would have been declared.
POWER = 0.95
#: Margin on the standard error, so that a sink of twice the limit would have been declared. By a straight count that
#: takes the square root of twice the detection threshold and the cost of searching (9 nats), and 1.64 more for the
#: power: 5.9 standard errors, a margin of 1.8. Planted sinks needed more, because poses and turns worse than noted take
#: part of a weak sink upon themselves: of six at 1.8 times the limit's error four were declared, at 2.7 times all six.
DECLARED = 2.6
#: ... and so many times more beside a known sink, whose own place and current take up another's.
BESIDE_MORE = 1.6
#: Relative error of each contribution that a linear estimate leaves out: the square of a turn of 10 degrees.
SECOND_ORDER = 0.03
#: Distance within which a station's covariance is rebuilt with the sink's own steep field.
NEAR_M = 1.25


@dataclass(frozen=True)
class Limits:
    """Largest sink (n,) in ampere that is still possible, on the subsampled cells."""

    current_A: FloatArray


def upper_limits(model: Model, solved: Fit) -> Limits:
    """The profile likelihood's limit at CONFIDENCE, per patch.

    A sink's standard error grows with its current near stations (their pose errors matter in proportion): solved by
    substitution.
    """
    problem = model.problem
    linear = linearise(model, solved.state, SECOND_ORDER)
    cells = subset(problem.grid.coarse, problem.liner.subsampled)
    known = prepare_scan(linear, cells, cell_field(model, linear.state), NEAR_M)
    total = problem.injected_now_mA
    gap = np.linalg.norm(cells.centre_m[:, None] - _open_now(model)[1][None], axis=-1).min(1, initial=np.inf)
    margin = DECLARED * np.where(gap < BESIDE_M, BESIDE_MORE, 1.0)
    limit = np.full(len(cells), 0.3)
    for _ in range(2):
        scores = score_cells(known, passes=1, assumed_mA=limit)
        limit = np.minimum(profile_limit(scores.estimate_mA, margin * scores.sigma_mA, CONFIDENCE), total)
    return Limits(limit * 1e-3)


def profile_limit(estimate: FloatArray, sigma: FloatArray, confidence: float) -> FloatArray:
    """Where the profile likelihood of a current that cannot be negative has fallen by half a chi-square quantile (one
    side) from its best: Rolke, Lopez and Conrad, Nucl. Instr. Meth. A 551, 493 (2005), for a Gaussian."""
    z = float(ndtri(confidence))
    below = np.minimum(estimate, 0.0)
    return np.asarray(estimate + np.sqrt(below**2 + (z * sigma) ** 2))


def summarise(model: Model, limits: Limits, explained_A: float) -> Coverage:
    """The limits as reported: per patch as current and hole, their share of the liner, words."""
    problem = model.problem
    cells = subset(problem.grid.coarse, problem.liner.subsampled)
    size_m = 2 * cells.size_m
    area = cells.area_m2 / cells.area_m2.sum()
    current = limits.current_A
    injected_A = problem.injected_now_mA * 1e-3
    hole_mm = holes_mm(problem.settings, problem.resistivity, current)
    result = []
    for place, limit, hole in zip(np.round(cells.centre_m, 3).tolist(), current, hole_mm, strict=True):
        known = bool(np.isfinite(hole)) and limit < injected_A
        x, y, z = place
        result.append(CoverageCell((x, y, z), size_m, float(limit), float(hole) if known else None))
    order = np.argsort(current)
    middle = float(current[order][np.searchsorted(np.cumsum(area[order]), 0.5)])
    away, beside = worst_hidden(model, cells.centre_m, current)
    hidden = hidden_in_words(model, away, beside)
    mean_A = problem.injected_now_mA * 1e-3
    return Coverage(
        CONFIDENCE,
        POWER,
        tuple(result),
        REFERENCE_A,
        float(area[current <= REFERENCE_A].sum()),
        middle,
        away,
        f"{1e3 * mean_A:.1f} mA injected, {1e3 * min(explained_A, mean_A):.1f} mA explained: {hidden}",
        hidden,
    )


def holes_mm(settings: LocateSettings, resistivity: float, current_A: FloatArray) -> FloatArray:
    """Round holes (n,) in middling soil that would take these currents; nan if the water's voltage is not known."""
    if settings.water_voltage_V is None:
        return np.full(len(current_A), np.nan)
    soil = math.sqrt(settings.soil_resistivity_ohm_m[0] * settings.soil_resistivity_ohm_m[1])
    resistance = settings.water_voltage_V / np.maximum(current_A, 1e-9)
    return np.asarray(1e3 * hole_diameter_m(resistance, resistivity, soil, settings.liner_thickness_m))


def worst_hidden(model: Model, place_m: FloatArray, current_A: FloatArray) -> tuple[float, dict[str, float]]:
    """The largest limit farther than BESIDE_M from every known sink, and the largest beside each of them."""
    names, position_m = _open_now(model)
    gap = np.linalg.norm(place_m[:, None] - position_m[None], axis=-1)
    near = gap < BESIDE_M
    free = ~near.any(1) if names else np.ones(len(place_m), dtype=bool)
    away = float(current_A[free].max()) if free.any() else float(current_A.max())
    beside = {name: float(current_A[near[:, k]].max()) for k, name in enumerate(names) if near[:, k].any()}
    return away, beside


def _open_now(model: Model) -> tuple[list[str], FloatArray]:
    """Names and places (k, 3) of the known sinks that take current now."""
    listed = [j for j, sink in enumerate(model.known) if not model.problem.covered_now(sink)]
    return [model.known[j].name for j in listed], model.position_m[listed]


def hidden_in_words(model: Model, away_A: float, beside: dict[str, float]) -> str:
    """What could still hide, away from all known sinks and beside the one where most can."""
    where = f"farther than {BESIDE_M:g} m from every fitting and finding " if model.known else ""
    text = f"{where}nothing above {1e3 * away_A:.2f} mA can hide"
    wide = [(limit, name) for name, limit in beside.items() if limit > 1.5 * away_A]
    if wide:
        limit, name = max(wide)
        text += f'; beside "{name}" up to {1e3 * limit:.2f} mA'
    return text
