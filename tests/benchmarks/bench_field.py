"""Accuracy and speed of the pool's field, with an independent finite-volume solver in the same run.

    python tests/benchmarks/bench_field.py            # all parts, about five minutes
    python tests/benchmarks/bench_field.py accuracy   # or: speed, reference, ratio, order

The reference is discretize (cell-centred finite volumes on a tensor mesh, extra `dev`), which shares nothing with
our code: no images, no elements. It is run at two cell sizes and its own change between them is printed beside
ours: where that is larger than our difference, the reference is what limits. Times are process CPU seconds.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from earthward.inversion import lead
from earthward.inversion.prepare import make_problem
from earthward.inversion.types import LocateSettings
from earthward.pool import polygon
from earthward.pool.box import BoxField
from earthward.pool.fem import FiniteElementField
from earthward.pool.field import BoxPoolField
from earthward.pool.shape import Floor, Pool, from_outline, rectangle
from earthward.record.place import Placement

FloatArray = NDArray[np.float64]
SPACING_m = 0.3
# A difference nobody can measure: 1 uV from 10 mA in 5 ohm m water.
FLOOR_per_m = 1e-6 / (5.0 * 0.010)

SLOPE = Floor("profile", 1.5, ((0.0, 1.5), (4.0, 1.5), (7.0, 2.4), (10.0, 2.4)))
POOLS = {
    "box": rectangle(10, 5, 1.5),
    "slope": Pool(outline_m=((0, 0), (10, 0), (10, 5), (0, 5)), floor=SLOPE),
    "hopper": Pool(
        outline_m=((0, 0), (10, 0), (10, 5), (0, 5)),
        floor=Floor("hopper", 1.2, deep_m=2.4, rim_m=(4, 0.6, 9.4, 4.4), bottom_m=(6, 1.6, 8.4, 3.4)),
    ),
    "L": from_outline(polygon.l_shape(9, 6, 5, 3), Floor("flat", 1.4)),
}


#: Oblique edges of the pools: points along them (inner corner, slope's creases, hopper's rim and pad).
EDGES: dict[str, FloatArray] = {
    "slope": np.array([[x, y, z] for x, z in ((4, 1.5), (7, 2.4)) for y in (0.5, 1.5, 2.5, 3.5, 4.5)]),
    "hopper": np.array(
        [[x, y, 1.2] for x in (4, 9.4) for y in np.linspace(0.6, 4.4, 5)]
        + [[x, y, 1.2] for y in (0.6, 4.4) for x in np.linspace(4, 9.4, 6)]
        + [[6, 1.6, 2.4], [8.4, 1.6, 2.4], [6, 3.4, 2.4], [8.4, 3.4, 2.4]]
    ),
    "L": np.array([[4, 3, z] for z in (0.2, 0.5, 0.8, 1.1)]),
}
SOURCE_m = np.array([1.0, 1.5, 0.4])


@dataclass
class Case:
    """Stations (n, 3) with their own sinks on the liner (n, t, 3), one source; all at random, seed given.

    The first sinks lie 0.15 to 0.3 m from the nearest electrode, then some at 0.3 to 1 m, the rest at 1 to 3 m.
    """

    stations: FloatArray
    sinks: FloatArray
    source: FloatArray


#: Sinks per station in the three ranges of distance.
RANGES = ((0.15, 0.3, 2), (0.3, 1.0, 4), (1.0, 3.0, 3))


def make_case(pool: Pool, stations: int, seed: int, around: FloatArray | None = None) -> Case:
    """Stations anywhere within reach of some liner, or (around (e, 3)) about 0.4 m off given places."""
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = pool.bounds_m
    arms = 0.5 * SPACING_m * np.concatenate([np.eye(3), -np.eye(3)])
    cells = pool.liner_cells(0.08).centre_m
    found: list[FloatArray] = []
    sinks: list[FloatArray] = []
    while len(found) < stations:
        if around is None:
            centre = rng.uniform([x0, y0, 0], [x1, y1, pool.greatest_depth_m])
        else:
            centre = around[rng.integers(len(around))] + rng.normal(0, 0.3, 3)
        ends = centre + arms
        if not pool.contains(ends).all() or np.linalg.norm(ends - SOURCE_m, axis=1).min() < 0.3:
            continue
        gap = np.linalg.norm(ends[:, None] - cells, axis=2).min(axis=0)
        inside = [np.flatnonzero((gap >= low) & (gap < high)) for low, high, _ in RANGES]
        if any(len(i) < n for i, (_, _, n) in zip(inside, RANGES, strict=True)):
            continue
        found.append(centre)
        chosen = [rng.choice(i, n, replace=False) for i, (_, _, n) in zip(inside, RANGES, strict=True)]
        sinks.append(cells[np.concatenate(chosen)])
    return Case(np.array(found), np.array(sinks), SOURCE_m)


def electrodes(case: Case) -> FloatArray:
    """(n, 3 axes, 2 ends, 3): front and back of three pairs at each station."""
    arm = 0.5 * SPACING_m * np.eye(3)
    return np.stack([case.stations[:, None] + arm, case.stations[:, None] - arm], axis=2)


def one_sided(field: FiniteElementField, case: Case) -> FloatArray:
    """(n, 3, t): rows of the dictionary, source taken off: what the search uses."""
    result = []
    for pairs, sinks in zip(electrodes(case), case.sinks, strict=True):
        targets = np.vstack([sinks, case.source])
        rows = np.array([field.pair_row(front, back, targets) for front, back in pairs])
        result.append(rows[:, :-1] - rows[:, -1:])
    return np.array(result)


def by_mutual(field: FiniteElementField | BoxPoolField, case: Case) -> FloatArray:
    """The same by `mutual`: what `earthward field` prints; exact for a box's own field."""
    result = []
    for pairs, sinks in zip(electrodes(case), case.sinks, strict=True):
        g = field.mutual(pairs.reshape(-1, 3), np.vstack([sinks, case.source]))
        rows = g[0::2] - g[1::2]
        result.append(rows[:, :-1] - rows[:, -1:])
    return np.array(result)


