"""Kept readings as arrays: by station, by turn of the pole, by direction of the pair; with the stations' lead fields.

A station is a place; what is wrong with it is shared by all its rows. A turn is one bearing of the pole there, with
errors of its own. Inside the inversion volts are microvolts and amperes milliamperes; arrays are padded to
stations x directions x rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from earthward.inversion import lead
from earthward.inversion.lead import FloatArray, IntArray, LeadField
from earthward.inversion.prepare import Problem
from earthward.inversion.types import Head
from earthward.pool import polygon
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading

BoolArray = NDArray[np.bool_]

#: No sensor's word about the head is taken for better than this: head, arms and electrodes are not square to it.
LEAST_SENSED_DEG = 0.5
#: ... nor about the depth of a hand-held pole's middle.
LEAST_SENSED_M = 0.01


@dataclass(frozen=True)
class Observations:
    """Readings of all stations, padded. ends_m (S, A, 2, 3): front and back electrode from the station's centre, by
    direction; turn (S, A): the first direction of the turn that each belongs to; turn_sigma (S, A, 6): how well each
    turn is known, hand shift in m and rotation in rad; lean_axis (S, 2): the level axis about which a pole leans toward
    the nearest wall (none where a sensor told its tilt); place_sigma (S, 3): how well each station's place is known;
    by_mark (S,): 1 where the depth is read off the pole, so that what all depths are off by together counts; pair,
    source (S, R) indices of direction and injection electrode; value_uV, variance (S, R); use (S, R) which entries
    count; number (S, R) row numbers."""

    centre_m: FloatArray
    ends_m: FloatArray
    turn: IntArray
    turn_sigma: FloatArray
    lean_axis: FloatArray
    place_sigma: FloatArray
    by_mark: FloatArray
    pair: IntArray
    source: IntArray
    value_uV: FloatArray
    variance: FloatArray
    use: BoolArray
    number: IntArray
    names: tuple[str, ...]

    @property
    def stations(self) -> int:
        return len(self.names)

    @cached_property
    def row_turn(self) -> IntArray:
        """The turn (S, R) of each row."""
        return np.asarray(np.take_along_axis(self.turn, self.pair, axis=1))

    @cached_property
    def row_turn_sigma(self) -> FloatArray:
        """(S, R, 6): how well the turn of each row is known."""
        return np.asarray(np.take_along_axis(self.turn_sigma, self.row_turn[..., None], axis=1))

    @cached_property
    def same_turn(self) -> FloatArray:
        """(S, R, R): 1 where two rows share one turn."""
        turn = self.row_turn
        return np.asarray((turn[:, :, None] == turn[:, None, :]).astype(np.float64))

    @cached_property
    def in_turn(self) -> FloatArray:
        """(S, A, R): 1 where the row belongs to the turn of that direction."""
        return np.asarray((self.turn[:, :, None] == self.row_turn[:, None, :]).astype(np.float64))

    @cached_property
    def leads_turn(self) -> FloatArray:
        """(S, A): 1 for the first direction of each turn, so that each turn counts once."""
        return np.asarray((self.turn == np.arange(self.turn.shape[1])).astype(np.float64))


@dataclass(frozen=True)
class LeadFields:
    """Lead fields of all stations, padded. matrix (S, M, 3, 3), shift (S, M, 3); smooth rest: nodes (S, b, n) for the
    liner's nodes, scanned for its subsampled cells, sources (S, b, P) for the injection electrodes, with slope and bend
    along the three axes (S, b, P, 3)."""

    matrix: FloatArray
    shift: FloatArray
    nodes: FloatArray
    scanned: FloatArray
    sources: FloatArray
    source_slope: FloatArray
    source_bend: FloatArray
    degree: int


@dataclass
class StationData:
    """One station's readings and lead field; grows while rows of that station come in."""

    name: str
    lead_field: LeadField
    scanned: FloatArray
    """Smooth rest (b, n) for the subsampled liner cells."""
    ends_m: list[FloatArray] = field(default_factory=list)
    turns: list[str] = field(default_factory=list)
    """By direction: the turn it was read in."""
    turn_sigma: list[FloatArray] = field(default_factory=list)
    """By direction: how well its turn is known (6,)."""
    depth_sigma: list[float | None] = field(default_factory=list)
    """By row: what a sensor claims; None: read off the pole."""
    pair: list[int] = field(default_factory=list)
    source: list[int] = field(default_factory=list)
    value_uV: list[float] = field(default_factory=list)
    variance: list[float] = field(default_factory=list)
    number: list[int] = field(default_factory=list)


