"""Where current leaves the pool: `Survey` takes readings one by one, `locate` all at once; both give a `Result`.

The method is told in docs/method-location.md. Nothing here measures time or touches files.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import chdtrc

from earthward.errors import InputError
from earthward.inversion import batch, check, engine, guide, lead, model
from earthward.inversion.budget import mixture_interval
from earthward.inversion.coverage import detectable, summarise
from earthward.inversion.engine import Problem, SinkSearch, StationData
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.model import Leads, Rows, Sink, Solved, State
from earthward.inversion.types import Coverage, LocateSettings, PosteriorCell, Result, SuspectReading, Verdict
from earthward.pool.field import Field
from earthward.pool.resistance import hole_diameter_interval_m
from earthward.pool.shape import Pool
from earthward.record.base import Point
from earthward.record.finding import CurrentBudget, Finding, FittingShare, Region
from earthward.record.place import Station
from earthward.record.reading import KeptReading

#: Prior probability of 0, 1, 2 and 3 leaks in a pool that a leak technician was called to.
COUNT_PRIOR = (0.40, 0.40, 0.15, 0.05)
#: A leak is called found when so much of its probability lies within so many metres of its position.
FOUND_WITHIN = ((0.9, 0.2), (0.92, 0.15), (0.995, 0.4))
FOUND_RADIUS_M = 0.2
#: A station is named suspect when its misfit has a smaller probability than this.
SUSPECT_P = 1e-6
#: An answer with a smaller probability of its misfit is looked for a second time, more thoroughly.
POOR_P = 1e-3
#: Nothing is called found when all misfits together have a smaller probability than this.
MISFIT_P = 1e-4
FEWEST_STATIONS = 3


@dataclass(frozen=True)
class Spots:
    """Patches of liner with the probability (n,) that the sink is in them. place_m (n, 3) centres, cell (n,) the fine
    cell each belongs to."""

    place_m: FloatArray
    probability: FloatArray
    cell: IntArray
    size_m: float


@dataclass(frozen=True)
class Leak:
    """One accepted sink with the cells it may be in."""

    search: SinkSearch
    probability: FloatArray
    """By fine cell."""
    spots: Spots
    position_m: FloatArray
    cell: int
    log_evidence: float

    @cached_property
    def radius_m(self) -> float:
        """90 % of the probability lies within it, straight from `position_m`."""
        return self.within(0.9)

    def within(self, content: float) -> float:
        """Distance from `position_m` that holds `content` of the probability."""
        away = np.linalg.norm(self.spots.place_m - self.position_m, axis=1)
        order = np.argsort(away)
        held = np.cumsum(self.spots.probability[order])
        return float(away[order][min(int(np.searchsorted(held, content)), len(order) - 1)])

    @property
    def certain(self) -> bool:
        return all(self.within(content) < reach for content, reach in FOUND_WITHIN)


@dataclass(frozen=True)
class Answer:
    """Everything the search settled, before it is put into words."""

    rows: Rows
    leads: Leads
    leaks: tuple[Leak, ...]
    doubtful: Leak | None
    """The best place for one more sink, below the gate."""
    log_evidence: tuple[float, ...]
    """Log evidence gained by the first, second ... sink, as far as tried."""
    known: tuple[Sink, ...]
    solved: Solved
    suspects: tuple[tuple[int, str], ...]

    @property
    def fits(self) -> bool:
        """Do the sinks, with errors as large as stated, explain the readings? If not, the place may be any."""
        return self.chance > MISFIT_P

    @property
    def chance(self) -> float:
        """Probability of a misfit as large as this one."""
        misfit = [float(self.solved.station_chi2.sum())]
        misfit += [float(one.search.candidates.chi2[one.search.best]) for one in self.leaks[-1:]]
        return float(chdtrc(int(self.rows.use.sum()), max(misfit)))


class Survey:
    """Readings of one visit and what they say so far. Adding a reading costs one lead field per new station."""

    def __init__(
        self,
        pool: Pool,
        settings: LocateSettings | None = None,
        field: Field | None = None,
        liner: engine.LinerGrid | None = None,
    ) -> None:
        """`liner`: `problem.liner` of an earlier survey of the same shape, which saves half a second."""
        check.check_pool(pool)
        self.pool = pool
        self.settings = settings or LocateSettings()
        self.problem = engine.make_problem(pool, self.settings, field, liner)
        self.places = guide.reachable(pool)
        self.readings: list[KeptReading] = []
        self._stations: dict[str, StationData] = {}
        self._heads: dict[tuple[float, ...], lead.Head] = {}
        self._expected: dict[str, list[float]] = {}
        """By station: what its readings could be at the most, in volts."""
        self.last_answer: Answer | None = None
        """What the latest `result` rests on; None before three stations."""

    def add(self, reading: KeptReading) -> None:
        """Take one more reading. InputError if it cannot be what it says; the survey is then unchanged."""
        check.check_reading(self.pool, reading)
        check.check_copies([*self.readings, reading])
        engine.add_reading(self.problem, self._stations, reading, self._heads)
        self.readings.append(reading)

    def remove(self, row: int) -> None:
        """Forget the reading with that row number."""
        kept = [r for r in self.readings if r.row != row]
        self.readings, self._stations, self._expected = [], {}, {}
        for r in kept:
            engine.add_reading(self.problem, self._stations, r, self._heads)
            self.readings.append(r)

    def result(self, *, coverage: bool = True, guidance: bool = True) -> Result:
        """What all readings so far say together. They alone decide, not what was thought with fewer of them: a start
        from the last answer would be quicker, and stay caught where that one was wrong."""
        places = {tuple(np.round(s.head.centre_m, 2)) for s in self._stations.values()}
        if len(places) < FEWEST_STATIONS:
            return self._too_few(len(places))
        self._check_units()
        rows, leads = engine.pack(self.problem, list(self._stations.values()))
        answer = solve(self.problem, rows, leads)
        self.last_answer = answer
        return self._report(answer, coverage, guidance)

    def next_station(self) -> Station:
        """Where to measure next, by the latest result."""
        answer = self.last_answer
        if answer is None:
            taken = [s.head.centre_m for s in self._stations.values()]
            return guide.first_place(self.pool, self.places, taken)
        return self._next(answer, answer.leaks[0] if answer.leaks else answer.doubtful)

    # --- inside ------------------------------------------------------------------------------------------

    def _check_units(self) -> None:
        rho = self.problem.resistivity
        n = len(self.problem.grid.coarse)
        for s in self._stations.values():
            sources = s.head.coefficient[:, n:]
            known = self._expected.setdefault(s.name, [])
            for k in range(len(known), len(s.pair)):
                axis, source = s.pair[k], s.source[k]
                x = s.head.centre_m + s.levers[axis]
                d = np.linalg.norm(x - self.problem.sources_m[source], axis=1)
                table = lead.basis(s.levers[axis] / lead.RADIUS_M, s.head.degree)
                near = (1 / d[1] - 1 / d[0]) / (4 * math.pi) + float((table[1] - table[0]) @ sources[:, source])
                known.append(rho * float(self.problem.injected_mA[source]) * 1e-3 * near)
        value = [v * 1e-6 for s in self._stations.values() for v in s.value_uV]
        expected = [v for s in self._stations.values() for v in self._expected[s.name]]
        sentence = check.unit_mistake(value, expected)
        if sentence:
            raise InputError(sentence)

    def _too_few(self, stations: int) -> Result:
        count = len(self.readings)
        taken = [s.head.centre_m for s in self._stations.values()]
        place = guide.first_place(self.pool, self.places, taken)
        injected = float(self.problem.injected_mA.max()) * 1e-3
        shares = tuple(
            FittingShare(name=s.name, current_A=0.0, interval_A=(0.0, injected)) for s in self.problem.fittings
        )
        budget = CurrentBudget(
            injected_A=injected,
            fittings=shares,
            findings_interval_A=(0.0, injected),
            unexplained_A=injected,
            unexplained_interval_A=(0.0, injected),
            text="nothing is known yet",
        )
        what = (
            "there is no reading yet"
            if not count
            else ("there is only one reading" if count == 1 else f"there are readings from only {stations} station(s)")
        )
        text = f"cannot tell, because {what}: at least {FEWEST_STATIONS} stations are needed, {place.text}"
        flat = {str(k): p for k, p in enumerate(COUNT_PRIOR)}
        return Result(
            (), flat, budget, None, place, (), (), "cannot tell", text,
            ("keep readings at more stations",), 1.0, stations, count,
        )  # fmt: skip

    def _report(self, answer: Answer, with_coverage: bool, with_guidance: bool) -> Result:
        problem, settings = self.problem, self.settings
        findings = tuple(_finding(problem, leak, answer) for leak in answer.leaks)
        counts = count_probabilities(answer, settings.gate)
        budget = make_budget(problem, answer, counts)
        cover: Coverage | None = None
        if with_coverage:
            sinks = answer.known
            cover = summarise(problem, detectable(problem, answer.rows, answer.leads, sinks, answer.solved))
        best = answer.leaks[0] if answer.leaks else answer.doubtful
        place: Station | None = None
        if with_guidance:
            place = self._next(answer, best)
        suspects = tuple(
            SuspectReading(int(number), answer.rows.names[s], why)
            for s, why in answer.suspects
            for number in answer.rows.number[s]
            if number >= 0
        )
        posterior: tuple[PosteriorCell, ...] = ()
        if best is not None:
            order = np.argsort(-best.probability)[:400]
            order = order[best.probability[order] > 1e-5]
            posterior = tuple(
                PosteriorCell(_point(problem.grid.fine.centre_m[k]), float(best.probability[k])) for k in order
            )
        verdict, text, advice = put_into_words(problem, answer, findings, cover, place)
        gain = float(answer.solved.current_mA.sum(1).mean() / problem.injected_mA.mean()) if answer.known else 1.0
        return Result(
            findings, counts, budget, cover, place, suspects, posterior, verdict, text, advice, gain,
            answer.rows.stations, len(self.readings),
            {"log_evidence": answer.log_evidence[0] if answer.log_evidence else 0.0},
        )  # fmt: skip

    def _next(self, answer: Answer, best: Leak | None) -> Station:
        taken = list(answer.rows.centre_m)
        if best is None:
            return guide.first_place(self.pool, self.places, taken)
        belief = belief_of(self.problem, answer, best)
        return guide.next_station(
            self.pool, self.places, belief, self.problem.resistivity, self.problem.priors, taken,
            axes=3 if answer.rows.lever_m.shape[1] >= 3 else 2,
        )  # fmt: skip


def locate(
    pool: Pool,
    readings: Sequence[KeptReading],
    settings: LocateSettings | None = None,
    field: Field | None = None,
    *,
    coverage: bool = True,
    guidance: bool = True,
) -> Result:
    """All readings at once. InputError with one sentence on what cannot be used."""
    check.check_pool(pool)
    for reading in readings:
        check.check_reading(pool, reading)
    check.check_copies(readings)
    survey = Survey(pool, settings, field)
    for reading in readings:
        engine.add_reading(survey.problem, survey._stations, reading, survey._heads)
        survey.readings.append(reading)
    return survey.result(coverage=coverage, guidance=guidance)


# ---- the search with its decisions ------------------------------------------------------------------------


def solve(problem: Problem, rows: Rows, leads: Leads) -> Answer:
    """Search, name stations that fit nothing, search again without them."""
    suspects: list[int] = []
    allowed = max(1, rows.stations // 5)
    answer = _solve_once(problem, rows, leads)
    if answer.chance < POOR_P:
        # Not explained: perhaps it cannot be, perhaps the right place was dropped before its refit had settled.
        again = _solve_once(problem, rows, leads, thorough=True)
        if again.solved.log_evidence > answer.solved.log_evidence:
            answer = again
    while len(suspects) < allowed:
        bad = _worst_station(answer)
        if bad is None:
            break
        # The worst of all may be an honest one that the false one drags along: the first time try others as well.
        tries = [bad] if suspects else list(dict.fromkeys([bad, *_other_suspects(answer)]))
        answers = [_solve_once(problem, _left_out(rows, k), leads) for k in tries]
        best = max(range(len(tries)), key=lambda k: answers[k].solved.log_evidence)
        suspects.append(tries[best])
        answer, rows = answers[best], _left_out(rows, tries[best])
    if suspects:
        answer, suspects = _hear_again(problem, rows, leads, answer, suspects)
    return replace(answer, suspects=tuple((k, _why(problem, rows, leads, answer, k)) for k in suspects))


def _left_out(rows: Rows, station: int) -> Rows:
    use = rows.use.copy()
    use[station] = False
    return replace(rows, use=use)


def _other_suspects(answer: Answer, most: int = 4) -> list[int]:
    """Stations without which some place would explain the rest best."""
    search = answer.leaks[0].search if answer.leaks else answer.doubtful.search if answer.doubtful else None
    if search is None:
        return []
    order = np.argsort(search.spared)[:most]
    return [int(k) for k in order if np.isfinite(search.spared[k])]


def _hear_again(
    problem: Problem, rows: Rows, leads: Leads, answer: Answer, suspects: list[int]
) -> tuple[Answer, list[int]]:
    """A station may have been suspected while a leak was still missing from the model: take back in those that fit all
    sinks as they are now known, if then nothing misfits."""
    use = rows.use.copy()
    for station in suspects:
        use[station] = rows.number[station] >= 0
    every = replace(rows, use=use)
    solved = model.fit(
        leads, every, answer.known, problem.sources_m, problem.resistivity, problem.priors, answer.solved.state
    )
    guilty = [station for station in suspects if _chance(every, solved)[station] <= SUSPECT_P]
    if len(guilty) == len(suspects):
        return answer, suspects
    for station in guilty:
        use[station] = False
    again = _solve_once(problem, replace(rows, use=use), leads)
    return (again, guilty) if _worst_station(again) is None else (answer, suspects)


def _chance(rows: Rows, solved: Solved) -> FloatArray:
    """Probability (S,) of a misfit as large as each station's."""
    freedom = rows.use.sum(1)
    p = chdtrc(np.maximum(freedom, 1), solved.station_chi2)
    return np.asarray(np.where(freedom > 0, p, 1.0))


