"""The search for one more sink, stage by stage: seeds, their refits, spreading over neighbours, sharing the best
poses, settling, the fine grid, and the scores of all cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from earthward.inversion import candidates
from earthward.inversion.candidates import Candidates, ends, settled_score
from earthward.inversion.fit import Fit, fit
from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.liner import CellSet, Grid, LinerGrid, subset
from earthward.inversion.observations import BoolArray
from earthward.inversion.predict import Model, State, cell_field
from earthward.inversion.scan import Scores, linearise, prepare_scan, score_cells

#: A further sink that gains less log evidence than this by linear scores, beside sinks that explain the readings well,
#: gets an early stop. Tried on 25 pools with one leak and 11 with two: the least that became a leak had -0.6.
EARLY_STOP = -1.5
#: So many candidates are refitted to the end, however far behind they lie.
KEEP_GOING = 8
#: So many seeds are refitted beyond one step, and so few are looked at where the search stops early. In each of eleven
#: pools of three worlds the best seed after one step lay within 0.3 m of the final place.
AFTER_ONE_STEP, FEW_SEEDS = 32, 6
#: A refit has settled when the next step promises no larger fall of its squared misfit.
SETTLED = 1.0
#: A refit from the poses of a place up to half a metre away takes so many steps: near the leak the field bends much.
FAR_STEPS = 6
#: So few coarse cells within reach of the best are refitted on the fine grid.
SHARP_CELLS = 12
#: A place that was not refitted is at most so much likelier (nats) than the nearest that was.
RISE = 1.0
#: Where `State.lift` begins: a cover took next to nothing, or most of the current.
LIFTS = (0.0, -0.7, -1.6)
#: No second leak is looked for nearer to another than this.
APART_M = 0.6
#: Relative error of each contribution while scanning: what a linear estimate leaves out.
SCAN_MODEL_ERROR = 0.03
#: Distance within which the scan gives a station the cell's own covariance.
SCAN_NEAR_M = 0.9


def coarse_sigma_m(grid: Grid) -> float:
    """How free a candidate is within its coarse cell."""
    return float(grid.coarse.size_m / np.sqrt(12))


def fine_sigma_m(grid: Grid) -> float:
    """Fine cells overlap, so that together they leave every place between them as likely as their centres."""
    return float(grid.fine.size_m / 2)


@dataclass(frozen=True)
class SinkSearch:
    """Where one more sink may be. score (n,) over all fine cells, -inf where it cannot be; the refitted candidates
    behind it; `evidence` = log of the scores' area-weighted mean."""

    score: FloatArray
    owner: IntArray
    """Which candidate speaks for each fine cell, -1 for none."""
    candidates: Candidates
    evidence: float
    leave_one_out: FloatArray
    """The least misfit (S,) any candidate had left, had its worst station, this one, been left out."""
    stopped_early: bool = False
    """Hopeless at first sight: only a few places were refitted."""

    @property
    def best(self) -> int:
        return int(np.argmax(self.candidates.score))


@dataclass
class _Search:
    """What the stages of one search share. seed_score (n,) over the coarse cells, -inf where no sink may be."""

    model: Model
    base: Fit
    effort: int
    thorough: bool
    near: tuple[FloatArray, float] | None
    seed_score: FloatArray
    seed_current: FloatArray
    scan: Scores | None
    gain: float
    leave_one_out: FloatArray
    dropped: FloatArray
    """Scores (n,) of coarse cells that were refitted and dropped, where they stood then; else -inf."""

    @property
    def liner(self) -> LinerGrid:
        return self.model.problem.liner

    @property
    def coarse(self) -> CellSet:
        return self.liner.grid.coarse

    @property
    def blocked(self) -> BoolArray:
        return ~np.isfinite(self.seed_score)

    @property
    def bent(self) -> bool:
        """The model without the sink had to bend every pose to explain the readings."""
        return bool(self.base.chi2 > 3 * int(self.model.obs.use.sum()))

    @property
    def stops_early(self) -> bool:
        few = self.base.chi2 < 1.5 * int(self.model.obs.use.sum())
        return self.effort < 2 and self.gain < EARLY_STOP and few

    def begin(self, cells: IntArray, states: State, q_mA: FloatArray) -> Candidates:
        return candidates.start(self.model, cells, self.coarse, states, q_mA)

    def begin_fine(self, cells: IntArray, parent: Candidates, at: IntArray) -> Candidates:
        return candidates.start(self.model, cells, self.liner.grid.fine, ends(parent, at), parent.q_mA[at])

    def advance(self, c: Candidates, steps: int, sigma_m: float | None = None) -> Candidates:
        for _ in range(steps):
            candidates.step(self.model, c, coarse_sigma_m(self.liner.grid) if sigma_m is None else sigma_m)
        return c

    def note_leave_one_out(self, found: Candidates) -> None:
        """Per station, the least misfit left by a candidate whose worst station it is."""
        worst = found.station_chi2.argmax(1)
        left = found.chi2 - found.station_chi2[np.arange(len(found)), worst]
        np.minimum.at(self.leave_one_out, worst, left)