def compare(ours: FloatArray, theirs: FloatArray, label: str) -> dict[float, float]:
    """Worst axis against the length of the three-axis reading, by distance of the sink. Returns the 95 % quantile in
    per cent by the range's lower end."""
    size = np.linalg.norm(theirs, axis=1)
    relative = 100 * np.abs(ours - theirs).max(axis=1) / np.maximum(size, FLOOR_per_m / 0.02)
    first, result = 0, {}
    for low, high, count in RANGES:
        chosen = relative[:, first : first + count].ravel()
        first += count
        limit = 2 if low >= 0.3 else 5
        result[low] = float(np.quantile(chosen, 0.95))
        print(
            f"  {label:34s} {low:4.2f}..{high:3.1f} m  n {chosen.size:4d}  median {np.median(chosen):6.3f} %"
            f"  95 % {result[low]:6.2f} %  max {chosen.max():6.2f} %"
            f"  within {limit} %: {100 * float(np.mean(chosen <= limit)):5.1f} %"
        )
    return result


# --- the independent solver ------------------------------------------------------------------------------


class FiniteVolumes:
    """discretize: cell-centred Poisson on a tensor mesh, faces weighted by their wet share.

    Cells of edge h_m everywhere; or, with `about_m`, only within 1.3 m of that place and growing beyond it.
    """

    def __init__(self, pool: Pool, h_m: float, about_m: FloatArray | None = None, factor: bool = True) -> None:
        import discretize
        from scipy.sparse.linalg import splu

        x0, y0, x1, y1 = pool.bounds_m
        low, high = np.array([x0, y0, 0.0]), np.array([x1, y1, pool.greatest_depth_m])
        widths = [
            _widths(low[k], high[k], h_m, None if about_m is None or k == 2 else float(about_m[k])) for k in range(3)
        ]
        mesh = discretize.TensorMesh(widths, origin=[x0, y0, 0.0])
        import scipy.sparse as sp

        # Cut cells: a face conducts in proportion to its wet share, so that a slope is not a staircase.
        share = []
        for axis, faces in enumerate((mesh.faces_x, mesh.faces_y, mesh.faces_z)):
            # Width of the cell beside each face along the two other axes.
            sides = [_width_at(mesh, k, faces[:, k]) for k in range(3) if k != axis]
            wet = np.zeros(len(faces))
            for u in (np.arange(4) + 0.5) / 4 - 0.5:
                for v in (np.arange(4) + 0.5) / 4 - 0.5:
                    shift = np.insert(np.stack([u * sides[0], v * sides[1]], axis=1), axis, 0.0, axis=1)
                    wet += pool.contains(faces + shift, slack_m=0.0)
            share.append(wet / 16)
        aperture = np.concatenate(share)
        divergence = mesh.face_divergence
        cells_beside = np.asarray(abs(divergence).astype(bool).T.sum(axis=1)).ravel()
        aperture[cells_beside < 2] = 0.0
        aperture[aperture < 0.1] = 0.0
        joined = np.asarray(abs(divergence) @ aperture).ravel() > 0
        self.wet = np.flatnonzero(joined)
        number = np.full(mesh.n_cells, -1)
        number[self.wet] = np.arange(len(self.wet))
        inner = np.flatnonzero(aperture)
        d = divergence[self.wet][:, inner]
        volume = mesh.cell_volumes[self.wet]
        # Conductance of a face: its wet area over the distance of the two centres.
        distance = np.concatenate(
            [_centre_distance(mesh, k, f[:, k]) for k, f in enumerate((mesh.faces_x, mesh.faces_y, mesh.faces_z))]
        )
        area = mesh.face_areas
        weight = (aperture / (area * distance))[inner]
        balance = sp.diags(volume) @ d
        self.matrix = (balance @ sp.diags(weight) @ balance.T).tocsc()
        self.lu = None
        self.factor_s = 0.0
        if factor:
            started = time.process_time()
            self.lu = splu(
                self.matrix[1:, 1:].tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )  # fmt: skip
            self.factor_s = time.process_time() - started
        self.mesh, self.number = mesh, number
        self.axes = [mesh.cell_centers_x, mesh.cell_centers_y, mesh.cell_centers_z]

    def weights(self, points: FloatArray) -> object:
        """Trilinear interpolation from wet cell centres (t, cells), renormalised where neighbours are dry."""
        import scipy.sparse as sp

        shape = self.mesh.shape_cells
        rows, columns, values = [], [], []
        for n, p in enumerate(points):
            base, frac = [], []
            for axis, v in zip(self.axes, p, strict=True):
                k = int(np.clip(np.searchsorted(axis, v) - 1, 0, len(axis) - 2))
                base.append(k)
                frac.append(float(np.clip((v - axis[k]) / (axis[k + 1] - axis[k]), 0, 1)))
            total, entries = 0.0, []
            for corner in range(8):
                bits = [(corner >> k) & 1 for k in range(3)]
                w = float(np.prod([f if b else 1 - f for f, b in zip(frac, bits, strict=True)]))
                i, j, k = (b + s for b, s in zip(base, bits, strict=True))
                cell = self.number[i + shape[0] * (j + shape[1] * k)]
                if cell >= 0 and w > 0:
                    entries.append((cell, w))
                    total += w
            if not entries:
                centres = self.mesh.cell_centers[self.wet]
                entries, total = [(int(np.argmin(np.linalg.norm(centres - p, axis=1))), 1.0)], 1.0
            for cell, w in entries:
                rows.append(n)
                columns.append(cell)
                values.append(w / total)
        return sp.csr_matrix((values, (rows, columns)), shape=(len(points), len(self.wet)))

    def solve(self, load: FloatArray) -> FloatArray:
        """Potentials (cells, k) for loads that sum to zero."""
        from scipy.sparse.linalg import cg

        answer = np.zeros_like(load)
        if self.lu is not None:
            answer[1:] = self.lu.solve(load[1:])
            return answer
        scale = 1 / np.sqrt(self.matrix.diagonal())
        import scipy.sparse as sp

        scaled = (sp.diags(scale) @ self.matrix @ sp.diags(scale)).tocsr()
        for k in range(load.shape[1]):
            found, failed = cg(scaled, scale * load[:, k], rtol=1e-8, maxiter=5000)
            if failed:
                raise ArithmeticError("the reference did not converge")
            answer[:, k] = scale * found
        return answer

    def rows(self, pairs: FloatArray, targets: FloatArray) -> FloatArray:
        """(pairs, targets): what a pair (front, back) reads of a unit sink at each target, by reciprocity."""
        ends = self.weights(pairs.reshape(-1, 3))
        load = np.asarray(ends.T.todense())  # type: ignore[attr-defined]
        row: FloatArray = np.asarray((self.weights(targets) @ self.solve(load[:, 0::2] - load[:, 1::2])).T)  # type: ignore[operator]
        return row


