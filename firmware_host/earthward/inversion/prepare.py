"""A pool made ready for searching: cells, lead-field tables, known sinks and what is believed of every error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from earthward.errors import InputError
from earthward.inversion.lead import BoxRows, FieldRows, FloatArray, IntArray
from earthward.inversion.liner import Grid, LinerGrid, Nodes, liner_grid, on_liner, tangents
from earthward.inversion.types import LocateSettings
from earthward.pool.field import Field, make_field
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading

#: Freedom given to a leak's place while poses are re-estimated around it.
LEAK_SIGMA_M = 0.15
#: How far from an injection electrode's noted place the lead fields are learnt as well, to let it move.
ELECTRODE_STEP_M = 0.15


@dataclass(frozen=True)
class Priors:
    """Standard deviations. place (3,): of a station, shared by all its turns, m; turn (6,): hand shift in m and
    rotation in rad of each turn by itself, where no sensor in the head says better; depth_offset, lean (rad): common
    to all stations; electrode (3,): of each injection electrode's place; current, gain, model: relative; injected_mA
    (P,) as measured."""

    place: FloatArray
    turn: FloatArray
    depth_offset: float
    lean: float
    electrode: FloatArray
    current: float
    gain: float
    model: float
    noise_floor_uV: float
    injected_mA: FloatArray

    @property
    def place_limit(self) -> FloatArray:
        """How far (3,) a station may stray on the way: six standard deviations."""
        return np.asarray(6 * np.hypot(self.place, [0.0, 0.0, self.depth_offset]))


@dataclass(frozen=True)
class Sink:
    """A sink whose place is known but for a small error along the liner. weight (n,) and slope (n, 2) interpolate
    the smooth rest from the liner's nodes, so that any place on the liner can be one."""

    name: str
    position_m: FloatArray
    tangent: FloatArray
    sigma_m: float
    share_sigma: float
    index: IntArray
    weight: FloatArray
    slope: FloatArray
    shut: tuple[int, ...] = ()
    """The placements during which it was covered and took nothing."""
    remains: bool = False
    """What the cover of a fitting lets through: a sink of its own while the fitting is covered, and a weak one."""


@dataclass(frozen=True)
class Problem:
    """A pool ready for searching. targets_m: the liner's nodes, then injection electrodes, then the points around these
    (`electrode_stencil`).

    A placement is an injection electrode in one state of the covers: the present ones come first, then those of each
    earlier state."""

    pool: Pool
    settings: LocateSettings
    liner: LinerGrid
    rows: BoxRows | FieldRows
    targets_m: FloatArray
    sources_m: FloatArray
    stencil_m: FloatArray
    """(P, 3, 2): the two offsets along each axis of the points around an injection electrode."""
    source_ids: tuple[int, ...]
    covers: IntArray
    """(P,): each placement's state of the covers: -1 now, else the index in `settings.earlier`."""
    injected_mA: FloatArray
    """(P,): the mean over the placements of one state of the covers, the same for each of them: readings are scaled to
    it."""
    reading_scale: FloatArray
    """(P,): brings a placement's readings to the mean current. A sink keeps its share, not its milliamperes, when
    another placement injects more."""
    fittings: tuple[Sink, ...]
    """With those that were open in some earlier state only."""
    priors: Priors
    degree: int
    keep_off: tuple[tuple[FloatArray, float], ...] = ()
    """Places with a distance within which no leak is."""

    @property
    def now(self) -> int:
        """How many of the placements are of the present state of the covers."""
        return int((self.covers < 0).sum())

    @property
    def injected_now_mA(self) -> float:
        return float(self.injected_mA[0])

    def covered_now(self, sink: Sink) -> bool:
        return sink.remains or 0 in sink.shut

    def placement(self, reading: KeptReading) -> int:
        """InputError for a reading of an electrode or a state of the covers that is not part of the problem."""
        state = -1
        if self.settings.earlier:
            now = covered_now(self.pool)
            covered = reading.covered_then(now)
            if covered != now:
                known = [one.covered for one in self.settings.earlier]
                state = known.index(covered) if covered in known else len(known)
        for p, (source_id, its_state) in enumerate(zip(self.source_ids, self.covers, strict=True)):
            if (source_id, its_state) == (reading.source_id, state):
                return p
        raise InputError(
            f"reading {reading.row} was taken with an electrode or with fittings covered that the search knows no "
            "current of: leave it out"
        )

    @property
    def grid(self) -> Grid:
        return self.liner.grid

    @property
    def resistivity(self) -> float:
        return self.pool.resistivity_ohm_m