def turn_name(reading: KeptReading, head: Head, direction: int) -> str:
    """Rows with the same word share a turn; without one, all that a rigid array reads at once (a crossed pair: the
    level directions) do, and every other direction is a turn of its own."""
    if reading.turn:
        return reading.turn
    return "" if head == "three-axis" or (head == "crossed" and _level(reading)) else f"direction {direction}"


def _level(reading: KeptReading) -> bool:
    (ax, ay, az), (bx, by, bz) = reading.front_m, reading.back_m
    return abs(bz - az) < math.hypot(bx - ax, by - ay)


def add_reading(
    problem: Problem,
    stations: dict[str, StationData],
    reading: KeptReading,
    lead_fields: dict[tuple[float, ...], LeadField] | None = None,
) -> StationData:
    """Put a reading into its station, learning the lead field if the place is new. `lead_fields` remembers them by
    place."""
    front, back = np.asarray(reading.front_m, dtype=float), np.asarray(reading.back_m, dtype=float)
    # A row without a station's name may have been taken with a pose of its own.
    name = reading.station or f"row {reading.row}"
    data = stations.get(name)
    if data is None:
        centre = 0.5 * (front + back)
        lead_fields = {} if lead_fields is None else lead_fields
        key = tuple(float(v) for v in np.round(centre, 3))
        if key not in lead_fields:
            lead_fields[key] = lead.learn_lead_field(
                problem.pool, problem.rows, problem.targets_m, centre, problem.degree
            )
        lead_field = lead_fields[key]
        nodes = lead_field.coefficient[:, : len(problem.liner.nodes)]
        data = stations[name] = StationData(name, lead_field, (problem.liner.from_nodes @ nodes.T).T)
    axis, sign = _direction(problem, data, reading, front, back)
    data.depth_sigma.append(reading.depth_sigma_m)
    data.pair.append(axis)
    source = problem.placement(reading)
    scale = 1e6 * float(problem.reading_scale[source])
    data.source.append(source)
    data.value_uV.append(sign * scale * reading.value_V)
    data.variance.append((scale * reading.sigma_V) ** 2)
    data.number.append(reading.row)
    return data


def _direction(
    problem: Problem, data: StationData, reading: KeptReading, front: FloatArray, back: FloatArray
) -> tuple[int, float]:
    """Index of the reading's direction at its station, a new one if needed; -1 as sign if front and back are
    exchanged there."""
    head = problem.settings.head
    ends = np.stack([front, back]) - data.lead_field.centre_m
    for axis, one in enumerate(data.ends_m):
        if data.turns[axis] != turn_name(reading, head, axis):
            continue
        if np.allclose(one, ends, atol=2e-3):
            return axis, 1.0
        # A pair turned about by hand is a turn of its own, though it reads the same with the other sign.
        by_itself = data.turns[axis] == f"direction {axis}"
        if not by_itself and np.allclose(one[::-1], ends, atol=2e-3):
            return axis, -1.0
    axis = len(data.ends_m)
    data.ends_m.append(ends)
    data.turns.append(turn_name(reading, head, axis))
    data.turn_sigma.append(turn_sigma(problem, reading))
    return axis, 1.0


def turn_sigma(problem: Problem, reading: KeptReading) -> FloatArray:
    """How well (6,) the reading's turn is known: as people hold a pole, or as a sensor in the head told."""
    sigma = problem.priors.turn.copy()
    if reading.tilt_sigma_deg is not None:
        sigma[3:5] = math.radians(max(reading.tilt_sigma_deg, LEAST_SENSED_DEG))
    if reading.bearing_sigma_deg is not None:
        sigma[5] = math.radians(max(reading.bearing_sigma_deg, LEAST_SENSED_DEG))
    return np.asarray(sigma)