def _widths(low: float, high: float, h_m: float, about: float | None) -> list[float]:
    """Cell widths from low to high: h_m, growing by a fifth per cell beyond 1.3 m from `about`, at most 0.25 m."""
    if about is None:
        n = round((high - low) / h_m)
        return [(high - low) / n] * n
    left, right = max(low, about - 1.3), min(high, about + 1.3)
    n = max(1, round((right - left) / h_m))
    middle = [(right - left) / n] * n

    def outward(room: float) -> list[float]:
        widths: list[float] = []
        w = h_m
        while sum(widths) < room - 1e-9:
            w = min(1.2 * w, max(0.25, h_m))
            widths.append(w)
        total = sum(widths)
        return [v * room / total for v in widths] if widths else []

    return [*outward(left - low)[::-1], *middle, *outward(high - right)]


def _axis(mesh: object, k: int) -> tuple[FloatArray, FloatArray]:
    nodes = (mesh.nodes_x, mesh.nodes_y, mesh.nodes_z)[k]  # type: ignore[attr-defined]
    return nodes, np.diff(nodes)


def _width_at(mesh: object, k: int, centre: FloatArray) -> FloatArray:
    nodes, widths = _axis(mesh, k)
    return np.asarray(widths[np.clip(np.searchsorted(nodes, centre) - 1, 0, len(widths) - 1)])