def sink_at(
    nodes: Nodes, name: str, position_m: FloatArray, normal: FloatArray, face: int, sigma_m: float, share_sigma: float
) -> Sink:
    tangent = tangents(normal[None])[0]
    index, weight, slope = nodes.weights(position_m[None], tangent[None], np.array([face]))
    return Sink(name, position_m, tangent, sigma_m, share_sigma, index[0], weight[0], slope[0])


def leak_sink(problem: Problem, position_m: FloatArray, cell: int, sigma_m: float = LEAK_SIGMA_M) -> Sink:
    """A leak as a known sink, near fine cell `cell`."""
    cells = problem.grid.fine
    return sink_at(problem.liner.nodes, "leak", position_m, cells.normal[cell], int(cells.face[cell]), sigma_m, 0.0)


def electrode_stencil(pool: Pool, sources_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Offsets (P, 3, 2) along each axis of two points around each electrode that lie in the water, and all the points
    (6 P, 3)."""
    offsets = np.tile(np.array([-ELECTRODE_STEP_M, ELECTRODE_STEP_M]), (len(sources_m), 3, 1))
    for p, place in enumerate(sources_m):
        for axis in range(3):
            step = np.eye(3)[axis] * ELECTRODE_STEP_M
            before, after = pool.contains(np.array([place - step, place + step]), 0.0)
            if not before:
                offsets[p, axis] = [ELECTRODE_STEP_M, 2 * ELECTRODE_STEP_M]
            elif not after:
                offsets[p, axis] = [-2 * ELECTRODE_STEP_M, -ELECTRODE_STEP_M]
    points = sources_m[:, None, None] + offsets[..., None] * np.eye(3)[:, None]
    return offsets, points.reshape(-1, 3)


def make_priors(settings: LocateSettings, injected_mA: FloatArray) -> Priors:
    deg = np.pi / 180
    place = np.array([settings.position_sigma_m] * 2 + [settings.depth_sigma_m])
    # Three axes are read in one turn, whose hand shift is the place's. Crossed pairs are turned upright for the third.
    shift = 0.0 if settings.head == "three-axis" else settings.shift_sigma_m
    turn = np.array([shift] * 3 + [settings.tilt_sigma_deg * deg] * 2 + [settings.bearing_sigma_deg * deg])
    electrode = np.array([settings.electrode_sigma_m] * 2 + [settings.electrode_depth_sigma_m])
    return Priors(
        np.maximum(place, 1e-4),
        np.maximum(turn, 1e-4),
        max(settings.depth_offset_sigma_m, 1e-4),
        max(settings.lean_sigma_deg * deg, 1e-4),
        np.maximum(electrode, 1e-4),
        settings.current_sigma,
        settings.gain_sigma,
        settings.model_error,
        settings.noise_floor_V * 1e6,
        injected_mA,
    )


def known_sinks(pool: Pool, settings: LocateSettings, liner: LinerGrid, covers: IntArray) -> tuple[Sink, ...]:
    """Fittings that are not covered, what else is known to take current, and what covers let through. InputError if one
    is off the liner."""
    off_m = settings.fitting_sigma_m
    listed = [(f.name, f.position_m, off_m, False) for f in pool.fittings if not f.covered]
    listed += [(f.name, f.position_m, f.sigma_m, False) for f in settings.floating]
    opened = {name for one in settings.earlier for name in covered_now(pool) - one.covered}
    listed += [(f.name, f.position_m, off_m, False) for f in pool.fittings if f.name in opened]
    listed += [(f.name, f.position_m, off_m, True) for f in pool.fittings if f.covered]
    sinks = []
    for name, position_m, sigma_m, remains in listed:
        place, index, gap = on_liner(pool, liner.grid.fine, position_m)
        if gap > 0.3:
            raise InputError(f'fitting "{name}" is {gap:.2f} m off the liner: correct its position_m to a point on it')
        fine = liner.grid.fine
        normal, face = fine.normal[index], int(fine.face[index])
        sink = sink_at(liner.nodes, name, place, normal, face, sigma_m, settings.share_sigma)
        covered = [covered_now(pool), *[one.covered for one in settings.earlier]]
        shut = tuple(p for p, state in enumerate(covers) if (name in covered[state + 1]) is not remains)
        sinks.append(replace(sink, shut=shut, remains=remains))
    return tuple(sinks)


def covered_now(pool: Pool) -> frozenset[str]:
    return frozenset(f.name for f in pool.fittings if f.covered)


def _placements(pool: Pool, settings: LocateSettings) -> tuple[list[int], IntArray, FloatArray]:
    """By placement: which of the pool's sources, which state of the covers, and the current as stated, mA."""
    used = {source_id for one in settings.earlier for source_id, _ in one.current_A}
    # One that was read with before the last cover only injects nobody knows what now.
    rows = [
        (k, -1, (s.current_A or 0.0) * 1e3)
        for k, s in enumerate(pool.sources)
        if s.current_A is not None or s.source_id not in used
    ]
    for state, one in enumerate(settings.earlier):
        for source_id, current_A in one.current_A:
            place = next((k for k, s in enumerate(pool.sources) if s.source_id == source_id), None)
            if place is None:
                raise InputError(f"the pool file names no [[source]] with id = {source_id}: add it, with its position")
            rows.append((place, state, current_A * 1e3))
    return [k for k, _, _ in rows], np.array([state for _, state, _ in rows]), np.array([mA for _, _, mA in rows])


def make_problem(
    pool: Pool,
    settings: LocateSettings,
    field_: Field | None = None,
    liner: LinerGrid | None = None,
) -> Problem:
    """Cells, lead-field tables, known sinks and priors of a pool. InputError if it has no source.

    `liner`: that of an earlier problem of the same shape and cell size, to save most of the work.
    """
    if not pool.sources:
        raise InputError("the pool file names no [[source]]: add the injection electrode's position and current")
    place, covers, injected = _placements(pool, settings)
    if np.any(injected <= 0):
        raise InputError("a [[source]] has current_A of zero or less: give the injected current as measured")
    mean = np.array([injected[covers == state].mean() for state in covers])
    liner = liner_grid(pool, settings.cell_m) if liner is None else liner
    sources = np.array([pool.sources[k].position_m for k in place])
    stencil, around = electrode_stencil(pool, sources)
    targets = np.concatenate([liner.nodes.cells.centre_m, sources, around])
    rows: BoxRows | FieldRows
    if liner.box_rows is not None and field_ is None:
        rows, degree = liner.box_rows.extended(np.concatenate([sources, around])), 3
    else:
        rows = FieldRows(make_field(pool) if field_ is None else field_, targets)
        degree = 2
    return Problem(
        pool=pool,
        settings=settings,
        liner=liner,
        rows=rows,
        targets_m=targets,
        sources_m=sources,
        stencil_m=stencil,
        source_ids=tuple(pool.sources[k].source_id for k in place),
        covers=covers,
        injected_mA=mean,
        reading_scale=mean / injected,
        fittings=known_sinks(pool, settings, liner, covers),
        priors=make_priors(settings, mean),
        degree=degree,
    )