def _worst_station(answer: Answer) -> int | None:
    """The station whose readings fit worst, if they fit too badly to be chance."""
    misfit = answer.solved.station_chi2
    p = _chance(answer.rows, answer.solved)
    k = int(np.argmax(np.where(p <= max(float(p.min()), 1e-300), misfit, -1.0)))
    return k if p[k] <= SUSPECT_P else None


def _why(problem: Problem, rows: Rows, leads: Leads, answer: Answer, station: int) -> str:
    """The likely mistake behind a suspect station, from what the other stations' answer expects to be read there."""
    state = answer.solved.state
    pose = state.pose.copy()
    pose[station] = 0.0
    every = replace(rows, use=rows.number >= 0)
    linear = model.linearise(
        leads, every, answer.known, problem.sources_m, problem.resistivity, problem.priors, replace(state, pose=pose)
    )
    use = every.use[station]
    current = state.current_mA[rows.source[station]]
    expected = (linear.A[station, :, : len(answer.known)] * current).sum(-1)[use]
    value = rows.value_uV[station][use]
    ratio = float(np.median(np.abs(value)) / max(float(np.median(np.abs(expected))), 1e-3))
    if ratio > 100:
        return f"about {ratio:.0f} times what is expected there: perhaps millivolts or microvolts entered as volts"
    if ratio < 0.01:
        return "far smaller than is expected there: perhaps volts entered as millivolts, or out of the water"
    if float(value @ expected) < -0.8 * float(np.linalg.norm(value) * np.linalg.norm(expected)):
        return "opposite to what is expected there: perhaps taken with front and back exchanged"
    return "fits no position near the one noted: perhaps taken at another station or with front and back exchanged"