def pack(problem: Problem, stations: Sequence[StationData]) -> tuple[Observations, LeadFields]:
    """Padded arrays of all stations."""
    S = len(stations)
    A = max(len(s.ends_m) for s in stations)
    R = max(len(s.pair) for s in stations)
    ends = np.zeros((S, A, 2, 3))
    ends[:, :, 0, 0] = 0.1
    turn = np.tile(np.arange(A), (S, 1))
    sigma = np.tile(problem.priors.turn, (S, A, 1))
    pair, source = np.zeros((S, R), dtype=np.int64), np.zeros((S, R), dtype=np.int64)
    value, variance = np.zeros((S, R)), np.ones((S, R))
    use, number = np.zeros((S, R), dtype=bool), np.full((S, R), -1, dtype=np.int64)
    for k, s in enumerate(stations):
        ends[k, : len(s.ends_m)] = s.ends_m
        turn[k, : len(s.turns)] = [s.turns.index(name) for name in s.turns]
        # Directions of one turn were read with one hold: its first one speaks for all.
        sigma[k, : len(s.turns)] = [s.turn_sigma[first] for first in turn[k, : len(s.turns)]]
        r = len(s.pair)
        pair[k, :r], source[k, :r], value[k, :r], variance[k, :r] = s.pair, s.source, s.value_uV, s.variance
        use[k, :r], number[k, :r] = True, s.number
    centre = np.array([s.lead_field.centre_m for s in stations])
    names = tuple(s.name for s in stations)
    axes = lean_axes(problem.pool, centre)
    # Where a sensor told the lean it is noted already.
    axes[(sigma[..., 3:5] < problem.priors.turn[3:5]).any((1, 2))] = 0.0
    place = np.array([_place_sigma(problem, s) for s in stations])
    by_mark = np.array([float(None in s.depth_sigma) for s in stations])
    observations = Observations(
        centre, ends, turn, sigma, axes, place, by_mark, pair, source, value, variance, use, number, names
    )
    return observations, stack_lead_fields(problem, stations)


def _place_sigma(problem: Problem, station: StationData) -> FloatArray:
    """How well (3,) the station's place is known: as people put a pole down, its depth perhaps as a sensor told."""
    sigma = problem.priors.place.copy()
    told = [s for s in station.depth_sigma if s is not None]
    if len(told) == len(station.depth_sigma):
        sigma[2] = max(LEAST_SENSED_M, *told)
    return np.asarray(sigma)


def lean_axes(pool: Pool, centre_m: FloatArray) -> FloatArray:
    """Axes (S, 2) of the rotation, right-handed with depth as third axis, that moves a pole's top toward the nearest
    wall."""
    _, edge, part = polygon.nearest_edge(pool.outline, centre_m[:, :2])
    a, b = pool.outline[edge], np.roll(pool.outline, -1, axis=0)[edge]
    toward = a + part[:, None] * (b - a) - centre_m[:, :2]
    toward /= np.maximum(np.linalg.norm(toward, axis=1, keepdims=True), 1e-9)
    return np.column_stack([toward[:, 1], -toward[:, 0]])


def stack_lead_fields(problem: Problem, stations: Sequence[StationData]) -> LeadFields:
    """Pad the stations' images with far-away ones and stack everything."""
    fields = [s.lead_field for s in stations]
    n_nodes, P = len(problem.liner.nodes), len(problem.sources_m)
    most = max(len(f.matrix) for f in fields)
    S = len(fields)
    matrix = np.zeros((S, most, 3, 3))
    shift = np.full((S, most, 3), 1e7)
    for s, one in enumerate(fields):
        matrix[s, : len(one.matrix)] = one.matrix
        shift[s, : len(one.matrix)] = one.shift_m
    coefficient = np.stack([f.coefficient for f in fields])
    sources = coefficient[:, :, n_nodes : n_nodes + P]
    around = coefficient[:, :, n_nodes + P :].reshape(S, -1, P, 3, 2)
    slope, bend = _through_three(problem.stencil_m, around - sources[..., None, None])
    scanned = np.stack([s.scanned for s in stations])
    return LeadFields(matrix, shift, coefficient[:, :, :n_nodes], scanned, sources, slope, bend, fields[0].degree)


def _through_three(offset: FloatArray, rise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slope and second derivative (..., P, 3) at 0 of parabolas through 0 and `rise` (..., P, 3, 2) at `offset`
    (P, 3, 2)."""
    a, b = offset[..., 0], offset[..., 1]
    by_a, by_b = rise[..., 0] / a, rise[..., 1] / b
    half_bend = (by_b - by_a) / (b - a)
    return by_a - half_bend * a, 2 * half_bend
