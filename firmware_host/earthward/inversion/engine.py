"""The search itself: no leak, one leak, more leaks; each with poses re-estimated; compared by evidence.

`Problem` holds what belongs to the pool; `Heads` grows by one station at a time; `search` answers from scratch
each time, out of cached lead fields.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from earthward.errors import InputError
from earthward.inversion import batch, lead, model
from earthward.inversion.batch import Candidates
from earthward.inversion.lead import BoxRows, CellSet, FieldRows, FloatArray, Head, IntArray
from earthward.inversion.model import Grid, Leads, Priors, Rows, Sink, Solved, State
from earthward.inversion.search import Scores, score_cells
from earthward.inversion.types import LocateSettings
from earthward.pool.field import Field, make_field
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading

BoolArray = NDArray[np.bool_]

#: A further sink that gains less log evidence than this by linear scores, beside sinks that explain the readings well,
#: gets only a brief look. Tried on 25 pools with one leak and 11 with two: the least that became a leak had -0.6.
HOPELESS = -1.5
#: So many candidates are refitted to the end, however far behind they lie.
KEEP_GOING = 8
#: A refit has settled when the next step promises no larger fall of its squared misfit.
SETTLED = 1.0
#: So few coarse cells within reach of the best are refitted on the fine grid.
SHARP_CELLS = 12
#: Freedom given to a leak's place while poses are re-estimated around it.
LEAK_SIGMA_M = 0.15


@dataclass(frozen=True)
class LinerGrid:
    """All that depends on the pool's shape only, not on water, sources or fittings: cells and what joins them."""

    grid: Grid
    box_rows: BoxRows | None
    """The exact box's table for the coarse cells alone."""
    coarse_index: IntArray
    coarse_weight: FloatArray
    coarse_slope: FloatArray
    thin: IntArray
    """Every fourth coarse cell or so: enough for the linear scan that only proposes seeds."""
    net: IntArray
    """Coarse cells spread over the whole liner, about a metre apart."""
    neighbours: list[IntArray]
    """Coarse cells around each coarse cell, also around corners."""


@dataclass(frozen=True)
class Problem:
    """A pool ready for searching."""

    pool: Pool
    settings: LocateSettings
    liner: LinerGrid
    rows: BoxRows | FieldRows
    targets_m: FloatArray
    sources_m: FloatArray
    source_ids: tuple[int, ...]
    injected_mA: FloatArray
    fittings: tuple[Sink, ...]
    priors: Priors
    degree: int

    @property
    def grid(self) -> Grid:
        return self.liner.grid

    @property
    def resistivity(self) -> float:
        return self.pool.resistivity_ohm_m


def on_liner(pool: Pool, cells: CellSet, point_m: Sequence[float]) -> tuple[FloatArray, int, float]:
    """A point moved to the nearest liner: position, index of the nearest cell, and how far it was."""
    point = np.asarray(point_m, dtype=float)
    d = cells.centre_m - point
    index = int(np.argmin((d * d).sum(1)))
    normal = cells.normal[index]
    gap = float((point - cells.centre_m[index]) @ normal)
    moved = point - gap * normal
    return moved, index, float(np.linalg.norm(point - moved)) if abs(gap) > 1e-9 else 0.0


def liner_grid(pool: Pool, cell_m: float) -> LinerGrid:
    """Cut the liner into coarse (2 cell_m) and fine cells and join them."""
    coarse = lead.cell_set(pool.liner_cells(2 * cell_m))
    fine = lead.cell_set(pool.liner_cells(cell_m))
    box_rows: BoxRows | None = None
    if pool.is_box:
        x0, y0, x1, y1 = pool.bounds_m
        deep = float(pool.depth_at(0.5 * (x0 + x1), 0.5 * (y0 + y1)))
        box_rows = BoxRows(np.array([x1 - x0, y1 - y0, deep]), coarse.centre_m, np.array([x0, y0, 0.0]))
    return LinerGrid(
        model.build_grid(coarse, fine),
        box_rows,
        *model.interpolation(coarse, coarse),
        _thin(pool, coarse),
        _net(coarse),
        _neighbours(coarse),
    )