def _solve_once(problem: Problem, rows: Rows, leads: Leads, thorough: bool = False) -> Answer:
    settings = problem.settings
    fittings = problem.fittings
    base = engine.fit_without(problem, rows, leads, fittings, None, None)
    leaks: list[Leak] = []
    gains: list[float] = []
    doubtful: Leak | None = None
    known: tuple[Sink, ...] = fittings
    solved = base
    turns = 0
    while len(leaks) < settings.max_leaks:
        found = engine.search_one(
            problem, rows, leads, known, base,
            forbidden_m=[leak.position_m for leak in leaks],
            effort=2 if not leaks else 1,
            thorough=thorough,
        )  # fmt: skip
        base = engine.fit_without(problem, rows, leads, known, found, base)
        if not leaks:
            solved = base
        gain = found.evidence - base.log_evidence
        gains.append(gain)
        leak = make_leak(problem, found, gain)
        if gain < settings.gate + (0.0 if not leaks else SECOND_EXTRA):
            doubtful = leak
            break
        leaks.append(leak)
        c, k = found.candidates, found.best
        known, solved = _joint(problem, rows, leads, leaks, batch.state_of(c, k))
        if len(leaks) > 1:
            leaks, known, solved = _polish(problem, rows, leads, leaks, solved)
            leaks, known, solved = _drop_unearned(problem, rows, leads, leaks, known, solved)
            if len(leaks) < len(gains):
                gains = [one.log_evidence for one in leaks]
        base = solved
        turns += 1
        if turns >= settings.max_leaks + 2:
            break
    return Answer(rows, leads, tuple(leaks), doubtful, tuple(gains), known, solved, ())