def search_one(
    model: Model,
    base: Fit,
    *,
    forbidden_m: Sequence[FloatArray] = (),
    near: tuple[FloatArray, float] | None = None,
    effort: int = 2,
    thorough: bool = False,
) -> SinkSearch:
    """Look for one more sink beside the model's known ones, starting from `base`, the fit without it.

    `near`: a place and a current (mA) to start from instead of looking everywhere. `effort`: 2 for the first sink, 1
    for a further one. `thorough`: no place is dropped before its refit has settled.
    """
    search = _prepare(model, base, forbidden_m, near, effort, thorough)
    found = _refit_seeds(search, _seeds(search))
    if not search.stops_early:
        found = _spread_to_neighbours(search, found)
        found = _share_best_poses(search, found)
        found = _settle(search, found)
    search.note_leave_one_out(found)
    found.score = settled_score(found)
    found, finer = _sharpen(search, found)
    return _scores_of_all_cells(search, found, finer)


def scan(model: Model, base: Fit, bent: bool) -> tuple[Scores, float]:
    """Linear scores of the subsampled cells about the model without the sink, and the log evidence that one more sink
    would gain as far as they know."""
    liner = model.problem.liner
    # Bent poses would hide the place: start from the poses as meant.
    linear = linearise(model, base.state.unmoved() if bent else base.state, SCAN_MODEL_ERROR)
    cells = subset(liner.grid.coarse, liner.subsampled)
    scores = score_cells(prepare_scan(linear, cells, cell_field(model, linear.state), SCAN_NEAR_M), passes=1)
    return scores, area_mean(scores.score, cells.area_m2) - scores.without


def area_mean(score: FloatArray, area_m2: FloatArray) -> float:
    """Log of the area-weighted mean of exp(score)."""
    top = float(score.max())
    return top + float(np.log((area_m2 * np.exp(score - top)).sum() / area_m2.sum()))


def _prepare(
    model: Model,
    base: Fit,
    forbidden_m: Sequence[FloatArray],
    near: tuple[FloatArray, float] | None,
    effort: int,
    thorough: bool,
) -> _Search:
    liner = model.problem.liner
    coarse = liner.grid.coarse
    score, current = np.full(len(coarse), -1e12), np.full(len(coarse), 0.5)
    none = np.full(model.obs.stations, np.inf)
    dropped = np.full(len(coarse), -np.inf)
    search = _Search(model, base, effort, thorough, near, score, current, None, np.inf, none, dropped)
    if near is None:
        search.scan, search.gain = scan(model, base, search.bent)
        score[liner.subsampled], current[liner.subsampled] = search.scan.score, search.scan.current_mA
    else:
        current[:] = near[1]
    for place, within_m in (*((p, APART_M) for p in forbidden_m), *model.problem.keep_off):
        score[np.linalg.norm(coarse.centre_m - place, axis=1) < within_m] = -np.inf
    return search


def _seeds(search: _Search) -> IntArray:
    """Where the linear scan sees something, and a loose grid over the whole liner, because a scan about wrong poses can
    miss the place altogether."""
    place = search.coarse.centre_m
    if search.near is not None:
        seeds = np.flatnonzero(np.linalg.norm(place - search.near[0], axis=1) < 0.35)
    else:
        seeds = spread(search.seed_score, place, FEW_SEEDS if search.stops_early else 12, 0.45)
        if not search.stops_early:
            seeds = np.unique(np.concatenate([seeds, search.liner.seed_grid]))
    seeds = seeds[np.isfinite(search.seed_score[seeds])]
    if not len(seeds):
        free = np.flatnonzero(np.isfinite(search.seed_score))
        away = place[free] - (search.near[0] if search.near is not None else place[0])
        seeds = free[[int(np.argmin((away**2).sum(1)))]]
    return seeds


