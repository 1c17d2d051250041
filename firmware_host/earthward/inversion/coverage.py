"""Coverage: for each patch of liner the smallest sink that the kept readings would have shown."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from earthward.inversion.fit import Fit
from earthward.inversion.lead import FloatArray
from earthward.inversion.liner import subset
from earthward.inversion.predict import Model
from earthward.inversion.prepare import Problem
from earthward.inversion.scan import linearise, score_cells
from earthward.inversion.types import Coverage, CoverageCell
from earthward.pool.resistance import hole_diameter_m

REFERENCE_A = 0.3e-3
#: Margin by which the linear estimate is raised so that planted sinks are found as often as stated: poses and
#: fittings re-estimate themselves around a weak sink. With it 92 of 98 planted sinks were found, the rest lay within
#: a metre and a half of a fitting, where a lower margin does not do (bench_locate.py, section coverage).
NONLINEAR = 2.8
#: Relative error of each contribution that a linear estimate leaves out: the square of a turn of 10 degrees.
SECOND_ORDER = 0.03
#: Log evidence that the choice among all cells costs a sharply located sink.
SEARCH_COST = 5.0


@dataclass(frozen=True)
class Detectable:
    """Smallest detectable sink (n,) in ampere on the thinned cells."""

    current_A: FloatArray


def detectable(model: Model, solved: Fit, power: float = 0.95) -> Detectable:
    """Current that would have been declared with probability `power`, per thinned cell, given everything known.

    A sink is declared when its evidence passes the gate; with standard deviation s of its estimated current that
    takes about (sqrt(2 (gate + cost of searching)) + z_power) s, where s itself grows with the current near
    stations (their pose errors matter in proportion): solved by substitution.
    """
    problem = model.problem
    linear = linearise(model, solved.state, SECOND_ORDER)
    # Evidence is half the squared signal-to-noise ratio less what it costs to choose one cell of thousands.
    factor = (math.sqrt(2 * (problem.settings.gate + SEARCH_COST)) + float(ndtri(power))) * NONLINEAR
    cells = subset(problem.grid.coarse, problem.liner.subsampled)
    D = model.leads.cell_D[:, :, problem.liner.subsampled]
    current = np.full(len(cells), 0.3)
    total = float(problem.injected_mA.max())
    for _ in range(2):
        scores = score_cells(linear, cells, D, near_m=1.25, passes=1, assumed_mA=current)
        current = np.minimum(factor * scores.sigma_mA, 10 * total)
    return Detectable(current * 1e-3)


def summarise(problem: Problem, found: Detectable, power: float = 0.95, false_alarm: float = 0.01) -> Coverage:
    """Coverage as reported: cells, fraction of the liner's area at the reference current, words."""
    cells = subset(problem.grid.coarse, problem.liner.subsampled)
    size_m = 2 * cells.size_m
    settings = problem.settings
    area = cells.area_m2 / cells.area_m2.sum()
    seen = found.current_A <= REFERENCE_A
    fraction = float(area[seen].sum())
    injected_A = float(problem.injected_mA.max()) * 1e-3
    hole_mm = np.full(len(cells), np.nan)
    if settings.water_voltage_V is not None:
        soil = math.sqrt(settings.soil_resistivity_ohm_m[0] * settings.soil_resistivity_ohm_m[1])
        resistance = settings.water_voltage_V / found.current_A
        hole_mm = 1e3 * hole_diameter_m(resistance, problem.resistivity, soil, settings.liner_thickness_m)
    result = []
    for place, current, hole in zip(np.round(cells.centre_m, 3).tolist(), found.current_A, hole_mm, strict=True):
        known = bool(np.isfinite(hole)) and current < injected_A
        x, y, z = place
        result.append(CoverageCell((x, y, z), size_m, float(current), float(hole) if known else None))
    order = np.argsort(found.current_A)
    middle = float(found.current_A[order][np.searchsorted(np.cumsum(area[order]), 0.5)])
    text = (
        f"{100 * fraction:.0f} % of the liner has been looked at well enough to show a {1e3 * REFERENCE_A:.1f} mA leak"
    )
    return Coverage(power, false_alarm, tuple(result), REFERENCE_A, fraction, middle, text)