#: A second and third leak must earn this much more log evidence than the first: the first's own misfit imitates them.
SECOND_EXTRA = 3.0


def _as_sink(problem: Problem, leak: Leak) -> Sink:
    return engine.leak_sink(problem, leak.position_m, leak.cell, max(engine.LEAK_SIGMA_M, 0.6 * leak.radius_m))


def _joint(
    problem: Problem, rows: Rows, leads: Leads, leaks: list[Leak], state: State
) -> tuple[tuple[Sink, ...], Solved]:
    """All sinks together, from a state whose last leak now has its own best place as origin."""
    known = (*problem.fittings, *[_as_sink(problem, one) for one in leaks])
    offset = state.offset_m.copy()
    offset[-1] = 0.0
    start = replace(state, offset_m=offset)
    solved = model.fit(leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, start, iterations=4)
    return known, solved


def _polish(
    problem: Problem, rows: Rows, leads: Leads, leaks: list[Leak], joint: Solved
) -> tuple[list[Leak], tuple[Sink, ...], Solved]:
    """Look again for each leak with the others free to move a little: the earlier ones anywhere, because alone they
    had to stand for all; then each once more around its place. Returns leaks, all sinks, the joint fit."""
    first = len(problem.fittings)
    known: tuple[Sink, ...] = ()
    order = [(k, False) for k in range(len(leaks) - 1)] + [(k, True) for k in reversed(range(len(leaks)))]
    for k, local in order:
        others = [leak for j, leak in enumerate(leaks) if j != k]
        known = (*problem.fittings, *[_as_sink(problem, one) for one in others])
        keep = [j for j in range(first + len(leaks)) if j != first + k]
        state = replace(joint.state, offset_m=joint.state.offset_m[keep], current_mA=joint.state.current_mA[:, keep])
        linear = model.linearise(leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, state)
        base = replace(model.solve(rows, linear, problem.priors), state=state)
        sink = _as_sink(problem, leaks[k])
        place = sink.position_m + joint.state.offset_m[first + k] @ sink.tangent
        found = engine.search_one(
            problem,
            rows,
            leads,
            known,
            base,
            forbidden_m=[o.position_m for o in others],
            near=(place, float(joint.state.current_mA[:, first + k].mean())) if local else None,
            effort=1,
        )
        without = engine.fit_without(problem, rows, leads, known, found, base)
        leaks[k] = make_leak(problem, found, found.evidence - without.log_evidence)
        c, n = found.candidates, found.best
        # Put the moved leak back at its place among the sinks; its own best place is the new origin.
        back = list(range(first + len(leaks) - 1))
        back.insert(first + k, first + len(leaks) - 1)
        offset = c.offset_m[n][back].copy()
        offset[first + k] = 0.0
        known = (*problem.fittings, *[_as_sink(problem, one) for one in leaks])
        start = State(c.pose[n], offset, c.current_mA[n][:, back], float(c.shift_m[n]))
        joint = model.fit(
            leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, start, iterations=4
        )
    return leaks, known, joint