def make_problem(
    pool: Pool, settings: LocateSettings, field_: Field | None = None, liner: LinerGrid | None = None
) -> Problem:
    """Cells, lead-field tables, fittings and priors of a pool. InputError if it has no source.

    `liner`: that of an earlier problem of the same shape and cell size, to save most of the work.
    """
    if not pool.sources:
        raise InputError("the pool file names no [[source]]: add the injection electrode's position and current")
    liner = liner_grid(pool, settings.cell_m) if liner is None else liner
    coarse, fine = liner.grid.coarse, liner.grid.fine
    sources = np.array([s.position_m for s in pool.sources])
    targets = np.concatenate([coarse.centre_m, sources])
    rows: BoxRows | FieldRows
    if liner.box_rows is not None and field_ is None:
        rows, degree = liner.box_rows.extended(sources), 3
    else:
        rows = FieldRows(make_field(pool) if field_ is None else field_, targets)
        degree = 2
    sinks = []
    for fitting in pool.fittings:
        if fitting.covered:
            continue
        place, index, gap = on_liner(pool, fine, fitting.position_m)
        if gap > 0.3:
            raise InputError(
                f'fitting "{fitting.name}" is {gap:.2f} m off the liner: correct its position_m to a point on it'
            )
        sinks.append(
            model.sink_at(
                coarse,
                fitting.name,
                place,
                fine.normal[index],
                int(fine.face[index]),
                settings.fitting_sigma_m,
                settings.share_sigma,
            )
        )
    injected = np.array([(s.current_A or 0.0) * 1e3 for s in pool.sources])
    if np.any(injected <= 0):
        raise InputError("a [[source]] has current_A of zero or less: give the injected current as measured")
    deg = np.pi / 180
    pose = np.array(
        [settings.position_sigma_m] * 2
        + [settings.depth_sigma_m]
        + [settings.tilt_sigma_deg * deg] * 2
        + [settings.bearing_sigma_deg * deg]
    )
    priors = Priors(
        np.maximum(pose, 1e-4),
        max(settings.depth_offset_sigma_m, 1e-4),
        settings.current_sigma,
        settings.gain_sigma,
        settings.model_error,
        settings.noise_floor_V * 1e6,
        injected,
    )
    return Problem(
        pool,
        settings,
        liner,
        rows,
        targets,
        sources,
        tuple(s.source_id for s in pool.sources),
        injected,
        tuple(sinks),
        priors,
        degree,
    )


def _thin(pool: Pool, cells: CellSet) -> IntArray:
    """Indices of the cells nearest to the centres of a liner cut twice as coarse."""
    wide = pool.liner_cells(2 * cells.size_m)
    _, near = cKDTree(cells.centre_m).query(wide.centre_m)
    return np.unique(near).astype(np.int64)


def _net(cells: CellSet, count: int = 56) -> IntArray:
    """Cells spread evenly: each the farthest from all before it."""
    count = min(count, len(cells))
    chosen = np.zeros(count, dtype=np.int64)
    distance = np.full(len(cells), np.inf)
    for k in range(1, count):
        distance = np.minimum(distance, ((cells.centre_m - cells.centre_m[chosen[k - 1]]) ** 2).sum(1))
        chosen[k] = int(np.argmax(distance))
    return chosen


def _neighbours(cells: CellSet) -> list[IntArray]:
    pairs = cKDTree(cells.centre_m).query_pairs(1.5 * cells.size_m, output_type="ndarray")
    lists: list[list[int]] = [[] for _ in range(len(cells))]
    for i, j in pairs:
        lists[i].append(int(j))
        lists[j].append(int(i))
    return [np.array(sorted(one), dtype=np.int64) for one in lists]


# ---- stations ---------------------------------------------------------------------------------------------


@dataclass
class StationData:
    """One station's readings and lead field; grows while rows of that station come in."""

    name: str
    head: Head
    levers: list[FloatArray] = field(default_factory=list)
    cell_D: list[FloatArray] = field(default_factory=list)
    pair: list[int] = field(default_factory=list)
    source: list[int] = field(default_factory=list)
    value_uV: list[float] = field(default_factory=list)
    variance: list[float] = field(default_factory=list)
    number: list[int] = field(default_factory=list)