def _centre_distance(mesh: object, k: int, place: FloatArray) -> FloatArray:
    nodes, widths = _axis(mesh, k)
    at = np.clip(np.searchsorted(nodes, place - 1e-9), 1, len(widths) - 1)
    return np.asarray(0.5 * (widths[at - 1] + widths[at]))


# --- parts -----------------------------------------------------------------------------------------------


def accuracy() -> None:
    print("accuracy: error of the worst axis over the three-axis reading, pairs of 0.3 m, by distance of the sink")
    for name, pool in POOLS.items():
        field = FiniteElementField(pool)
        finer = BoxPoolField(pool) if pool.is_box else FiniteElementField(pool, 0.34, 6)
        print(f" {name}: {field.unknowns} unknowns, against {'the exact box' if pool.is_box else 'the same refined'}")
        for where, around in (("anywhere", None), ("beside oblique edges", EDGES.get(name))):
            if where != "anywhere" and around is None:
                continue
            case = make_case(pool, 8, 11, around)
            truth = by_mutual(finer, case)
            compare(by_mutual(field, case), truth, f"earthward field, {where}")
            compare(one_sided(field, case), truth, f"rows for the search, {where}")


def reference() -> None:
    """Which of the two is wrong? The reference is refined round each station; what shrinks with it was its error."""
    try:
        import discretize
    except ImportError:
        print("reference: discretize is not installed (extra dev): skipped")
        return
    print(
        f"reference: discretize {discretize.__version__}, cells of 0.1 and 0.05 m round each station, 0.25 m far away"
    )
    for name in ("box", "hopper", "L"):
        pool = POOLS[name]
        # Cells 0.05 m wide smear a sink over as much: nothing nearer than 0.3 m is judged.
        case = make_case(pool, 4, 12)
        ours = by_mutual(FiniteElementField(pool), case)
        coarse, fine = (local_volumes(pool, case, h) for h in (0.1, 0.05))
        print(f" {name}:")
        compare(ours, coarse, "earthward field against 0.1 m")
        compare(ours, fine, "earthward field against 0.05 m")
        compare(coarse, fine, "reference 0.1 against 0.05 m")
        if name == "box":
            compare(fine, by_mutual(BoxPoolField(pool), case), "reference 0.05 m against exact box")