def _drop_unearned(
    problem: Problem, rows: Rows, leads: Leads, leaks: list[Leak], known: tuple[Sink, ...], joint: Solved
) -> tuple[list[Leak], tuple[Sink, ...], Solved]:
    """Without the leaks that stood in for others found since: beside those they no longer earn their place."""
    needed = problem.settings.gate + SECOND_EXTRA
    kept = [k for k, one in enumerate(leaks) if one.log_evidence >= needed]
    if len(kept) == len(leaks):
        return leaks, known, joint
    if not kept:
        kept = [int(np.argmax([one.log_evidence for one in leaks]))]
    first = len(problem.fittings)
    index = [*range(first), *[first + k for k in kept]]
    known = tuple(known[j] for j in index)
    start = replace(joint.state, offset_m=joint.state.offset_m[index], current_mA=joint.state.current_mA[:, index])
    solved = model.fit(leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, start, iterations=4)
    return [leaks[k] for k in kept], known, solved


def make_leak(problem: Problem, found: SinkSearch, log_evidence: float) -> Leak:
    """Position, region and radius out of the scores of all cells."""
    cells = problem.grid.fine
    spots = _spots(problem, found)
    near = np.linalg.norm(spots.place_m - spots.place_m[int(np.argmax(spots.probability))], axis=1) < 0.6
    local = spots.probability * near
    mean = (local[:, None] * spots.place_m).sum(0) / local.sum()
    position, cell, _ = engine.on_liner(problem.pool, cells, mean)
    probability = np.bincount(spots.cell, weights=spots.probability, minlength=len(cells)).astype(np.float64)
    return Leak(found, probability, spots, position, cell, log_evidence)