def add_reading(
    problem: Problem,
    stations: dict[str, StationData],
    reading: KeptReading,
    heads: dict[tuple[float, ...], Head] | None = None,
) -> StationData:
    """Put a reading into its station, learning the lead field if the place is new. `heads` remembers them by place."""
    front, back = np.asarray(reading.front_m, dtype=float), np.asarray(reading.back_m, dtype=float)
    centre = 0.5 * (front + back)
    # A row without a station's name may have been taken with a pose of its own.
    name = reading.station or f"row {reading.row}"
    data = stations.get(name)
    if data is None:
        heads = {} if heads is None else heads
        key = tuple(float(v) for v in np.round(centre, 3))
        if key not in heads:
            heads[key] = lead.learn_head(problem.pool, problem.rows, problem.targets_m, centre, problem.degree)
        head = heads[key]
        data = stations[name] = StationData(name, head)
    lever = np.stack([front, back]) - data.head.centre_m
    axis = next((k for k, one in enumerate(data.levers) if np.allclose(one, lever, atol=2e-3)), None)
    sign = 1.0
    if axis is None:
        axis = next((k for k, one in enumerate(data.levers) if np.allclose(one[::-1], lever, atol=2e-3)), None)
        sign = 1.0 if axis is None else -1.0
    if axis is None:
        axis = len(data.levers)
        data.levers.append(lever)
        head = data.head
        images = np.einsum("mij,pj->mpi", head.matrix, np.stack([front, back])) + head.shift_m[:, None]
        near = lead.image_sum(images, problem.grid.coarse.centre_m)
        table = lead.basis(lever / lead.RADIUS_M, head.degree)
        n = len(problem.grid.coarse)
        data.cell_D.append(near[1] - near[0] + (table[1] - table[0]) @ head.coefficient[:, :n])
    data.pair.append(axis)
    data.source.append(problem.source_ids.index(reading.source_id))
    data.value_uV.append(sign * reading.value_V * 1e6)
    data.variance.append((reading.sigma_V * 1e6) ** 2)
    data.number.append(reading.row)
    return data


def pack(problem: Problem, stations: Sequence[StationData]) -> tuple[Rows, Leads]:
    """Padded arrays of all stations."""
    S = len(stations)
    A = max(len(s.levers) for s in stations)
    R = max(len(s.pair) for s in stations)
    lever = np.zeros((S, A, 2, 3))
    lever[:, :, 0, 0] = 0.1
    pair, source = np.zeros((S, R), dtype=np.int64), np.zeros((S, R), dtype=np.int64)
    value, variance = np.zeros((S, R)), np.ones((S, R))
    use, number = np.zeros((S, R), dtype=bool), np.full((S, R), -1, dtype=np.int64)
    for k, s in enumerate(stations):
        lever[k, : len(s.levers)] = s.levers
        r = len(s.pair)
        pair[k, :r], source[k, :r], value[k, :r], variance[k, :r] = s.pair, s.source, s.value_uV, s.variance
        use[k, :r], number[k, :r] = True, s.number
    centre = np.array([s.head.centre_m for s in stations])
    rows = Rows(centre, lever, pair, source, value, variance, use, number, tuple(s.name for s in stations))
    leads = model.stack_leads(
        [s.head for s in stations], [np.stack(s.cell_D) for s in stations], len(problem.grid.coarse)
    )
    return rows, leads


# ---- one more sink ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SinkSearch:
    """Where one more sink may be. score (n,) over all fine cells, -inf where it cannot be; the refitted candidates
    behind it; `evidence` = log of the scores' area-weighted mean."""

    score: FloatArray
    owner: IntArray
    """Which candidate speaks for each fine cell, -1 for none."""
    candidates: Candidates
    evidence: float
    spared: FloatArray
    """The least misfit (S,) any candidate had left, had its worst station, this one, been left out."""
    brief: bool = False
    """Hopeless at first sight: only a few places were refitted."""

    @property
    def best(self) -> int:
        return int(np.argmax(self.candidates.score))


