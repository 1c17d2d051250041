"""Accuracy and speed of the pool's field, with an independent finite-volume solver in the same run.

    python tests/benchmarks/bench_field.py            # all parts, about two minutes
    python tests/benchmarks/bench_field.py accuracy   # or: speed, reference, order

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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from earthward.pool import polygon
from earthward.pool.box import BoxField
from earthward.pool.fem import FiniteElementField
from earthward.pool.shape import Floor, Pool, from_outline, rectangle

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


@dataclass
class Case:
    """Stations (n, 3), sinks on the liner (t, 3), one source: all at random, seed given."""

    stations: FloatArray
    sinks: FloatArray
    source: FloatArray


def make_case(pool: Pool, stations: int, sinks: int, seed: int) -> Case:
    rng = np.random.default_rng(seed)
    x0, y0, x1, y1 = pool.bounds_m
    arms = 0.5 * SPACING_m * np.concatenate([np.eye(3), -np.eye(3)])
    found: list[FloatArray] = []
    while len(found) < stations:
        centre = rng.uniform([x0, y0, 0], [x1, y1, pool.greatest_depth_m])
        if pool.contains(centre + arms).all():
            found.append(centre)
    cells = pool.liner_cells(0.3).centre_m
    return Case(np.array(found), cells[rng.choice(len(cells), sinks, replace=False)], np.array([1.0, 1.5, 0.4]))


def electrodes(case: Case) -> FloatArray:
    """(n, 3 axes, 2 ends, 3): front and back of three pairs at each station."""
    arm = 0.5 * SPACING_m * np.eye(3)
    return np.stack([case.stations[:, None] + arm, case.stations[:, None] - arm], axis=2)


def one_sided(field: FiniteElementField, case: Case) -> FloatArray:
    """(n, 3, t): rows of the dictionary, source taken off: what the search uses."""
    targets = np.vstack([case.sinks, case.source])
    rows = np.array([[field.pair_row(f, b, targets) for f, b in station] for station in electrodes(case)])
    return rows[:, :, :-1] - rows[:, :, -1:]


def two_sided(field: FiniteElementField, case: Case) -> FloatArray:
    """The same by `mutual`: what `earthward field` prints."""
    ends = electrodes(case).reshape(-1, 3)
    g = field.mutual(ends, np.vstack([case.sinks, case.source]))
    pairs = (g[0::2] - g[1::2]).reshape(len(case.stations), 3, -1)
    return pairs[:, :, :-1] - pairs[:, :, -1:]


def exact(pool: Pool, case: Case) -> FloatArray:
    box = BoxField(pool.length_m, pool.width_m, pool.greatest_depth_m)
    targets = np.vstack([case.sinks, case.source])
    rows = np.array([[box.green(targets, f) - box.green(targets, b) for f, b in s] for s in electrodes(case)])
    return rows[:, :, :-1] - rows[:, :, -1:]


def compare(ours: FloatArray, theirs: FloatArray, case: Case, label: str) -> None:
    """Worst axis against the length of the three-axis reading, by distance to the nearest source or sink."""
    ends = electrodes(case).reshape(len(case.stations), 6, 1, 3)
    to_sink = np.linalg.norm(ends - case.sinks, axis=3).min(axis=1)
    to_source = np.linalg.norm(ends[:, :, 0] - case.source, axis=2).min(axis=1)
    near = np.minimum(to_sink, to_source[:, None])
    size = np.linalg.norm(theirs, axis=1)
    error = np.abs(ours - theirs).max(axis=1)
    relative = error / np.maximum(size, FLOOR_per_m / 0.02)
    for low, high in ((0.15, 0.3), (0.3, 1.0), (1.0, 99.0)):
        chosen = relative[(near >= low) & (near < high)] * 100
        if chosen.size:
            within = 100 * float(np.mean(chosen <= (2 if low >= 0.3 else 5)))
            print(
                f"  {label:34s} {low:4.2f}..{high:4.1f} m  n {chosen.size:5d}  median {np.median(chosen):6.3f} %"
                f"  95 % {np.quantile(chosen, 0.95):6.2f} %  max {chosen.max():6.2f} %"
                f"  within {2 if low >= 0.3 else 5} %: {within:5.1f} %"
            )


# --- the independent solver ------------------------------------------------------------------------------


class FiniteVolumes:
    """discretize: cell-centred Poisson on a tensor mesh of cell edge h, faces weighted by their wet share."""

    def __init__(self, pool: Pool, h_m: float) -> None:
        import discretize
        from scipy.sparse.linalg import splu

        x0, y0, x1, y1 = pool.bounds_m
        counts = [round(v / h_m) for v in (x1 - x0, y1 - y0, pool.greatest_depth_m)]
        mesh = discretize.TensorMesh([np.full(n, h_m) for n in counts], origin=[x0, y0, 0.0])
        import scipy.sparse as sp

        # Cut cells: a face conducts in proportion to its wet share, so that a slope is not a staircase.
        half = 0.5 * h_m
        offsets = (np.arange(4) + 0.5) / 4 * h_m - half
        share = []
        for axis, faces in enumerate((mesh.faces_x, mesh.faces_y, mesh.faces_z)):
            wet = np.zeros(len(faces))
            for u in offsets:
                for v in offsets:
                    shift = np.insert(np.array([u, v]), axis, 0.0)
                    wet += pool.contains(faces + shift, slack_m=0.0)
            share.append(wet / 16)
        aperture = np.concatenate(share)
        divergence = mesh.face_divergence
        sides = np.asarray(abs(divergence).astype(bool).T.sum(axis=1)).ravel()
        aperture[sides < 2] = 0.0
        aperture[aperture < 0.1] = 0.0
        joined = np.asarray(abs(divergence) @ aperture).ravel() > 0
        self.wet = np.flatnonzero(joined)
        number = np.full(mesh.n_cells, -1)
        number[self.wet] = np.arange(len(self.wet))
        inner = np.flatnonzero(aperture)
        d = divergence[self.wet][:, inner]
        volume = mesh.cell_volumes[self.wet]
        conductance = sp.diags(aperture[inner] / h_m**3)
        self.matrix = (sp.diags(volume) @ d @ conductance @ d.T @ sp.diags(volume)).tocsc()
        started = time.process_time()
        self.lu = splu(
            self.matrix[1:, 1:].tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )  # fmt: skip
        self.factor_s = time.process_time() - started
        self.mesh, self.number, self.h_m = mesh, number, h_m
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
                frac.append(float(np.clip((v - axis[k]) / self.h_m, 0, 1)))
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

    def potentials(self, points: FloatArray, sinks: FloatArray, source: FloatArray) -> FloatArray:
        """Potential (p, t) of unit source minus unit sink t."""
        at, of = self.weights(points), self.weights(np.vstack([sinks, source]))
        load = np.asarray(of.T.todense())  # type: ignore[attr-defined]
        load = load[:, -1:] - load[:, :-1]
        answer = np.zeros_like(load)
        answer[1:] = self.lu.solve(load[1:])
        return np.asarray(at @ answer)  # type: ignore[operator]

    def pairs(self, case: Case) -> FloatArray:
        """(n, 3, t): V_back - V_front of unit source and unit sink."""
        g = self.potentials(electrodes(case).reshape(-1, 3), case.sinks, case.source)
        return (g[1::2] - g[0::2]).reshape(len(case.stations), 3, -1)


# --- parts -----------------------------------------------------------------------------------------------


def accuracy() -> None:
    print(
        "accuracy: error of the worst axis over the three-axis reading, pairs of 0.3 m, by distance to source or sink"
    )
    for name, pool in POOLS.items():
        field = FiniteElementField(pool)
        case = make_case(pool, stations=6, sinks=14, seed=11)
        if name == "box":
            truth, against = exact(pool, case), "exact box"
        else:
            truth, against = two_sided(FiniteElementField(pool, 0.32, 6), case), "the same refined"
        print(f" {name}: {field.unknowns} unknowns, against {against}")
        compare(two_sided(field, case), truth, case, "earthward field (two-sided)")
        compare(one_sided(field, case), truth, case, "rows for the search (one-sided)")


def reference(only: tuple[str, ...] = ()) -> None:
    try:
        import discretize
    except ImportError:
        print("reference: discretize is not installed (extra dev): skipped")
        return
    print(f"reference: discretize {discretize.__version__}, cells 0.1 m (and 0.15 m: its own change beside ours)")
    for name in only or ("box", "hopper", "L"):
        pool = POOLS[name]
        case = make_case(pool, stations=6, sinks=16, seed=12)
        # The reference smears a sink over a cell: judge it only at 0.5 m and more.
        ends = electrodes(case).reshape(-1, 3)
        far = np.array([np.linalg.norm(ends - s, axis=1).min() > 0.5 for s in case.sinks])
        case = Case(case.stations, case.sinks[far], case.source)
        started = time.process_time()
        fine = FiniteVolumes(pool, 0.1)
        set_up = time.process_time() - started
        started = time.process_time()
        theirs = fine.pairs(case)
        solve = (time.process_time() - started) / (len(case.sinks) + 1)
        coarse = FiniteVolumes(pool, 0.15 if name != "L" else 0.2).pairs(case)
        field = FiniteElementField(pool)
        print(
            f" {name}: reference {len(fine.wet)} cells, set-up {set_up:.1f} s, {1e3 * solve:.0f} ms per right-hand side"
        )
        compare(two_sided(field, case), theirs, case, "earthward field against reference")
        compare(coarse, theirs, case, "reference coarse against fine")
        if name == "box":
            compare(theirs, exact(pool, case), case, "reference against exact box")
            targets = pool.liner_cells(0.25).centre_m
            row = timed_rows(field, case, targets)
            per_reading = solve
            print(f"  speed-up per added reading at that accuracy: {per_reading / row:.0f} x (row {1e3 * row:.1f} ms)")
            box = BoxField(10, 5, 1.5)
            started = time.process_time()
            for f, b in electrodes(case)[:, 0]:
                box.green(targets, f)
                box.green(targets, b)
            exact_row = (time.process_time() - started) / len(case.stations)
            print(f"  with the exact box field: {per_reading / exact_row:.0f} x (row {1e3 * exact_row:.1f} ms)")


def timed_rows(field: FiniteElementField, case: Case, targets: FloatArray) -> float:
    f, b = electrodes(case)[0, 0]
    field.pair_row(f + 0.01, b + 0.01, targets)
    started = time.process_time()
    for f, b in electrodes(case)[:, 0]:
        field.pair_row(f, b, targets)
    return (time.process_time() - started) / len(case.stations)


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
        case = make_case(pool, stations=30, sinks=1, seed=5)
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
    print("order of convergence: box 6 x 4 x 1.4 m against the exact field, one-sided, all sinks beyond 0.6 m")
    pool = rectangle(6, 4, 1.4)
    case = make_case(pool, stations=8, sinks=60, seed=3)
    ends = electrodes(case).reshape(-1, 3)
    far = np.array([np.linalg.norm(ends - s, axis=1).min() > 0.6 for s in case.sinks])
    case = Case(case.stations, case.sinks[far], case.source)
    truth = exact(pool, case)
    last = None
    for layers, size in ((2, 0.8), (3, 0.5333), (4, 0.4), (6, 0.26667)):
        error = float(np.sqrt(np.mean((one_sided(FiniteElementField(pool, size, layers), case) - truth) ** 2)))
        note = "" if last is None else f"  order {np.log(last[1] / error) / np.log(last[0] / size):.2f}"
        print(f"  edge {size:.3f} m, {layers} layers: rms error {error:.2e} 1/m{note}")
        last = (size, error)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parts = {"speed": speed, "accuracy": accuracy, "reference": reference, "order": order}
    parser.add_argument("part", nargs="*", choices=[*parts, []], default=[])
    chosen = parser.parse_args().part or list(parts)
    for name in chosen:
        started = time.process_time()
        parts[name]()
        print(f" ({name}: {time.process_time() - started:.0f} CPU s)\n", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