def local_volumes(pool: Pool, case: Case, h_m: float) -> FloatArray:
    result = []
    for station, pairs, sinks in zip(case.stations, electrodes(case), case.sinks, strict=True):
        volumes = FiniteVolumes(pool, h_m, station, factor=False)
        rows = volumes.rows(pairs, np.vstack([sinks, case.source]))
        result.append(rows[:, :-1] - rows[:, -1:])
    return np.array(result)


def ratio() -> None:
    """How much faster is one more reading, at the same accuracy? Both factor once and then solve once per pair. The
    reference's cells are made smaller until it, too, is within 2 % from 0.3 m on and 5 % from 0.15 m on in 95 % of
    cases; the coarse elements keep to the same limits. The search asks for more than one value: the field around a
    station wherever the pole may have been, for all its axes and placements. That is `learn_head` for us, and one solve
    per point of the same stencil for the reference.
    """
    print("ratio: box 6 x 4 x 1.4 m, truth by the exact box; CPU time per added reading (row over all liner cells)")
    pool = rectangle(6, 4, 1.4)
    case = make_case(pool, 8, 13)
    exact = BoxPoolField(pool)
    truth = by_mutual(exact, case)
    targets = pool.liner_cells(0.25).centre_m
    ours: dict[str, float] = {}
    coarse = FiniteElementField(pool, 0.7, 3)
    fields = (("exact box", exact), ("elements", FiniteElementField(pool)), ("elements, coarse", coarse))
    for label, one in fields:
        ours[label] = timed_rows(one, case, targets)
        if isinstance(one, FiniteElementField):
            compare(one_sided(one, case), truth, f"rows by {label}, {one.unknowns} unknowns")
        print(f"  {label}: {1e3 * ours[label]:.1f} ms per reading")
    stations = {"exact box": timed_stations(pool, None), "elements": timed_stations(pool, FiniteElementField(pool))}
    for label, (spent, points) in stations.items():
        print(f"  {label}: {1e3 * spent:.0f} ms per station with its surroundings ({points} points)")
    for h in (0.1, 0.08, 0.07):
        started = time.process_time()
        volumes = FiniteVolumes(pool, h)
        set_up = time.process_time() - started
        rows, solve = [], []
        for pairs, sinks in zip(electrodes(case), case.sinks, strict=True):
            row = volumes.rows(pairs, np.vstack([sinks, case.source]))
            rows.append(row[:, :-1] - row[:, -1:])
            load = np.zeros((len(volumes.wet), 1))
            load[3], load[-3] = 1.0, -1.0
            started = time.process_time()
            volumes.solve(load)
            solve.append(time.process_time() - started)
        each = float(np.median(solve))
        quantile = compare(np.array(rows), truth, f"discretize, cells {h} m, {len(volumes.wet)}")
        times = ", ".join(f"{each / one:.0f} x ({name})" for name, one in ours.items())
        print(f"  cells {h} m: set-up {set_up:.1f} s, {1e3 * each:.0f} ms per reading: {times}")
        if max(quantile[0.3], quantile[1.0]) <= 2.0 and quantile[0.15] <= 5.0:
            print("  this is the same accuracy: 95 % of cases within 2 % from 0.3 m on, 5 % from 0.15 m on")
            for label, (spent, points) in stations.items():
                load = np.zeros((len(volumes.wet), points))
                load[3], load[-3] = 1.0, -1.0
                started = time.process_time()
                volumes.solve(load)
                block = time.process_time() - started
                print(
                    f"  a station with its surroundings: discretize {1e3 * block:.0f} ms ({points} solves as one block)"
                    f", {block / spent:.0f} x ({label})"
                )
            break