def _refit_seeds(search: _Search, seeds: IntArray) -> Candidates:
    """Refit, drop the hopeless, refit the rest."""
    state = search.base.state
    if search.near is None and search.bent:
        state = state.unmoved()
    found = search.begin(seeds, state, np.clip(search.seed_current[seeds], 0.05, 5.0))
    if search.thorough:
        search.advance(found, 7)
    else:
        search.advance(found, 1)
        order = np.argsort(-found.score)
        search.dropped[found.cell[order[AFTER_ONE_STEP:]]] = found.score[order[AFTER_ONE_STEP:]]
        found = search.advance(candidates.pick(found, order[:AFTER_ONE_STEP]), 1)
    search.note_leave_one_out(found)
    for margin, most in ((60.0, 24), (30.0, 16), (15.0, 12)):
        order = np.argsort(-found.score)[:most]
        # Beside a strong leak scores differ by thousands long before the refits have settled: some always go on.
        keep = found.score[order] > found.score.max() - margin
        keep[:KEEP_GOING] = True
        search.dropped[found.cell] = found.score
        found = candidates.pick(found, order[keep])
        search.dropped[found.cell] = -np.inf
        search.advance(found, 1)
    return found


def _spread_to_neighbours(search: _Search, found: Candidates) -> Candidates:
    """From the probable cells to those around them until the probable area is covered."""
    done = np.zeros(len(search.coarse), dtype=bool)
    done[found.cell] = True
    budget = 60 * search.effort
    for turn in range(6):
        active = np.flatnonzero(found.score > found.score.max() - 7.0)
        active = active[np.argsort(-found.score[active])]
        room = min(30 * search.effort, budget - len(found))
        fresh, parent = _around(search, found, active, done | search.blocked, wide=len(active) > 24)
        if not len(fresh) or room <= 0:
            break
        fresh, parent = fresh[:room], parent[:room]
        done[fresh] = True
        more = search.advance(search.begin(fresh, ends(found, parent), found.q_mA[parent]), 2)
        if turn < 3:
            found = _advance_some(search, found, active[:24])
        found = candidates.join(found, more)
    return found


def _advance_some(search: _Search, found: Candidates, some: IntArray) -> Candidates:
    again = search.advance(candidates.pick(found, some), 1)
    return candidates.join(candidates.pick(found, np.setdiff1d(np.arange(len(found)), some)), again)


def _share_best_poses(search: _Search, found: Candidates) -> Candidates:
    """The best one's poses may suit its neighbours better than those they were refitted from."""
    for _ in range(3):
        before = float(found.score.max())
        if int((found.score > before - 6.0).sum()) > 2 * SHARP_CELLS:
            break
        found = _better_of(found, search.advance(_from_best(search, found), FAR_STEPS))
        if float(found.score.max()) < before + 0.5:
            break
    return found


def _settle(search: _Search, found: Candidates) -> Candidates:
    for _ in range(3):
        unsettled = np.argsort(-found.score)[:24]
        unsettled = unsettled[(found.score[unsettled] > found.score.max() - 8.0) & (found.gap[unsettled] > SETTLED)]
        if not len(unsettled):
            break
        found = _advance_some(search, found, unsettled)
    return found


def _sharpen(search: _Search, found: Candidates) -> tuple[Candidates, Candidates | None]:
    """If few enough cells are left, the fine cells within them (else None); the best of these lends its poses once more
    to all around it."""
    for _ in range(3):
        live = np.flatnonzero(found.score > found.score.max() - 6.0)
        if len(live) > SHARP_CELLS or search.stops_early:
            return found, None
        parent = search.liner.grid.parent
        cells = np.flatnonzero(np.isin(parent, found.cell[live]))
        finer = search.begin_fine(cells, found, _owners(found, len(search.coarse))[parent[cells]])
        search.advance(finer, 3, fine_sigma_m(search.liner.grid))
        finer.score = settled_score(finer)
        more = search.advance(_from_best(search, finer), FAR_STEPS)
        more.score = settled_score(more)
        better = _better_of(found, more)
        if float(better.score.max()) < float(found.score.max()) + 0.5:
            break
        found = better
    return found, finer


def _scores_of_all_cells(search: _Search, found: Candidates, finer: Candidates | None) -> SinkSearch:
    grid, blocked = search.liner.grid, search.blocked
    of_coarse = _owners(found, len(search.coarse))
    if finer is None:
        # Only a wide region was looked at with gaps in between; beside a sharp one no neighbour may lend its score.
        _fill(of_coarse, search.coarse, found, blocked)
    owner = of_coarse[grid.parent]
    score = np.where(owner >= 0, found.score[owner], -np.inf)
    every = found
    if finer is not None:
        owner[finer.cell] = len(found) + np.arange(len(finer))
        score[finer.cell] = finer.score
        finer.cell = -1 - finer.cell
        every = candidates.join(found, finer)
    evidence = area_mean(score, grid.fine.area_m2)
    if search.stops_early:
        evidence = max(evidence, search.base.log_evidence + search.gain)
    if finer is None and search.scan is not None and not search.bent:
        # Not sharp: what was not refitted is not ruled out either. The decision above does not lean on it.
        guess = _unvisited(search, of_coarse, every)
        guess[blocked] = -np.inf
        score = np.where(owner >= 0, score, np.minimum(guess[grid.parent], float(score.max()) - 0.1))
    return SinkSearch(score, owner, every, evidence, search.leave_one_out, search.stops_early)


