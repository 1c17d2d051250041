"""Places where dye was not drawn in: a fitting that nobody listed, or the search was wrong and the leak is elsewhere.

Both are searched. As a fitting the place takes current and the search goes on for what is left. As nothing at all it
takes none, and no leak is within the dye's reach of it; what the readings showed there has to come from somewhere else.
The readings decide as far as they can; where they hardly can, the other place is told as suspected, because a person
who reads there finds out, and one who is told that all is explained goes home.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from earthward.inversion.decision import PLACE_COST, Answer, solve
from earthward.inversion.fit import fit
from earthward.inversion.observations import BoolArray, LeadFields, Observations
from earthward.inversion.predict import make_model
from earthward.inversion.prepare import Problem
from earthward.inversion.regions import Leak
from earthward.inversion.types import FloatingSink
from earthward.record.base import Point

#: Log odds (nats) beyond which "the leak is elsewhere" may be called found, and below which it is not told: far from
#: the place, and just outside the dye's reach of it, where a fitting's own blur ends.
SURE, HOPELESS, HOPELESS_NEAR = 3.0, -4.0, 0.0
NEAR_M = 0.5


def solve_beside_dye(problem: Problem, obs: Observations, leads: LeadFields) -> Answer:
    """`decision.solve`, with both readings of "dye not drawn"; the answer's model has the problem it belongs to."""
    answer = solve(problem, obs, leads)
    undrawn = {one.name: one for one in problem.settings.floating if one.no_dye_within_m > 0.0}
    if not undrawn:
        return answer
    elsewhere = solve(_without(problem, undrawn), obs, leads)
    if not elsewhere.leaks:
        return answer
    use = answer.obs.use & elsewhere.obs.use
    odds = _evidence(elsewhere, use, undrawn) - _evidence(answer, use, undrawn)
    near = any(_apart_m(one.position_m, leak) < NEAR_M for one in undrawn.values() for leak in elsewhere.leaks)
    hopeless = HOPELESS_NEAR if near else HOPELESS
    return answer if odds < hopeless else replace(elsewhere, may_be_found=odds > SURE)


def _apart_m(place: Point, leak: Leak) -> float:
    return float(np.linalg.norm(np.subtract(place, leak.position_m)))


def _without(problem: Problem, undrawn: Mapping[str, FloatingSink]) -> Problem:
    """Nothing takes current where no dye was drawn, and no leak is near."""
    off = tuple((np.array(one.position_m), one.no_dye_within_m) for one in undrawn.values())
    fittings = tuple(sink for sink in problem.fittings if sink.name not in undrawn)
    return replace(problem, fittings=fittings, keep_off=off)


def _evidence(answer: Answer, use: BoolArray, undrawn: Collection[str]) -> float:
    """Log evidence of an answer on the readings in `use`. Every sink whose place the readings chose counts alike, leak
    or not: its current's share is the same from all placements, and its place costs the same."""
    model = answer.model
    known = [replace(sink, share_sigma=0.0) if sink.name in undrawn else sink for sink in model.known]
    chosen = len(answer.leaks) + sum(sink.name in undrawn for sink in known)
    alike = make_model(model.problem, replace(model.obs, use=use), model.leads, known)
    return fit(alike, answer.solved.state).log_evidence - PLACE_COST * chosen