def leak_sink(problem: Problem, position_m: FloatArray, cell: int, sigma_m: float = LEAK_SIGMA_M) -> Sink:
    """A leak as a known sink, near fine cell `cell`."""
    cells = problem.grid.fine
    return model.sink_at(
        problem.grid.coarse, "leak", position_m, cells.normal[cell], int(cells.face[cell]), sigma_m, 0.0
    )


def subset(cells: CellSet, index: IntArray) -> CellSet:
    return CellSet(
        cells.centre_m[index],
        cells.area_m2[index],
        cells.normal[index],
        cells.tangent[index],
        cells.face[index],
        cells.size_m,
    )


def _coarse_candidates(
    problem: Problem, leads: Leads, index: IntArray, states: Sequence[State] | State, q: FloatArray
) -> Candidates:
    grid = problem.grid
    near, weight, slope = problem.liner.coarse_index, problem.liner.coarse_weight, problem.liner.coarse_slope
    part = leads.cells[:, :, near[index]]
    return batch.start(
        index,
        grid.coarse.centre_m[index],
        grid.coarse.tangent[index],
        np.einsum("sbnc,nc->sbn", part, weight[index]),
        np.einsum("sbnc,nct->sbnt", part, slope[index]),
        states,
        q,
        len(problem.sources_m),
    )


def _fine_candidates(problem: Problem, leads: Leads, index: IntArray, parent: Candidates, at: IntArray) -> Candidates:
    grid = problem.grid
    part = leads.cells[:, :, grid.fine_index[index]]
    c = batch.start(
        index,
        grid.fine.centre_m[index],
        grid.fine.tangent[index],
        np.einsum("sbnc,nc->sbn", part, grid.fine_weight[index]),
        np.einsum("sbnc,nct->sbnt", part, grid.fine_slope[index]),
        [batch.state_of(parent, int(k), -1) for k in at],
        parent.q_mA[at],
        len(problem.sources_m),
    )
    return c


def scan(problem: Problem, rows: Rows, leads: Leads, known: Sequence[Sink], base: Solved) -> tuple[Scores, float]:
    """Linear scores of the thinned cells about the model without the sink: which places deserve a refit. Also the log
    evidence that one more sink would gain as far as the linear scores know."""
    priors = replace(problem.priors, model=max(problem.priors.model, 0.03))
    state = base.state
    count = int(rows.use.sum())
    if base.chi2 > 3 * count:
        # The model without the sink had to bend every pose: start from the poses as meant.
        state = State(np.zeros_like(state.pose), np.zeros_like(state.offset_m), state.current_mA)
    linear = model.linearise(
        leads, rows, known, problem.sources_m, problem.resistivity, priors, state, base.linear.pinned
    )
    cells = subset(problem.grid.coarse, problem.liner.thin)
    D = leads.cell_D[:, :, problem.liner.thin]
    scores = score_cells(
        leads, rows, linear, priors, cells, D, problem.resistivity, at_nominal=True, near_m=0.9, passes=1
    )
    without = model.solve(rows, linear, priors).log_evidence
    return scores, _area_mean(scores.score, cells.area_m2) - without


def _area_mean(score: FloatArray, area_m2: FloatArray) -> float:
    """Log of the area-weighted mean of exp(score)."""
    top = float(score.max())
    return top + float(np.log((area_m2 * np.exp(score - top)).sum() / area_m2.sum()))


