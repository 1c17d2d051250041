"""From the survey file to the search for sinks and back: one place that knows both shapes of a reading."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from earthward.errors import InputError
from earthward.inversion.compare import BAND, RemeasureResult, judge_remeasure
from earthward.inversion.covers import joined
from earthward.inversion.types import NO_DYE_WITHIN_M, FloatingSink, LocateSettings, Result
from earthward.pool.shape import Pool
from earthward.record.finding import Finding
from earthward.record.visit import CurrentStep
from earthward.survey.store import SurveyStore

if TYPE_CHECKING:
    from earthward.pool.field import Field

#: less than this part of the earlier current is too little to read anything with
LITTLE_CURRENT = 0.03
#: ... and less than this where every fitting is covered: what is left leaks past the covers, at no place to be read
LITTLE_PAST_COVERS = 0.1
#: readings that leave room for so much of the sink speak against a fall of the current
STILL_MOST = 0.5
#: errors of readings that fit no model are larger than stated, by about so much
MISFIT = 2.0
#: 90 % of a round blur in a plane lie within so many of its standard deviations
RADIUS_SIGMAS = 2.15


def locate_survey(
    store: SurveyStore, pool: Pool, settings: LocateSettings | None = None, field: Field | None = None
) -> Result:
    """Search with all survey readings that count, and keep the result in the file (not if it is open read-only)."""
    from earthward.inversion.locate import locate  # 40 MB and half a second that a daemon can do without

    pool, readings, earlier = joined(pool, store.readings("survey"))
    settings = replace(settings or LocateSettings(), floating=floating_sinks(store.findings()), earlier=earlier)
    result = locate(pool, readings, settings, field)
    if not store.read_only:
        store.add_location(result.to_json())
    return result


def floating_sinks(findings: Iterable[Finding]) -> tuple[FloatingSink, ...]:
    """Findings that drew no dye: each is a fitting that nobody listed, and the search goes on for what is left, or the
    leak is elsewhere."""
    return tuple(
        FloatingSink(
            f"finding {f.number}", f.position_m, max(0.05, (f.radius_m or 0.3) / RADIUS_SIGMAS), NO_DYE_WITHIN_M
        )
        for f in findings
        if f.stage == "dye not drawn"
    )


def remeasure(
    store: SurveyStore, pool: Pool, number: int, field: Field | None = None, settings: LocateSettings | None = None
) -> RemeasureResult:
    """What the stations read again after the repair of a finding say of it: its current now against that before.

    `pool`: with its fittings as they are covered now. InputError if nothing was read again, unless next to no current
    flows any more: then there is nothing left to read, and the fall of the current itself is the test. Does not write:
    give the result to `set_finding_stage(number, "re-measured", result.text, result.as_dict())`.
    """
    finding = next((f for f in store.findings() if f.number == number), None)
    if finding is None or not finding.current_A:
        raise InputError(f"finding {number} has no current in this survey: locate it first")
    again = [r for r in store.readings("re-measure") if r.finding in (None, number) and r.injected_A]
    stations = {r.station for r in again}
    covered = frozenset(f.name for f in pool.fittings if f.covered)
    before = [r for r in store.readings("survey") if r.injected_A and r.covered_then(covered) == covered]
    at_same = [r for r in before if r.station in stations]
    injected = [float(r.injected_A or 0.0) for r in (at_same or before)]
    share = finding.current_A * len(injected) / sum(injected) if injected else 1.0
    low, high = finding.current_interval_A or (0.7 * finding.current_A, 1.3 * finding.current_A)
    relative = (high - low) / (2 * 1.645) / finding.current_A
    if not at_same or nothing_flows(store, number):
        # Of the little that still flows each reading says next to nothing, and a search in them less.
        return _by_current(store, number, share, relative)
    now_A = {
        source: float(np.mean([r.injected_A for r in again if r.source_id == source]))
        for source in {r.source_id for r in again}
    }
    pool = pool.read_with(now_A)
    pool = replace(
        pool,
        sources=tuple(msgspec.structs.replace(s, current_A=now_A.get(s.source_id, s.current_A)) for s in pool.sources),
    )
    readings = []
    for r in again:
        scale = now_A[r.source_id] / float(r.injected_A or 1.0)
        readings.append(msgspec.structs.replace(r, value_V=r.value_V * scale, sigma_V=r.sigma_V * scale))
    place_sigma_m = max(0.02, (finding.radius_m or 0.15) / RADIUS_SIGMAS)
    from earthward.inversion.again import sink_current  # as above: only where a patch is judged

    found = sink_current(pool, readings, finding.position_m, place_sigma_m, settings, field)
    left = found.share / share
    result = judge_remeasure(left, math.hypot(found.share_sigma / share, left * relative), found.fit_p)
    return result if result.outcome != "cannot tell" else _with_current(store, number, share, relative, result)


def nothing_flows(store: SurveyStore, number: int) -> bool:
    """By the board's own measurement before and after the patch next to no current is left to read with."""
    step = _patch(store, number)
    little = LITTLE_PAST_COVERS if all(f.covered for f in store.fittings()) else LITTLE_CURRENT
    return step is not None and step.after_A <= little * step.before_A


def _patch(store: SurveyStore, number: int) -> CurrentStep | None:
    return next((s for s in store.current_steps() if s.kind == "patch" and s.finding == number), None)


def _by_current(store: SurveyStore, number: int, share: float, relative: float) -> RemeasureResult:
    """By the board's own measurement before and after the patch, where hardly any current is left to read with."""
    step = _patch(store, number)
    if step is None or not nothing_flows(store, number):
        raise InputError(
            f"no reading near finding {number} was taken again at an earlier station: read the same stations as before"
        )
    result = _fall(step, share, relative)
    return replace(result, text=f"{result.text} Next to no current flows any more, so nothing is left to read.")


def _with_current(
    store: SurveyStore, number: int, share: float, relative: float, result: RemeasureResult
) -> RemeasureResult:
    """What the readings alone cannot tell the fall of the current at the patch may, where they do not speak against it:
    a cover that leaks a little beside the stations, say, is in the readings and not in their model."""
    step = _patch(store, number)
    if step is None or result.left_interval[1] >= STILL_MOST:
        return result
    by_current = _fall(step, share, relative)
    if by_current.outcome == "cannot tell":
        by_current = _both(result, by_current)
    if by_current.outcome == "cannot tell":
        return result
    told = f"{by_current.text} So says the fall of the current at the patch; the readings alone cannot tell."
    return replace(by_current, fit_p=result.fit_p, text=told)


def _both(readings: RemeasureResult, current: RemeasureResult) -> RemeasureResult:
    """The weighted mean of two that agree, the readings' error doubled for fitting no model; else the current's."""
    sigma = MISFIT * readings.left_sigma
    if abs(readings.left - current.left) > BAND * math.hypot(sigma, current.left_sigma):
        return current
    weights = 1.0 / sigma**2, 1.0 / current.left_sigma**2
    left = (weights[0] * readings.left + weights[1] * current.left) / sum(weights)
    return judge_remeasure(left, 1.0 / math.sqrt(sum(weights)))


def _fall(step: CurrentStep, share: float, relative: float) -> RemeasureResult:
    """What is left by the board's measurement before and after the patch. share, relative: the sink's part of the
    current before, and its relative standard error."""
    left = 1.0 - step.share / min(share, 1.0)
    return judge_remeasure(left, math.hypot(step.share_sigma / share, (1.0 - left) * relative))
