"""Where to measure next: the reachable place whose reading is expected to say most about where the leak is.

For every reachable place the field vector is predicted for each candidate place of the leak, with that candidate's
own estimate of all currents. What the candidates disagree about, against what a wrong pose alone could do, is the
expected information (bits of a Gaussian channel): 1/2 log2 det(1 + S C^-1), S the spread of predictions over the
candidates, C noise and pose errors. It is counted for all directions read there; one pair turned by hand begins with
the direction that tells most by itself. Images only, no smooth rest: good to some percent, which is plenty for
choosing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from earthward.inversion import lead
from earthward.inversion.decision import Answer
from earthward.inversion.lead import FloatArray
from earthward.inversion.prepare import Priors
from earthward.inversion.regions import Leak, candidate_weights
from earthward.inversion.spots import DIRECTIONS, describe, toward_wall, within_reach
from earthward.pool import polygon
from earthward.pool.shape import Pool
from earthward.record.place import Station

_FOUR_PI = 4.0 * math.pi
SPACING_M = 0.3


@dataclass(frozen=True)
class Places:
    """Reachable places (n, 3) and their mirror images, as reflections A (n, M, 3, 3) and shifts (n, M, 3)."""

    centre_m: FloatArray
    matrix: FloatArray
    shift: FloatArray


@dataclass(frozen=True)
class Belief:
    """What is believed about the sinks. Candidates c: weight (c,), sinks (c, K, 3) positions and current_mA
    (c, P, K); sources (P, 3)."""

    weight: FloatArray
    position_m: FloatArray
    current_mA: FloatArray
    sources_m: FloatArray


def reachable(pool: Pool) -> Places:
    """The places a person on the deck can put the head, with their images."""
    return _places(pool, within_reach(pool))


def _places(pool: Pool, centre_m: FloatArray) -> Places:
    """Places with the six mirror images of each that lie nearest to the water."""
    if pool.is_box:
        return _places_in_box(pool, centre_m)
    maps = []
    for one in centre_m:
        matrix, shift = lead.images_at(pool, one)
        distance = lead.distance_to_water(pool, np.einsum("kij,j->ki", matrix, one) + shift)
        order = np.argsort(distance, kind="stable")[:MOST_IMAGES]
        maps.append((matrix[order], shift[order]))
    all_matrix = np.zeros((len(centre_m), MOST_IMAGES, 3, 3))
    all_shift = np.full((len(centre_m), MOST_IMAGES, 3), 1e6)
    for k, (matrix, shift) in enumerate(maps):
        all_matrix[k, : len(matrix)], all_shift[k, : len(shift)] = matrix, shift
    return Places(centre_m, all_matrix, all_shift)


def _places_in_box(pool: Pool, centre_m: FloatArray) -> Places:
    """The same for a box, all places at once: along each axis a place is left, or mirrored in either wall."""
    x0, y0, x1, y1 = pool.bounds_m
    deep = float(pool.depth_at(0.5 * (x0 + x1), 0.5 * (y0 + y1)))
    # Up and down also twice: in floor and surface, in surface and floor.
    along = [[(1.0, 0.0), (-1.0, 2.0 * a), (-1.0, 2.0 * b)] for a, b in ((x0, x1), (y0, y1), (0.0, deep))]
    along[2] += [(1.0, -2.0 * deep), (1.0, 2.0 * deep)]
    maps = np.array(list(product(*along)))  # (M, 3, 2)
    sign, shift = maps[..., 0], maps[..., 1]
    image = centre_m[:, None] * sign + shift
    low, high = np.array([x0, y0, 0.0]), np.array([x1, y1, deep])
    distance = np.linalg.norm(np.maximum(np.maximum(low - image, image - high), 0.0), axis=-1)
    nearest = np.argsort(distance, axis=1, kind="stable")[:, :MOST_IMAGES]
    return Places(centre_m, sign[nearest][..., None] * np.eye(3), shift[nearest])


MOST_IMAGES = 6
#: Directions and distances at which the head is held around a leak whose place is nearly known.
CLOSE_STEPS_M = [
    (r * math.cos(math.radians(a)), r * math.sin(math.radians(a)), z)
    for r, z, turn in ((0.6, 0.0, 45), (0.5, 0.4, 90), (0.5, -0.4, 90))
    for a in range(0, 360, turn)
]


def close_by(pool: Pool, target_m: FloatArray, off_wall_m: float = 0.3, reach_m: float = 2.5) -> Places:
    """Places for the head around one place on the liner, a hand's breadth or two from it; perhaps none."""
    centre = np.round(target_m + np.array(CLOSE_STEPS_M), 2)
    # Beside a wall the head cannot come closer than the pole lets it: moved off it, not left out.
    gap, edge, part = polygon.nearest_edge(pool.outline, centre[:, :2])
    inside = polygon.inside(pool.outline, centre[:, :2])
    a = pool.outline[edge]
    along = np.roll(pool.outline, -1, axis=0)[edge] - a
    inward = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    close = ~inside | (gap < off_wall_m)
    centre[close, :2] = (a + part[:, None] * along + off_wall_m * inward)[close]
    gap, _, _ = polygon.nearest_edge(pool.outline, centre[:, :2])
    inside = polygon.inside(pool.outline, centre[:, :2])
    deep = pool.depth_at(centre[:, 0], centre[:, 1])
    centre[:, 2] = np.round(np.clip(centre[:, 2], 0.25, np.maximum(0.25, deep - 0.2)), 2)
    good = inside & (gap > off_wall_m - 0.01) & (gap <= reach_m)
    return _places(pool, np.unique(np.round(centre[good], 2), axis=0))