def search_one(
    problem: Problem,
    rows: Rows,
    leads: Leads,
    known: Sequence[Sink],
    base: Solved,
    *,
    forbidden_m: Sequence[FloatArray] = (),
    near: tuple[FloatArray, float] | None = None,
    effort: int = 2,
    thorough: bool = False,
) -> SinkSearch:
    """Look for one more sink beside `known` ones, starting from the model fitted without it.

    `near`: a place and a current (mA) to start from instead of looking everywhere. `effort`: 2 for the first sink, 1
    for a further one. `thorough`: no place is dropped before its refit has settled.
    """
    grid = problem.grid
    coarse, fine = grid.coarse, grid.fine
    seed_score = np.full(len(coarse), -1e12)
    seed_current = np.full(len(coarse), 0.5)
    first: Scores | None = None
    gain = np.inf
    if near is None:
        first, gain = scan(problem, rows, leads, known, base)
        seed_score[problem.liner.thin] = first.score
        seed_current[problem.liner.thin] = first.current_mA
    else:
        seed_current[:] = near[1]
    for place in forbidden_m:
        seed_score[np.linalg.norm(coarse.centre_m - place, axis=1) < 0.6] = -np.inf
    state = base.state
    if near is None and base.chi2 > 3 * int(rows.use.sum()):
        state = State(np.zeros_like(state.pose), np.zeros_like(state.offset_m), state.current_mA)

    def advance(c: Candidates, steps: int, sigma: float) -> None:
        for _ in range(steps):
            batch.step(leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, c, sigma)

    # Fine cells overlap, so that together they leave every place between them as likely as their centres.
    coarse_sigma, fine_sigma = coarse.size_m / np.sqrt(12), fine.size_m / 2
    # Seeds: where the linear scan sees something, and a loose net over the whole liner, because a scan about wrong
    # poses can miss the place altogether. Refit, drop the hopeless, refit the rest.
    brief = effort < 2 and gain < HOPELESS and base.chi2 < 1.5 * int(rows.use.sum())
    seeds = _spread(seed_score, coarse.centre_m, 12, 0.45)
    if not brief:
        seeds = np.unique(np.concatenate([seeds, problem.liner.net]))
    if near is not None:
        seeds = np.flatnonzero(np.linalg.norm(coarse.centre_m - near[0], axis=1) < 0.35)
    seeds = seeds[np.isfinite(seed_score[seeds])]
    if not len(seeds):
        free = np.flatnonzero(np.isfinite(seed_score))
        place = coarse.centre_m[free] - (near[0] if near is not None else coarse.centre_m[0])
        seeds = free[[int(np.argmin((place**2).sum(1)))]]
    pool_ = _coarse_candidates(problem, leads, seeds, state, np.clip(seed_current[seeds], 0.05, 5.0))
    advance(pool_, 7 if thorough else 2, coarse_sigma)
    spared = np.full(rows.stations, np.inf)
    _spare(spared, pool_)
    for margin, most in ((60.0, 24), (30.0, 16), (15.0, 12)):
        order = np.argsort(-pool_.score)[:most]
        # Beside a strong leak scores differ by thousands long before the refits have settled: some always go on.
        keep = pool_.score[order] > pool_.score.max() - margin
        keep[:KEEP_GOING] = True
        pool_ = batch.pick(pool_, order[keep])
        advance(pool_, 1, coarse_sigma)
    seeds = pool_.cell
    done = np.zeros(len(coarse), dtype=bool)
    done[seeds] = True
    blocked = ~np.isfinite(seed_score)
    budget = 60 * effort
    for turn in range(0 if brief else 6):
        best = float(pool_.score.max())
        active = np.flatnonzero(pool_.score > best - 7.0)
        active = active[np.argsort(-pool_.score[active])]
        room = min(30 * effort, budget - len(pool_))
        fresh, parent = _around(problem, pool_, active, done | blocked, wide=len(active) > 24)
        if not len(fresh) or room <= 0:
            break
        fresh, parent = fresh[:room], parent[:room]
        done[fresh] = True
        states = [batch.state_of(pool_, int(k), -1) for k in parent]
        more = _coarse_candidates(problem, leads, fresh, states, pool_.q_mA[parent])
        advance(more, 2, coarse_sigma)
        if turn < 3:
            active = active[:24]
            again = batch.pick(pool_, active)
            advance(again, 1, coarse_sigma)
            rest = np.setdiff1d(np.arange(len(pool_)), active)
            pool_ = batch.join(batch.pick(pool_, rest), again)
        pool_ = batch.join(pool_, more)
    for _ in range(0 if brief else 3):
        # The best one's poses may suit its neighbours better than those they were refitted from.
        k = int(np.argmax(pool_.score))
        if int((pool_.score > pool_.score[k] - 6.0).sum()) > 2 * SHARP_CELLS:
            break
        more = _from_best(problem, leads, pool_, blocked)
        advance(more, 3, coarse_sigma)
        before = float(pool_.score[k])
        pool_ = _better_of(pool_, more)
        if float(pool_.score.max()) < before + 0.5:
            break
    for _ in range(0 if brief else 3):
        unsettled = np.argsort(-pool_.score)[:24]
        unsettled = unsettled[(pool_.score[unsettled] > pool_.score.max() - 8.0) & (pool_.gap[unsettled] > SETTLED)]
        if not len(unsettled):
            break
        again = batch.pick(pool_, unsettled)
        advance(again, 1, coarse_sigma)
        pool_ = batch.join(batch.pick(pool_, np.setdiff1d(np.arange(len(pool_)), unsettled)), again)
    _spare(spared, pool_)
    pool_.score = batch.earned_score(pool_)
    finer: Candidates | None = None
    for _ in range(3):
        live = np.flatnonzero(pool_.score > pool_.score.max() - 6.0)
        # Sharp enough to deserve the fine grid?
        sharp = len(live) <= SHARP_CELLS and not brief
        if not sharp:
            finer = None
            break
        of_coarse = _owners(pool_, len(coarse))
        cells_of = np.flatnonzero(np.isin(grid.parent, pool_.cell[live]))
        finer = _fine_candidates(problem, leads, cells_of, pool_, of_coarse[grid.parent[cells_of]])
        advance(finer, 3, fine_sigma)
        finer.score = batch.earned_score(finer)
        # Once more the best one lends its poses to all around it.
        more = _from_best(problem, leads, finer, blocked)
        advance(more, 3, coarse_sigma)
        more.score = batch.earned_score(more)
        before = float(pool_.score.max())
        better = _better_of(pool_, more)
        if float(better.score.max()) < before + 0.5:
            break
        pool_ = better
    of_coarse = _owners(pool_, len(coarse))
    if not sharp:
        # Only a wide region was looked at with gaps in between; beside a sharp one no neighbour may lend its score.
        _fill(of_coarse, coarse, pool_, blocked)
    owner = of_coarse[grid.parent]
    score = np.where(owner >= 0, pool_.score[owner], -np.inf)
    if finer is not None:
        owner[finer.cell] = len(pool_) + np.arange(len(finer))
        score[finer.cell] = finer.score
        finer.cell = -1 - finer.cell
        pool_ = batch.join(pool_, finer)
    top = float(score.max())
    evidence = _area_mean(score, fine.area_m2)
    if brief:
        evidence = max(evidence, base.log_evidence + gain)
    if not sharp and first is not None and base.chi2 <= 3 * int(rows.use.sum()):
        # Not sharp: what was not refitted is not ruled out either. The decision above does not lean on it.
        guess = _unvisited(problem, first, of_coarse, pool_)
        guess[blocked] = -np.inf
        score = np.where(owner >= 0, score, np.minimum(guess[grid.parent], top - 0.1))
    return SinkSearch(score, owner, pool_, evidence, spared, brief)


