"""The answer in words: places, findings, verdict, what would help."""

from __future__ import annotations

import numpy as np

from earthward.inversion.budget import leak_current
from earthward.inversion.decision import Answer, count_probabilities
from earthward.inversion.lead import FloatArray
from earthward.inversion.prepare import Problem
from earthward.inversion.regions import Leak, region_patches
from earthward.inversion.types import Coverage, Verdict
from earthward.pool.place_words import place_in_words
from earthward.pool.resistance import hole_diameter_interval_m
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.finding import Finding, Region
from earthward.record.place import Station

FOUND_RADIUS_M = 0.2


def rounded(p: FloatArray) -> Point:
    return round(float(p[0]), 3), round(float(p[1]), 3), round(float(p[2]), 3)


def where(pool: Pool, position_m: FloatArray) -> str:
    """A place on the liner in a deck person's words."""
    x, y, z = (float(v) for v in position_m)
    return place_in_words(pool, (x, y, z))


def make_finding(problem: Problem, leak: Leak, answer: Answer) -> Finding:
    settings = problem.settings
    mean, low, high = leak_current(problem, leak, answer)
    low = max(low, 1e-6)
    hole: tuple[float, float] | None = None
    if settings.water_voltage_V is not None and high > low:
        interval = hole_diameter_interval_m(
            (low, high),
            settings.water_voltage_V,
            problem.resistivity,
            settings.soil_resistivity_ohm_m,
            settings.liner_thickness_m,
        )
        hole = (1e3 * interval.low_m, 1e3 * interval.high_m)
    patches = region_patches(leak.patches)
    region = Region(
        probability=0.9, cell_m=leak.patches.size_m, cells_m=tuple(rounded(p) for p in leak.patches.place_m[patches])
    )
    text = (
        f"suspected leak {where(problem.pool, leak.position_m)}, within {leak.radius_m:.2f} m (90 %), "
        f"taking {1e3 * low:.2f} to {1e3 * high:.2f} mA"
    )
    return Finding(
        position_m=rounded(leak.position_m),
        current_A=mean,
        current_interval_A=(low, high),
        hole_diameter_mm=hole,
        region=region,
        radius_m=leak.radius_m,
        strength=2 * leak.log_evidence,
        certain=leak.certain and answer.fits and answer.may_be_found,
        text=text,
    )


def put_into_words(
    answer: Answer, findings: tuple[Finding, ...], cover: Coverage | None, place: Station | None
) -> tuple[Verdict, str, tuple[str, ...]]:
    """Verdict, one sentence or two, and what would help."""
    advice = _how_to_read(answer)
    then = "" if place is None else f"; next {place.text}"
    strongest = _strongest(answer)
    if answer.leaks and all(f.certain for f in findings):
        if strongest is not None:
            advice.append(f'if more water is lost than that: source off first, then cover or plug "{strongest}", go on')
        return "found", "found: " + "; ".join(f.text for f in findings) + "; confirm with dye", tuple(advice)
    near = _hides_it(answer)
    if near is not None:
        advice.insert(0, f'source off first, then cover or plug "{near}" and read the nearest stations again')
    if answer.leaks:
        if near is None and strongest is not None and answer.leaks[0].radius_m > 0.5:
            advice.append(f'source off first, then cover or plug "{strongest}", the strongest fitting')
        text = "; ".join(f.text for f in findings)
        if not answer.fits:
            text += "; not all readings fit that: check depths, the electrodes' places and the current"
        elif not answer.may_be_found and all(leak.certain for leak in answer.leaks):
            text += "; another place is not ruled out yet: one more spot has to say the same"
        return "suspected", text + then, tuple(advice)
    p_none = _p_none(answer)
    if cover is not None and cover.fraction_at_reference > 0.8 and p_none > 0.5:
        return "no leak seen", f"no leak seen: {cover.text}; that is no proof that there is none", tuple(advice)
    if near is not None:
        because = f'what is seen near "{near}" may be the fitting itself'
    elif cover is not None and cover.fraction_at_reference < 0.5:
        share, limit = 100 * (1 - cover.fraction_at_reference), 1e3 * cover.reference_A
        because = f"on {share:.0f} % of the liner a leak of more than {limit:.1f} mA could still hide"
    else:
        because = "a leak explains the readings hardly better than small errors of position"
    if strongest is not None:
        advice.append(f'source off first, then cover or plug "{strongest}", the strongest fitting')
    return "cannot tell", f"cannot tell, because {because}{then}", tuple(advice)


def cover_next(answer: Answer) -> str | None:
    """The fitting that the advice says to cover or plug: the one that may hide what is suspected, else the strongest,
    unless the only suspected place is nearly known already."""
    near = _hides_it(answer)
    if near is not None:
        return near
    nearly = bool(answer.leaks) and not answer.leaks[0].certain and answer.leaks[0].radius_m <= 0.5
    return None if nearly else _strongest(answer)


def _p_none(answer: Answer) -> float:
    return count_probabilities(answer, answer.model.problem.settings.detection_threshold)["0"]


def _hides_it(answer: Answer) -> str | None:
    """A fitting beside what is suspected, that may be all there is to it."""
    best = answer.best
    if best is None:
        return None
    unclear = best.radius_m > FOUND_RADIUS_M if answer.leaks else _p_none(answer) < 0.9
    return _near_fitting(answer, best) if unclear else None


def _how_to_read(answer: Answer) -> list[str]:
    """What is missing in the way the stations were read."""
    obs, advice = answer.obs, []
    if len(np.unique(obs.source[obs.use])) < 2:
        advice.append(
            "read each station again with the injection electrode at a second place, pole unmoved: "
            "that calibrates the pole's position and bearing"
        )
    if obs.ends_m.shape[1] < 3:
        advice.append("read a vertical pair at each station as well")
    if answer.model.problem.pool.greatest_depth_m > 1.9 and float(np.ptp(obs.centre_m[:, 2])) < 0.4:
        advice.append("read a second depth: this pool is deep")
    return advice


def _near_fitting(answer: Answer, leak: Leak, within_m: float = 1.0) -> str | None:
    """The strongest fitting within a metre of where the leak may be."""
    current, problem = answer.solved.current_mA.mean(0), answer.model.problem
    near = [
        (float(current[k]), sink.name)
        for k, sink in enumerate(problem.fittings)
        if not problem.covered_now(sink) and float(np.linalg.norm(sink.position_m - leak.position_m)) < within_m
    ]
    return max(near)[1] if near else None


def _strongest(answer: Answer) -> str | None:
    """The strongest fitting, if it takes more than three tenths of the current."""
    problem = answer.model.problem
    current = answer.solved.current_mA.mean(0)[: len(problem.fittings)]
    if not len(current) or current.max() <= 0.3 * problem.injected_now_mA:
        return None
    return problem.fittings[int(np.argmax(current))].name
