"""The answer in words: places, findings, verdict, what would help."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from earthward.inversion.budget import leak_current
from earthward.inversion.decision import Answer, count_probabilities
from earthward.inversion.lead import FloatArray
from earthward.inversion.prepare import Problem
from earthward.inversion.regions import Leak, region_patches
from earthward.inversion.types import Coverage, Verdict
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


def place_in_words(pool: Pool, position_m: Point, length: Callable[[float], str] = "{:.1f} m".format) -> str:
    """The same with lengths said by `length`, for other units."""
    x, y, z = position_m
    place = pool.wall_place(x, y)
    along = f"{length(place.along_m)} along the {place.wall} from its {place.mark}"
    if place.off_m < 0.06:
        return f"{along}, {length(z)} deep"
    return f"on the floor {along}, {length(place.off_m)} off the wall"


def make_finding(problem: Problem, leak: Leak, answer: Answer) -> Finding:
    settings = problem.settings
    mean, low, high = leak_current(problem, leak)
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
        certain=leak.certain and answer.fits,
        text=text,
    )


def _near_fitting(problem: Problem, answer: Answer, leak: Leak, within_m: float = 1.0) -> tuple[str, float] | None:
    """The strongest fitting within a metre of where the leak may be, with its current in mA."""
    near = []
    current = answer.solved.current_mA.mean(0)
    for k, sink in enumerate(problem.fittings):
        if float(np.linalg.norm(sink.position_m - leak.position_m)) < within_m:
            near.append((sink.name, float(current[k])))
    return max(near, key=lambda one: one[1]) if near else None


def put_into_words(
    problem: Problem,
    answer: Answer,
    findings: tuple[Finding, ...],
    cover: Coverage | None,
    place: Station | None,
) -> tuple[Verdict, str, tuple[str, ...]]:
    """Verdict, one sentence or two, and what would help."""
    advice: list[str] = []
    obs = answer.obs
    axes = obs.ends_m.shape[1]
    if len(np.unique(obs.source[obs.use])) < 2:
        advice.append(
            "read each station again with the injection electrode at a second place, pole unmoved: "
            "that calibrates the pole's position and bearing"
        )
    if axes < 3:
        advice.append("read a vertical pair at each station as well")
    depths = obs.centre_m[:, 2]
    if problem.pool.greatest_depth_m > 1.9 and float(np.ptp(depths)) < 0.4:
        advice.append("read a second depth: this pool is deep")
    best = answer.leaks[0] if answer.leaks else answer.doubtful
    near = _near_fitting(problem, answer, best) if best is not None else None
    strongest = None
    if problem.fittings and answer.known:
        current = answer.solved.current_mA.mean(0)[: len(problem.fittings)]
        k = int(np.argmax(current))
        if current[k] > 0.3 * float(problem.injected_mA.mean()):
            strongest = problem.fittings[k].name
    if answer.leaks and all(f.certain for f in findings):
        text = f"found: {findings[0].text}" if len(findings) == 1 else "found: " + "; ".join(f.text for f in findings)
        return "found", text + "; confirm with dye", tuple(advice)
    if answer.leaks:
        leak = answer.leaks[0]
        if near is not None and leak.radius_m > FOUND_RADIUS_M:
            advice.insert(0, f'cover or plug "{near[0]}" and read the nearest stations again')
        elif strongest is not None and leak.radius_m > 0.5:
            advice.append(f'cover or plug "{strongest}", the strongest fitting')
        text = "; ".join(f.text for f in findings)
        if not answer.fits:
            text += "; not all readings fit that: check depths, the electrodes' places and the current"
        if place is not None:
            text += f"; next {place.text}"
        return "suspected", text, tuple(advice)
    p_none = count_probabilities(answer, problem.settings.gate)["0"]
    if cover is not None and cover.fraction_at_reference > 0.8 and p_none > 0.5:
        text = f"no leak seen: {cover.text}; that is no proof that there is none"
        return "no leak seen", text, tuple(advice)
    if near is not None and p_none < 0.9:
        because = f'what is seen near "{near[0]}" may be the fitting itself'
        advice.insert(0, f'cover or plug "{near[0]}" and read the nearest stations again')
    elif cover is not None and cover.fraction_at_reference < 0.5:
        because = f"only {100 * cover.fraction_at_reference:.0f} % of the liner has been looked at well enough"
    else:
        because = "a leak explains the readings hardly better than small errors of position"
    if strongest is not None:
        advice.append(f'cover or plug "{strongest}", the strongest fitting')
    text = f"cannot tell, because {because}"
    if place is not None:
        text += f"; next {place.text}"
    return "cannot tell", text, tuple(advice)
