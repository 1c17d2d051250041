"""Where a leak may be: probabilities of liner patches, regions that hold a stated share, and how sharp they are."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from earthward.inversion.lead import FloatArray, IntArray
from earthward.inversion.liner import on_liner
from earthward.inversion.prepare import Problem
from earthward.inversion.stages import SinkSearch

#: A leak is called found when so much of its probability lies within so many metres of its position.
FOUND_WITHIN = ((0.9, 0.2), (0.92, 0.15), (0.995, 0.4))
#: ... and when it earned so much log evidence. Of 288 in seven worlds that were called found after 24 stations all had
#: more than 15, of 66 in guided surveys all but one more than 12 (that one 6.9).
FOUND_EVIDENCE = 6.0
#: Patches along each side of a fine cell beside a sharp place.
PATCHES = 4


@dataclass(frozen=True)
class Patches:
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
    patches: Patches
    position_m: FloatArray
    cell: int
    log_evidence: float

    @cached_property
    def radius_m(self) -> float:
        """90 % of the probability lies within it, straight from `position_m`."""
        return self.within(0.9)

    def within(self, content: float) -> float:
        """Distance from `position_m` that holds `content` of the probability."""
        away = np.linalg.norm(self.patches.place_m - self.position_m, axis=1)
        order = np.argsort(away)
        held = np.cumsum(self.patches.probability[order])
        return float(away[order][min(int(np.searchsorted(held, content)), len(order) - 1)])

    @property
    def certain(self) -> bool:
        sure = self.log_evidence >= FOUND_EVIDENCE
        return sure and all(self.within(content) < reach for content, reach in FOUND_WITHIN)


def make_leak(problem: Problem, found: SinkSearch, log_evidence: float) -> Leak:
    """Position, region and radius out of the scores of all cells."""
    cells = problem.grid.fine
    patches = _patches(problem, found)
    near = np.linalg.norm(patches.place_m - patches.place_m[int(np.argmax(patches.probability))], axis=1) < 0.6
    local = patches.probability * near
    mean = (local[:, None] * patches.place_m).sum(0) / local.sum()
    position, cell, _ = on_liner(problem.pool, cells, mean)
    probability = np.bincount(patches.cell, weights=patches.probability, minlength=len(cells)).astype(np.float64)
    return Leak(found, probability, patches, position, cell, log_evidence)


def _patches(problem: Problem, found: SinkSearch) -> Patches:
    """The fine cells with their probabilities; beside a sharp place patches a quarter of a cell wide, each counted by
    what the refits of the cells around say of it: their places with covariances, weighted by their scores."""
    cells = problem.grid.fine
    c = found.candidates
    fine = np.flatnonzero(c.cell < 0)
    if not len(fine):
        weight = np.exp(found.score - found.score.max()) * cells.area_m2
        return Patches(cells.centre_m, weight / weight.sum(), np.arange(len(cells)), cells.size_m)
    fine = fine[c.score[fine] > c.score[fine].max() - 12.0]
    own = -1 - c.cell[fine]
    step = (np.arange(PATCHES) + 0.5) / PATCHES - 0.5
    u, v = (g.ravel() * cells.size_m for g in np.meshgrid(step, step, indexing="ij"))
    shift = u[:, None, None] * cells.tangent[own, 0] + v[:, None, None] * cells.tangent[own, 1]
    place = (cells.centre_m[own] + shift).reshape(-1, 3)
    cell = np.tile(own, PATCHES**2)
    # (patches, refits): squared distance of each patch from each refit's place, in its standard deviations.
    uv = np.einsum("pfj,ftj->pft", place[:, None] - c.position_m[fine], c.tangent[fine]) - c.state.offset_m[fine, -1]
    inverse = np.linalg.inv(c.place_covariance[fine])
    away = np.einsum("pft,ftw,pfw->pf", uv, inverse, uv)
    log_weight = c.score[fine] - 0.5 * np.linalg.slogdet(c.place_covariance[fine])[1] - 0.5 * away
    log_weight[cells.face[cell][:, None] != cells.face[own]] = -np.inf
    top = float(log_weight.max())
    weight = np.exp(log_weight - top).sum(1) * cells.area_m2[cell]
    return Patches(place, weight / weight.sum(), cell, cells.size_m / PATCHES)


def region_patches(patches: Patches, content: float = 0.9) -> IntArray:
    """The fewest patches that hold `content` of the probability."""
    order = np.argsort(-patches.probability)
    count = int(np.searchsorted(np.cumsum(patches.probability[order]), content)) + 1
    return np.asarray(order[:count])


def candidate_weights(leak: Leak) -> FloatArray:
    """Posterior weight of each candidate of a search: the probability of the fine cells it speaks for."""
    owner = leak.search.owner
    some = owner >= 0
    count = np.bincount(owner[some], weights=leak.probability[some], minlength=len(leak.search.candidates))
    return np.asarray(count, dtype=np.float64)