def timed_stations(pool: Pool, field: FiniteElementField | None) -> tuple[float, int]:
    """Median CPU seconds to learn a station's surroundings for the search, and how many points that takes."""
    with_source = replace(pool, sources=(Placement(position_m=(1.0, 1.5, 0.4), current_A=0.01, source_id=0),))
    problem = make_problem(with_source, LocateSettings(), field)
    spent = []
    for centre in make_case(pool, 6, 17).stations:
        started = time.process_time()
        lead.learn_lead_field(problem.pool, problem.rows, problem.targets_m, centre, problem.degree)
        spent.append(time.process_time() - started)
    return float(np.median(spent)), lead.STENCIL[problem.degree]


def timed_rows(field: FiniteElementField | BoxPoolField, case: Case, targets: FloatArray) -> float:
    """Median CPU seconds of a new pair's row."""
    pairs = electrodes(case)[:, 0]
    field.pair_row(pairs[0, 0] + 0.01, pairs[0, 1] + 0.01, targets)
    spent = []
    for front, back in pairs:
        started = time.process_time()
        field.pair_row(front, back, targets)
        spent.append(time.process_time() - started)
    return float(np.median(spent))


def speed() -> None:
    print("speed (CPU seconds of this process; the machine may be shared: see the calibration line)")
    print(f" calibration: 1000 x 1000 matrix product {1e3 * calibration():.0f} ms")
    for name in ("slope", "hopper", "L"):
        pool = POOLS[name]
        with tempfile.TemporaryDirectory() as folder:
            started = time.process_time()
            FiniteElementField(pool, cache_dir=folder)
            first = time.process_time() - started
            again = []
            for _ in range(3):
                started = time.process_time()
                field = FiniteElementField(pool, cache_dir=folder)
                again.append(time.process_time() - started)
        case = make_case(pool, 30, 5)
        targets = pool.liner_cells(0.25).centre_m
        row = timed_rows(field, case, targets)
        started = time.process_time()
        for f, b in electrodes(case)[:10, 0]:
            field.pair_row_derivatives(f, b, targets)
        slopes = (time.process_time() - started) / 10
        print(
            f" {name}: {field.unknowns} unknowns; set-up first {first:.2f} s, from cache {min(again):.3f} s;"
            f" new pair {1e3 * row:.1f} ms, with derivatives {1e3 * slopes:.1f} ms ({len(targets)} places)"
        )
    box = BoxField(10, 5, 1.5)
    rng = np.random.default_rng(0)
    points = rng.uniform(0, 1, (1000, 3)) * box.size_m
    started = time.process_time()
    for n in range(20):
        box.green(points, points[n])
    print(f" exact box: 1,000 points {1e3 * (time.process_time() - started) / 20:.1f} ms")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f" peak memory of this process so far {peak:.0f} MB")


def calibration() -> float:
    a = np.random.default_rng(0).normal(size=(1000, 1000))
    started = time.process_time()
    a @ a
    return time.process_time() - started


def order() -> None:
    print("order of convergence: box 6 x 4 x 1.4 m against the exact field, one-sided, sinks beyond 1 m")
    pool = rectangle(6, 4, 1.4)
    case = make_case(pool, 16, 3)
    case = Case(case.stations, case.sinks[:, 6:], case.source)
    truth = by_mutual(BoxPoolField(pool), case)
    last = None
    for layers, size in ((2, 0.8), (3, 0.5333), (4, 0.4), (6, 0.26667)):
        error = float(np.sqrt(np.mean((one_sided(FiniteElementField(pool, size, layers), case) - truth) ** 2)))
        note = "" if last is None else f"  order {np.log(last[1] / error) / np.log(last[0] / size):.2f}"
        print(f"  edge {size:.3f} m, {layers} layers: rms error {error:.2e} 1/m{note}")
        last = (size, error)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parts = {"speed": speed, "accuracy": accuracy, "reference": reference, "ratio": ratio, "order": order}
    parser.add_argument("part", nargs="*", choices=[*parts, []], default=[])
    chosen = parser.parse_args().part or list(parts)
    for name in chosen:
        started = time.process_time()
        parts[name]()
        print(f" ({name}: {time.process_time() - started:.0f} CPU s)\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
