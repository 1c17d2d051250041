"""Places and turns of the pole that are worse than noted: rarely, but more often than a Gaussian says.

Each station's place and each of its turns is either as good as stated or, with a small probability, several times worse
(a scale mixture of Gaussians). Which of them are, is weighed by each station's own residuals with its poses integrated
out: all of them good, one bad, two bad. What comes back is a factor on each prior variance, to build the next linear
problem with, and what the mixture is worth beyond that one Gaussian.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc, comb

from earthward.inversion.lead import FloatArray, IntArray

if TYPE_CHECKING:
    from earthward.inversion.predict import Model

#: Stations whose squared misfit is below so much a row are as good as stated: nothing else comes near.
LOOK_ABOVE = 1.4
#: A widened station is always looked at again.
WIDENED = 1.01


def covariance_parts(model: Model, pose: FloatArray, station: IntArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Covariances (..., S, R, R) of the rows by errors of place and of turn as stated, from their slopes
    (..., S, R, 6). `station`: indices of the stations that the rows belong to, if not all in order."""
    same, sigma = model.obs.same_turn, model.obs.row_turn_sigma
    place = model.obs.place_sigma[:, None] if station is None else model.obs.place_sigma[station, None]
    by_place = (pose[..., :3] * place**2) @ pose[..., :3].swapaxes(-1, -2)
    scaled = pose * (sigma if station is None else sigma[station])
    by_turn = scaled @ scaled.swapaxes(-1, -2)
    return by_place, by_turn * (same if station is None else same[station])