def _owners(found: Candidates, cells: int) -> IntArray:
    owner = np.full(cells, -1, dtype=np.int64)
    owner[found.cell] = np.arange(len(found))
    return owner


def _from_best(problem: Problem, leads: Leads, found: Candidates, blocked: BoolArray) -> Candidates:
    """Coarse cells within half a metre of the best candidate, each from its state."""
    coarse = problem.grid.coarse
    k = int(np.argmax(found.score))
    around = np.flatnonzero(np.linalg.norm(coarse.centre_m - found.position_m[k], axis=1) < 2.6 * coarse.size_m)
    around = around[~blocked[around]]
    start = batch.state_of(found, k, -1)
    return _coarse_candidates(problem, leads, around, start, np.full(len(around), found.q_mA[k]))


def _better_of(one: Candidates, other: Candidates) -> Candidates:
    """Of candidates for the same cell the one with the higher score."""
    both = batch.join(one, other)
    order = np.argsort(-both.score, kind="stable")
    _, first = np.unique(both.cell[order], return_index=True)
    return batch.pick(both, order[first])


def _spare(spared: FloatArray, found: Candidates) -> None:
    """Note, per station, the least misfit left by a candidate whose worst station it is."""
    worst = found.station_chi2.argmax(1)
    left = found.chi2 - found.station_chi2[np.arange(len(found)), worst]
    np.minimum.at(spared, worst, left)