def join(a: Places, b: Places) -> Places:
    return Places(
        np.concatenate([a.centre_m, b.centre_m]),
        np.concatenate([a.matrix, b.matrix]),
        np.concatenate([a.shift, b.shift]),
    )


def field_and_slope(places: Places, targets_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gradient of G by the place (n, t, 3) and its derivative (n, t, 3, 3) for targets (t, 3)."""
    image = np.einsum("nmij,nj->nmi", places.matrix, places.centre_m) + places.shift
    d = image[:, :, None] - targets_m
    r2 = np.maximum((d * d).sum(-1), 0.01)
    r3 = r2 * np.sqrt(r2)
    pull = -d / r3[..., None] / _FOUR_PI
    gradient = np.einsum("nmji,nmtj->nti", places.matrix, pull)
    # Second derivatives: T' (3 d d' / r^5 - 1 / r^3) T, by parts to save room.
    turned = np.einsum("nmji,nmtj->nmti", places.matrix, d)
    strong = 3.0 / (r2 * r3) / _FOUR_PI
    second = np.einsum("nmt,nmti,nmtj->ntij", strong, turned, turned, optimize=True)
    weak = (1.0 / r3).sum(1) / _FOUR_PI
    second -= weak[..., None, None] * np.eye(3)
    return gradient, second


@dataclass(frozen=True)
class Predicted:
    """What the candidates expect at each place, in microvolts per metre of pair. field (n, c, P, 3) by candidate; mean
    (n, P, 3) over them; slope (n, P, 3, 3) of the mean by the place; scatter (n, P, 3): variance that each candidate's
    own steep field adds by errors of place."""

    field: FloatArray
    mean: FloatArray
    slope: FloatArray
    scatter: FloatArray


def predicted_field(places: Places, belief: Belief, resistivity: float, priors: Priors) -> Predicted:
    rho = resistivity * 1e3
    n, K = len(places.centre_m), belief.current_mA.shape[2]
    weight, q = belief.weight / belief.weight.sum(), belief.current_mA
    source_E, source_T = field_and_slope(places, belief.sources_m)
    # The last sink is the candidate itself; the others hardly differ between candidates: use their mean places.
    known = np.einsum("c,ckj->kj", weight, belief.position_m)[:-1]
    known_E, known_T = field_and_slope(places, known) if K > 1 else (np.zeros((n, 0, 3)), np.zeros((n, 0, 3, 3)))
    own_E, own_T = field_and_slope(places, belief.position_m[:, -1])
    # A pair reads V_back - V_front, so minus the gradient of V = rho sum q (G_source - G_sink).
    field = -rho * (
        np.einsum("cp,npi->ncpi", q.sum(2), source_E)
        - np.einsum("cpk,nki->ncpi", q[..., :-1], known_E)
        - np.einsum("cp,nci->ncpi", q[..., -1], own_E)
    )
    mean_q = np.einsum("c,cpk->pk", weight, q)
    slope = -rho * (
        np.einsum("p,npij->npij", mean_q.sum(1), source_T)
        - np.einsum("pk,nkij->npij", mean_q[:, :-1], known_T)
        - np.einsum("c,cp,ncij->npij", weight, q[..., -1], own_T, optimize=True)
    )
    own = rho**2 * np.einsum("c,cp,ncij->npij", weight, q[..., -1] ** 2, own_T**2, optimize=True)
    mean = np.einsum("c,ncpi->npi", weight, field)
    return Predicted(field, mean, slope, 0.5 * (own * priors.place**2).sum(-1))


def expected_bits(
    predicted: Predicted,
    weight: FloatArray,
    priors: Priors,
    directions: FloatArray,
    *,
    rigid: bool = False,
    noise_uV: float = 1.0,
) -> FloatArray:
    """Expected information (n,) in bits of reading all `directions` (n, D, 3) at each place, from every placement of
    the injection electrode; `rigid`: in one turn."""
    n, c, P, _ = predicted.field.shape
    D = directions.shape[1]
    weight = weight / weight.sum()
    rows = SPACING_M * np.einsum("ncpi,ndi->ncpd", predicted.field, directions).reshape(n, c, P * D)
    apart = rows - np.einsum("c,ncr->nr", weight, rows)[:, None]
    spread = (apart * weight[:, None]).swapaxes(1, 2) @ apart
    # Pose errors of the mean field: a small turn w of direction d adds E . (w x d) = w . (d x E).
    shift = np.einsum("npij,ndi->npdj", predicted.slope, directions)
    turn = np.cross(directions[:, None], predicted.mean[:, :, None])
    J = SPACING_M * np.concatenate([shift, turn], axis=-1).reshape(n, P * D, 6)
    by_turn = (J * priors.turn**2) @ J.swapaxes(1, 2)
    if not rigid:
        by_turn *= np.tile(np.eye(D), (P, P))
    C = (J[..., :3] * priors.place**2) @ J[..., :3].swapaxes(1, 2) + by_turn
    square = directions**2
    model = 4 * priors.model**2 * np.einsum("npi,ndi->npd", predicted.mean**2, square)
    scatter = np.einsum("npi,ndi->npd", predicted.scatter, square)
    diagonal = noise_uV**2 + priors.noise_floor_uV**2 + SPACING_M**2 * (model + scatter).reshape(n, P * D)
    C[:, np.arange(P * D), np.arange(P * D)] += diagonal
    return np.asarray(0.5 * (np.linalg.slogdet(C + spread)[1] - np.linalg.slogdet(C)[1]) / math.log(2.0))


#: So many places are proposed at once, so far apart: the first is where the next reading says most.
PROPOSED, PROPOSED_APART_M = 3, 1.0
#: A leak is nearly known when its candidates scatter by less than this (root mean square).
NEARLY_KNOWN_M = 0.5


def next_stations(
    pool: Pool,
    places: Places,
    belief: Belief,
    resistivity: float,
    priors: Priors,
    taken_m: Sequence[FloatArray] = (),
    *,
    axes: int = 3,
    rigid: bool = False,
) -> tuple[Station, ...]:
    """The best next place and how to hold the pair there first, in words; then the best ones away from it, by what is
    believed now: reading the first may change them. Places closer than 0.25 m to an earlier
    station are left out; where the leak is nearly known, places close around it are looked at as well, and none that
    are far away."""
    weight = belief.weight / belief.weight.sum()
    target = belief.position_m[:, -1]
    mean = weight @ target
    if math.sqrt(float(weight @ ((target - mean) ** 2).sum(1))) < NEARLY_KNOWN_M:
        within = np.linalg.norm(places.centre_m - mean, axis=1) < 3.0
        places = Places(places.centre_m[within], places.matrix[within], places.shift[within])
        places = join(places, close_by(pool, mean))
    for place in taken_m:
        free = np.linalg.norm(places.centre_m - place, axis=1) >= 0.25
        places = Places(places.centre_m[free], places.matrix[free], places.shift[free]) if free.any() else places
    predicted = predicted_field(places, belief, resistivity, priors)
    toward = toward_wall(pool, places.centre_m)
    along = np.stack([-toward[:, 1], toward[:, 0], np.zeros(len(toward))], axis=1)
    every = np.stack([toward, along, np.broadcast_to([0.0, 0.0, 1.0], toward.shape)], axis=1)
    bits = expected_bits(predicted, weight, priors, every[:, :axes], rigid=rigid)
    best = _best_apart(places.centre_m, bits)
    if rigid:
        return tuple(describe(pool, places.centre_m[k]) for k in best)
    # Where the pair is turned by hand, each direction is a hold of its own: begin with the one that tells most.
    single = np.stack([expected_bits(predicted, weight, priors, every[:, [d]])[best] for d in range(3)], axis=1)
    return tuple(
        describe(pool, places.centre_m[k], DIRECTIONS[int(np.argmax(by_direction))])
        for k, by_direction in zip(best, single, strict=True)
    )


def _best_apart(centre_m: FloatArray, bits: FloatArray) -> list[int]:
    """The place with most bits, then those with most away from the ones before; fewer where there is no room."""
    best: list[int] = []
    left = np.array(bits, dtype=float)
    while len(best) < PROPOSED and np.isfinite(left).any():
        best.append(int(np.argmax(left)))
        left[np.linalg.norm(centre_m - centre_m[best[-1]], axis=1) < PROPOSED_APART_M] = -np.inf
    return best


def target_of(answer: Answer) -> Leak | None:
    """What the next reading shall tell about: a leak whose place is not certain yet; where all are, one more leak that
    may be there."""
    open_ones = (leak for leak in answer.leaks if not (leak.certain and answer.may_be_found))
    return next(open_ones, None) or answer.doubtful or answer.best


def belief_of(answer: Answer, best: Leak, most: int = 32) -> Belief:
    """The candidates worth telling apart, for choosing the next station."""
    c, problem = best.search.candidates, answer.model.problem
    if best.patches.size_m < problem.grid.fine.size_m:
        # A sharp place: patches of liner, each with the currents of the refit in its cell.
        owner = np.full(len(problem.grid.fine), -1, dtype=np.int64)
        fine = np.flatnonzero(c.cell < 0)
        owner[-1 - c.cell[fine]] = fine
        some = np.argsort(-best.patches.probability)[: 4 * most]
        some = some[:: -(-len(some) // most)]
        order, place, weight = (
            owner[best.patches.cell[some]],
            best.patches.place_m[some],
            best.patches.probability[some],
        )
    else:
        weight = candidate_weights(best) ** 0.7
        order = np.argsort(-weight)[:most]
        order = order[weight[order] > 0]
        place, weight = c.position_m[order], weight[order]
    known = answer.known if not answer.leaks else answer.known[: c.state.current_mA.shape[2] - 1]
    fixed = np.array([s.position_m for s in known]).reshape(-1, 3)
    position = np.concatenate([np.broadcast_to(fixed, (len(order), *fixed.shape)), place[:, None]], axis=1)
    return Belief(weight, position, c.state.current_mA[order][:, : problem.now], problem.sources_m[: problem.now])