def _spots(problem: Problem, found: SinkSearch) -> Spots:
    """The fine cells with their probabilities; beside a sharp place patches a quarter of a cell wide, each counted by
    what the refits of the cells around say of it: their places with covariances, weighted by their scores."""
    cells = problem.grid.fine
    c = found.candidates
    fine = np.flatnonzero(c.cell < 0)
    if not len(fine):
        weight = np.exp(found.score - found.score.max()) * cells.area_m2
        return Spots(cells.centre_m, weight / weight.sum(), np.arange(len(cells)), cells.size_m)
    fine = fine[c.score[fine] > c.score[fine].max() - 12.0]
    own = -1 - c.cell[fine]
    step = (np.arange(PATCHES) + 0.5) / PATCHES - 0.5
    u, v = (g.ravel() * cells.size_m for g in np.meshgrid(step, step, indexing="ij"))
    shift = u[:, None, None] * cells.tangent[own, 0] + v[:, None, None] * cells.tangent[own, 1]
    place = (cells.centre_m[own] + shift).reshape(-1, 3)
    cell = np.tile(own, PATCHES**2)
    # (patches, refits): squared distance of each patch from each refit's place, in its standard deviations.
    uv = np.einsum("pfj,ftj->pft", place[:, None] - c.position_m[fine], c.tangent[fine]) - c.offset_m[fine, -1]
    inverse = np.linalg.inv(c.place_covariance[fine])
    away = np.einsum("pft,ftw,pfw->pf", uv, inverse, uv)
    log_weight = c.score[fine] - 0.5 * np.linalg.slogdet(c.place_covariance[fine])[1] - 0.5 * away
    log_weight[cells.face[cell][:, None] != cells.face[own]] = -np.inf
    top = float(log_weight.max())
    weight = np.exp(log_weight - top).sum(1) * cells.area_m2[cell]
    return Spots(place, weight / weight.sum(), cell, cells.size_m / PATCHES)


#: Patches along each side of a fine cell beside a sharp place.
PATCHES = 4


def region_spots(spots: Spots, content: float = 0.9) -> IntArray:
    """The fewest patches that hold `content` of the probability."""
    order = np.argsort(-spots.probability)
    count = int(np.searchsorted(np.cumsum(spots.probability[order]), content)) + 1
    return np.asarray(order[:count])