def _owners(found: Candidates, cells: int) -> IntArray:
    owner = np.full(cells, -1, dtype=np.int64)
    owner[found.cell] = np.arange(len(found))
    return owner


def _from_best(search: _Search, found: Candidates) -> Candidates:
    """Coarse cells within half a metre of the best candidate, each from its state."""
    coarse, k = search.coarse, int(np.argmax(found.score))
    around = np.flatnonzero(np.linalg.norm(coarse.centre_m - found.position_m[k], axis=1) < 2.6 * coarse.size_m)
    around = around[~search.blocked[around]]
    return search.begin(around, ends(found, [k]), np.full(len(around), found.q_mA[k]))


def _better_of(one: Candidates, other: Candidates) -> Candidates:
    """Of candidates for the same cell the one with the higher score."""
    both = candidates.join(one, other)
    order = np.argsort(-both.score, kind="stable")
    _, first = np.unique(both.cell[order], return_index=True)
    return candidates.pick(both, order[first])


def _unvisited(search: _Search, of_coarse: IntArray, found: Candidates) -> FloatArray:
    """Scores (n,) of all coarse cells as the linear scan has them, moved to the level of the nearest cell that was
    refitted, be it dropped since: where refits were hopeless, what lies between them is no better."""
    assert search.scan is not None
    coarse = search.coarse
    _, near = cKDTree(coarse.centre_m[search.liner.subsampled]).query(coarse.centre_m)
    scanned = search.scan.score[near]
    refitted = np.where(of_coarse >= 0, found.score[of_coarse], search.dropped)
    tried = np.flatnonzero(np.isfinite(refitted))
    if not len(tried):
        return np.full(len(coarse), -np.inf)
    _, nearest = cKDTree(coarse.centre_m[tried]).query(coarse.centre_m)
    beside = tried[nearest]
    return refitted[beside] + np.minimum(scanned - scanned[beside], RISE)


def _around(
    search: _Search, found: Candidates, active: IntArray, taken: BoolArray, wide: bool
) -> tuple[IntArray, IntArray]:
    """Cells to try next and the candidate each starts from: direct neighbours of the probable ones, best first. Over
    a wide area a looser grid (about 0.4 m) will do; the cells between are filled in afterwards."""
    cells = search.coarse
    fresh: list[int] = []
    parent: list[int] = []
    if not wide:
        taken = taken.copy()
        for k in active:
            for cell in search.liner.neighbours(int(found.cell[k])):
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
    chosen = spread(rank, cells.centre_m, 60, 1.6 * cells.size_m)
    return chosen, active[np.asarray(near)[chosen]]


def _fill(owner: IntArray, cells: CellSet, found: Candidates, blocked: BoolArray) -> None:
    """Cells that were not refitted but lie beside a probable one that was: that one speaks for them, in place."""
    good = np.flatnonzero(found.score > found.score.max() - 8.0)
    gap, near = cKDTree(cells.centre_m[found.cell[good]]).query(cells.centre_m, distance_upper_bound=1.8 * cells.size_m)
    empty = (owner < 0) & np.isfinite(gap) & ~blocked
    owner[empty] = good[np.asarray(near)[empty]]


def spread(score: FloatArray, place_m: FloatArray, count: int, apart_m: float) -> IntArray:
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


def fit_without(model: Model, found: SinkSearch | None, base: Fit | None) -> Fit:
    """The model without the sink, as good as it can be made: from everything as noted, and from the best
    candidate's poses."""
    if base is None:
        # How far the voltage rose by a cover is found from more than one start.
        starts = LIFTS if model.problem.settings.earlier else LIFTS[:1]
        base = max((fit(model, model.start(lift), 5) for lift in starts), key=lambda one: one.log_evidence)
    best = base
    if found is not None and not found.stopped_early:
        again = fit(model, ends(found.candidates, [found.best]), 2)
        if again.log_evidence > best.log_evidence - 20.0:
            again = fit(model, again.state, 2)
        if again.log_evidence > best.log_evidence:
            best = again
    return best