def widened(model: Model, spread: FloatArray, station: IntArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Factors on the two parts: of each station's place (..., S, 1, 1) and of each row's turn (..., S, 1, R), from
    spread (..., S, 1 + A)."""
    row_turn = model.obs.row_turn if station is None else model.obs.row_turn[station]
    index = np.broadcast_to(1 + row_turn, (*spread.shape[:-1], row_turn.shape[-1]))
    return spread[..., :1, None], np.take_along_axis(spread, index, axis=-1)[..., None, :]


def weigh(
    model: Model, pose: FloatArray, variance: FloatArray, residual: FloatArray, chi2: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """New spread (n, S, 1 + A), its cost (n, S) and its log determinant (n, S), from residuals (n, S, R) about the
    poses, their slopes (n, S, R, 6), variances (n, S, R) and each station's squared misfit (n, S) at `spread`.

    cost: minus twice the mixture's log density, less that of the one Gaussian with `spread`. log determinant: of the
    covariance with `spread`, over that as stated.
    """
    new, cost, wider = np.ones_like(spread), np.zeros_like(chi2), np.zeros_like(chi2)
    share = model.problem.settings.wide_share
    if share <= 0.0:
        return new, cost, wider
    look = (chi2 > LOOK_ABOVE * model.obs.use.sum(1)) | (spread.max(-1) > WIDENED)
    n, s = np.nonzero(look)
    if not len(n):
        return new, cost, wider
    r = residual[n, s]
    parts = covariance_parts(model, pose[n, s], s)
    diagonal = np.eye(r.shape[1]) * variance[n, s][:, None]
    case, log_prior = _cases(model, s, (0, 1))
    log_density, misfit, log_det = _log_density(model, s, parts, diagonal, r, case)
    log_density += log_prior
    stated = log_det[:, 0]
    top = log_density.max(1)
    total = np.exp(log_density - top[:, None])
    precision = np.einsum("mh,mhj->mj", total, 1.0 / case)
    whole = total.sum(1)
    # Two at once only where one alone does not explain the station.
    best = np.argmax(log_density, axis=1)
    hard = np.flatnonzero(misfit[np.arange(len(s)), best] > LOOK_ABOVE * model.obs.use.sum(1)[s])
    if len(hard):
        case, log_prior = _cases(model, s[hard], (2,))
        some = tuple(part[hard] for part in parts)
        more = log_prior + _log_density(model, s[hard], (some[0], some[1]), diagonal[hard], r[hard], case)[0]
        higher = np.maximum(top[hard], more.max(1))
        scale, weight = np.exp(top[hard] - higher), np.exp(more - higher[:, None])
        precision[hard] = precision[hard] * scale[:, None] + np.einsum("mh,mhj->mj", weight, 1.0 / case)
        whole[hard] = whole[hard] * scale + weight.sum(1)
        top[hard] = higher
    one = whole[:, None] / precision
    density, _, log_det = _log_density(model, s, parts, diagonal, r, one[:, None])
    new[n, s] = one
    cost[n, s] = -2.0 * (top + np.log(whole) - density[:, 0])
    wider[n, s] = log_det[:, 0] - stated
    return new, cost, wider


def chance(model: Model, misfit: float) -> float:
    """Probability of a whole squared misfit, with what poses worse than stated cost, as large as this.

    A chi-square of the readings, and each place or turn that is worse than stated, which a certain share is, adds its
    cost. Against the chi-square alone honest hands would look like a mistake far too often.
    """
    obs, share = model.obs, model.problem.settings.wide_share
    freedom = int(obs.use.sum())
    if share <= 0.0:
        return float(chdtrc(freedom, misfit))
    turned = (obs.in_turn * obs.use[:, None]).any(2) & (obs.leads_turn > 0)
    poses = int(obs.use.any(1).sum() + turned.sum())
    count = np.arange(poses + 1)
    often = comb(poses, count) * share**count * (1.0 - share) ** (poses - count)
    cost = 2.0 * np.log((1.0 - share) / share) * count
    return float((often * chdtrc(freedom, np.maximum(misfit - cost, 0.0))).sum())


def _cases(model: Model, station: IntArray, bad_ones: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Factors (m, h, 1 + A) of the cases that so many are worse than stated, and their log prior (m, h), that of "none"
    being 0. Only a turn's first direction counts."""
    settings = model.problem.settings
    count = 1 + model.obs.turn.shape[1]
    which = [members for k in bad_ones for members in combinations(range(count), k)]
    bad = np.zeros((len(which), count), dtype=bool)
    for row, members in zip(bad, which, strict=True):
        row[list(members)] = True
    odds = np.log(settings.wide_share / (1.0 - settings.wide_share))
    idle = np.concatenate([np.zeros((len(station), 1)), 1.0 - model.obs.leads_turn[station]], axis=1)
    log_prior = np.where(idle @ bad.T > 0, -np.inf, odds * bad.sum(1))
    case = np.where(bad, settings.wide_factor**2, 1.0)
    return np.broadcast_to(case, (len(station), *case.shape)), log_prior


def _log_density(
    model: Model,
    station: IntArray,
    parts: tuple[FloatArray, FloatArray],
    diagonal: FloatArray,
    residual: FloatArray,
    case: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log density, squared misfit and log determinant (m, h) of residuals (m, R) with factors `case` (m, h, 1 + A)."""
    place = case[:, :, :1, None]
    index = np.broadcast_to(1 + model.obs.row_turn[station][:, None], (*case.shape[:2], residual.shape[1]))
    turn = np.take_along_axis(case, index, axis=2)[:, :, None]
    C = parts[0][:, None] * place + parts[1][:, None] * turn + diagonal[:, None]
    # Bordered by the residuals: the last pivot is what r' C^-1 r leaves of a number that is surely larger.
    R = residual.shape[1]
    large = 1.0 + 2.0 * (residual**2 / np.einsum("mrr->mr", diagonal)).sum(1)
    bordered = np.empty((*case.shape[:2], R + 1, R + 1))
    bordered[..., :R, :R] = C
    bordered[..., :R, R] = bordered[..., R, :R] = residual[:, None]
    bordered[..., R, R] = large[:, None]
    pivot = np.einsum("mhrr->mhr", np.linalg.cholesky(bordered))
    log_det = 2.0 * np.log(pivot[..., :R]).sum(2)
    misfit = large[:, None] - pivot[..., R] ** 2
    return -0.5 * (misfit + log_det), misfit, log_det