def _unvisited(problem: Problem, first: Scores, of_coarse: IntArray, found: Candidates) -> FloatArray:
    """Scores (n,) of all coarse cells as the linear scan has them, moved to the level of the refitted ones."""
    coarse, thin = problem.grid.coarse, problem.liner.thin
    both = np.flatnonzero(of_coarse[thin] >= 0)
    if not len(both):
        return np.full(len(coarse), -np.inf)
    refitted = found.score[of_coarse[thin[both]]]
    _, near = cKDTree(coarse.centre_m[thin]).query(coarse.centre_m)
    return np.asarray(first.score[near] + np.median(refitted - first.score[both]))


def _around(
    problem: Problem, found: Candidates, active: IntArray, taken: BoolArray, wide: bool
) -> tuple[IntArray, IntArray]:
    """Cells to try next and the candidate each starts from: direct neighbours of the probable ones, best first. Over
    a wide area a looser grid (about 0.4 m) will do; the cells between are filled in afterwards."""
    cells = problem.grid.coarse
    fresh: list[int] = []
    parent: list[int] = []
    if not wide:
        taken = taken.copy()
        for k in active:
            for cell in problem.liner.neighbours[found.cell[k]]:
                if not taken[cell]:
                    taken[cell] = True
                    fresh.append(int(cell))
                    parent.append(int(k))
        return np.array(fresh, dtype=np.int64), np.array(parent, dtype=np.int64)
    gap, near = cKDTree(cells.centre_m[found.cell[active]]).query(cells.centre_m)
    known = np.asarray(cKDTree(cells.centre_m[found.cell]).query(cells.centre_m)[0])
    rim = np.flatnonzero((gap < 3.1 * cells.size_m) & (known > 1.6 * cells.size_m) & ~taken)
    # In the order of the candidate they start from: `active` is sorted, best first.
    rank = np.full(len(cells), -np.inf)
    rank[rim] = -np.asarray(near)[rim] - 1e-3 * np.asarray(gap)[rim]
    chosen = _spread(rank, cells.centre_m, 60, 1.6 * cells.size_m)
    return chosen, active[np.asarray(near)[chosen]]


def _fill(owner: IntArray, cells: CellSet, found: Candidates, blocked: BoolArray) -> None:
    """Cells that were not refitted but lie beside a probable one that was: that one speaks for them, in place."""
    good = np.flatnonzero(found.score > found.score.max() - 8.0)
    gap, near = cKDTree(cells.centre_m[found.cell[good]]).query(cells.centre_m, distance_upper_bound=1.8 * cells.size_m)
    empty = (owner < 0) & np.isfinite(gap) & ~blocked
    owner[empty] = good[np.asarray(near)[empty]]


def fit_without(
    problem: Problem,
    rows: Rows,
    leads: Leads,
    known: Sequence[Sink],
    found: SinkSearch | None,
    base: Solved | None,
) -> Solved:
    """The model without the sink, as good as it can be made: from the poses as meant, and from the best
    candidate's."""

    def run(start: State | None, iterations: int) -> Solved:
        return model.fit(
            leads, rows, known, problem.sources_m, problem.resistivity, problem.priors, start, iterations=iterations
        )

    if base is not None:
        best = base
    else:
        best = run(None, 5)
    if found is not None and not found.brief:
        c, k = found.candidates, found.best
        again = run(batch.state_of(c, k, -1), 2)
        if again.log_evidence > best.log_evidence - 20.0:
            again = run(again.state, 2)
        if again.log_evidence > best.log_evidence:
            best = again
    return best


def _spread(score: FloatArray, place_m: FloatArray, count: int, apart_m: float) -> IntArray:
    """Indices of the highest scores that are at least `apart_m` from each other."""
    order = np.argsort(-score)[: 40 * count]
    order = order[np.isfinite(score[order])]
    chosen: list[int] = []
    while len(order) and len(chosen) < count:
        k = int(order[0])
        chosen.append(k)
        gap = place_m[order] - place_m[k]
        order = order[np.einsum("nj,nj->n", gap, gap) >= apart_m**2]
    return np.array(chosen, dtype=np.int64)