def count_probabilities(answer: Answer, gate: float) -> dict[str, float]:
    """P(0), P(1), ... leaks from the evidence; what was not tried is taken as Occam's share of the one before."""
    logs = [0.0]
    for k in range(3):
        step = answer.log_evidence[k] if k < len(answer.log_evidence) else -2.0
        if k > 0:
            step -= SECOND_EXTRA
        logs.append(logs[-1] + float(np.clip(step, -30, 60)))
    raw = np.array(logs) + np.log(COUNT_PRIOR)
    p = np.exp(raw - raw.max())
    p /= p.sum()
    return {str(k): float(v) for k, v in enumerate(p)}


# ---- budget -----------------------------------------------------------------------------------------------


def _weights(problem: Problem, leak: Leak) -> FloatArray:
    """Posterior weight of each candidate of a search: the probability of the fine cells it speaks for."""
    owner = leak.search.owner
    some = owner >= 0
    count = np.bincount(owner[some], weights=leak.probability[some], minlength=len(leak.search.candidates))
    return np.asarray(count, dtype=np.float64)


def make_budget(problem: Problem, answer: Answer, counts: dict[str, float]) -> CurrentBudget:
    """Shares as mixtures over all places the leak may be; scaled so that the whole is the injected current."""
    injected_mA = float(problem.injected_mA.mean())
    k = len(problem.fittings)
    solved = answer.solved
    names = [s.name for s in problem.fittings]
    shares: list[FittingShare] = []
    last = answer.leaks[-1] if answer.leaks else answer.doubtful
    placements, sinks = solved.current_mA.shape
    alone = np.sqrt(np.maximum(model.mean_current_variance(solved.covariance, sinks, sinks, placements), 0.0))
    if last is not None:
        c = last.search.candidates
        weight = _weights(problem, last)
        scale = injected_mA / np.maximum(c.current_mA.sum(2).mean(1), 1e-9)
        place_mean = c.current_mA.mean(1) * scale[:, None]
        sigma = c.sigma_mA * scale[:, None]
        plain = 0.0 if answer.leaks else counts["0"]
    else:
        weight = np.ones(1)
        place_mean = solved.current_mA.mean(0)[None]
        sigma = alone[None, : place_mean.shape[1]]
        plain = 1.0
    base_gain = injected_mA / max(float(solved.current_mA.sum(1).mean()), 1e-9)
    for j in range(k):
        w, m, s = weight * (1 - plain), place_mean[:, j], sigma[:, j]
        if plain > 0 and len(solved.beta):
            w = np.append(w, plain)
            m = np.append(m, solved.current_mA[:, j].mean() * base_gain)
            s = np.append(s, alone[j] * base_gain)
        s = np.hypot(s, 0.01 * m)
        mean, low, high = mixture_interval(w, m, s)
        shares.append(FittingShare(name=names[j], current_A=mean * 1e-3, interval_A=(low * 1e-3, high * 1e-3)))
    found_A, lo_A, hi_A = 0.0, 0.0, 0.0
    for n, leak in enumerate(answer.leaks):
        mean, low, high = leak_current(problem, answer, leak, n)
        found_A, lo_A, hi_A = found_A + mean, lo_A + low, hi_A + high
    injected_A = injected_mA * 1e-3
    doubt = answer.doubtful
    if doubt is not None:
        c = doubt.search.candidates
        weight = _weights(problem, doubt)
        here = str(len(answer.leaks))
        p_here = counts[here]
        p_more = sum(v for name, v in counts.items() if int(name) > len(answer.leaks))
        w = np.append(weight * p_more / max(p_here + p_more, 1e-12), p_here / max(p_here + p_more, 1e-12))
        scale = injected_mA / np.maximum(c.current_mA.sum(2).mean(1), 1e-9)
        m = np.append(c.q_mA * scale, 0.0)
        s = np.append(c.q_sigma_mA * scale, 0.01 * injected_mA)
        _, low, high = mixture_interval(w, m, s)
    else:
        low, high = 0.0, 0.02 * injected_mA
    explained = sum(s.current_A for s in shares) + found_A
    unexplained = max(injected_A - explained, 0.0)
    interval = (min(low * 1e-3, unexplained), max(high * 1e-3, unexplained))
    text = (
        f"of {1e3 * injected_A:.1f} mA injected, known fittings take {1e3 * sum(s.current_A for s in shares):.1f} mA, "
        f"findings {1e3 * found_A:.2f} mA; not explained: {1e3 * interval[0]:.2f} to {1e3 * interval[1]:.2f} mA"
    )
    return CurrentBudget(
        injected_A=injected_A,
        fittings=tuple(shares),
        findings_A=found_A,
        findings_interval_A=(lo_A, hi_A),
        unexplained_A=unexplained,
        unexplained_interval_A=interval,
        text=text,
    )


def leak_current(problem: Problem, answer: Answer, leak: Leak, number: int) -> tuple[float, float, float]:
    """A leak's current in ampere: mean and 90 % interval over the places it may be."""
    c = leak.search.candidates
    weight = _weights(problem, leak)
    injected = float(problem.injected_mA.mean())
    scale = injected / np.maximum(c.current_mA.sum(2).mean(1), 1e-9)
    m, s = c.q_mA * scale, np.hypot(c.q_sigma_mA * scale, 0.01 * c.q_mA * scale)
    mean, low, high = mixture_interval(weight, m, s)
    return mean * 1e-3, low * 1e-3, high * 1e-3


# ---- words ------------------------------------------------------------------------------------------------


def _point(p: FloatArray) -> Point:
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


def _finding(problem: Problem, leak: Leak, answer: Answer) -> Finding:
    settings = problem.settings
    index = next((n for n, one in enumerate(answer.leaks) if one is leak), 0)
    mean, low, high = leak_current(problem, answer, leak, index)
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
    spots = region_spots(leak.spots)
    region = Region(
        probability=0.9, cell_m=leak.spots.size_m, cells_m=tuple(_point(p) for p in leak.spots.place_m[spots])
    )
    text = (
        f"suspected leak {where(problem.pool, leak.position_m)}, within {leak.radius_m:.2f} m (90 %), "
        f"taking {1e3 * low:.2f} to {1e3 * high:.2f} mA"
    )
    return Finding(
        position_m=_point(leak.position_m),
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
    current = answer.solved.current_mA.mean(0) if answer.known else np.zeros(0)
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
    rows = answer.rows
    axes = rows.lever_m.shape[1]
    if len(np.unique(rows.source[rows.use])) < 2:
        advice.append(
            "read each station again with the injection electrode at a second place, pole unmoved: "
            "that calibrates the pole's position and bearing"
        )
    if axes < 3:
        advice.append("read a vertical pair at each station as well")
    depths = rows.centre_m[:, 2]
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


def belief_of(problem: Problem, answer: Answer, best: Leak, most: int = 32) -> guide.Belief:
    """The candidates worth telling apart, for choosing the next station."""
    c = best.search.candidates
    if best.spots.size_m < problem.grid.fine.size_m:
        # A sharp place: patches of liner, each with the currents of the refit in its cell.
        owner = np.full(len(problem.grid.fine), -1, dtype=np.int64)
        fine = np.flatnonzero(c.cell < 0)
        owner[-1 - c.cell[fine]] = fine
        some = np.argsort(-best.spots.probability)[: 4 * most]
        some = some[:: -(-len(some) // most)]
        order, place, weight = owner[best.spots.cell[some]], best.spots.place_m[some], best.spots.probability[some]
    else:
        weight = _weights(problem, best) ** 0.7
        order = np.argsort(-weight)[:most]
        order = order[weight[order] > 0]
        place, weight = c.position_m[order], weight[order]
    known = answer.known if not answer.leaks else answer.known[: c.current_mA.shape[2] - 1]
    fixed = np.array([s.position_m for s in known]).reshape(-1, 3)
    position = np.concatenate([np.broadcast_to(fixed, (len(order), *fixed.shape)), place[:, None]], axis=1)
    return guide.Belief(weight, position, c.current_mA[order], problem.sources_m)
