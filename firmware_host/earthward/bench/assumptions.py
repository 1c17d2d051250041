"""Which assumption do the data contradict? The model with every error in it that it claims, fitted to kept readings.

The sinks' places are known (a tub's hole, a test leak, leaks that dye has shown, fittings). Free are the current of
each sink, the source's strength, and a voltage that all readings share; every place and direction may be wrong by as
much as the search believes. Then each assumption has its own trace:

- noise colour: successive windows of a recording differ by more than their standard errors say;
- pose: what places and directions must be off by is more than believed (chi-square per degree of freedom);
- common mode: a voltage that follows the source but knows no place;
- current balance: the sinks take less (or more) than the source gives.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from earthward.errors import InputError
from earthward.inversion.types import LocateSettings
from earthward.pool.field import Field
from earthward.record.base import Point
from earthward.record.reading import KeptReading
from earthward.signal.types import FloatArray

ROUNDS = 5
STEP_m = 1e-3
FEWEST_READINGS = 12
#: so many standard errors, and so much, before an assumption is called wrong (own choice, tried on invented worlds)
SURE = 4.0
POSE_CHI2 = 1.6
BALANCE = 0.08
COMMON_V = 3e-6
NOISE_CHI2 = (0.25, 2.5)
FEWEST_WINDOWS = 20
#: median of the square of a normal variable
MEDIAN_SQUARE = 0.4549364


@dataclass(frozen=True, slots=True)
class Trace:
    """What the data say of one assumption. excess: how far beyond its limit, 1 = at it."""

    name: str
    ok: bool | None
    excess: float
    text: str


class Noise(NamedTuple):
    """Steps between windows of a recording, squared, over what their standard errors say; from how many. moved: the
    recording is of a visit, in which a pole is moved more often than it is still."""

    chi2: float
    steps: int
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Fitted:
    """The model beside the readings: predicted_V (n,); chi2: per degree of freedom; kinds: rms of each kind of error
    over what is believed; source: strength over told; balance: taken over given, with its standard error."""

    predicted_V: FloatArray
    chi2: float
    freedom: int
    kinds: dict[str, float]
    source: float
    balance: float
    balance_sigma: float
    common_V: float
    common_sigma_V: float


@dataclass(frozen=True, slots=True)
class World:
    traces: tuple[Trace, ...]
    fitted: Fitted | None

    @property
    def wrong(self) -> str:
        """The assumption that the data contradict most; empty: none."""
        broken = [t for t in self.traces if t.ok is False]
        return max(broken, key=lambda t: t.excess).name if broken else ""


# ---- noise ---------------------------------------------------------------------------------------------------------


def noise_chi2(windows: Sequence[tuple[float, float, float]], window_s: float, moved: bool = False) -> Noise:
    """From (t_s, value_V, sigma_V) of successive readings: how much their steps exceed their standard errors, and from
    how many steps. The middle of all steps counts, so that a pole that moves now and then does no harm."""
    chosen: list[tuple[float, float, float]] = []
    for one in sorted(windows):
        if not chosen or one[0] - chosen[-1][0] >= 0.999 * window_s:
            chosen.append(one)
    # A window is left out between two: neighbours share what the supply's tracker thinks.
    squares = [
        (b[1] - a[1]) ** 2 / (a[2] ** 2 + b[2] ** 2)
        for a, b in zip(chosen, chosen[2:], strict=False)
        if b[0] - a[0] < 4 * window_s
    ]
    if not squares:
        return Noise(math.nan, 0, moved)
    return Noise(float(np.median(squares)) / MEDIAN_SQUARE, len(squares), moved)


def noise_trace(noise: Noise) -> Trace:
    chi2, count, moved = noise
    if count < FEWEST_WINDOWS:
        return Trace("noise colour", None, 0.0, f"{count} steps between windows are too few: bundle a recording of a "
                     "minute with the source on and the pole still")  # fmt: skip
    slack = 1.0 + SURE / math.sqrt(count)
    low, high = NOISE_CHI2[0] / slack, NOISE_CHI2[1] * slack
    excess = max(chi2 / high, low / max(chi2, 1e-9))
    said = f"steps between windows are {math.sqrt(chi2):.2f} times what their standard errors say ({count} steps)"
    if chi2 > high:
        if moved:
            return Trace("noise colour", None, 0.0, f"{said}, in a visit, where the pole was moved: bundle a recording "
                         "of a minute with the source on and the pole still")  # fmt: skip
        said += "; noise that rides on the signal or lies beside its lines, or a pole that was not still"
    return Trace("noise colour", excess <= 1.0, excess, said)


# ---- the survey ----------------------------------------------------------------------------------------------------


class _Model:
    """Readings as rows; parameters as one vector: sinks' currents, source, common voltage, then every error."""

    def __init__(
        self, field: Field, readings: Sequence[KeptReading], sinks_m: Sequence[Point], sinks_sigma_m: Sequence[float],
        settings: LocateSettings,
    ) -> None:  # fmt: skip
        self.field, self.settings = field, settings
        pool = field.pool
        self.rho = pool.resistivity_ohm_m
        self.value = np.array([r.value_V for r in readings])
        self.sigma = np.array([r.sigma_V for r in readings])
        ids = [s.source_id for s in pool.sources]
        self.source = np.array([ids.index(r.source_id) for r in readings])
        told = np.array([s.current_A or 0.0 for s in pool.sources])
        self.injected = np.array([told[k] if r.injected_A is None else r.injected_A
                                  for k, r in zip(self.source, readings, strict=True)])  # fmt: skip
        ends = np.array([[r.front_m, r.back_m] for r in readings], dtype=float)
        names = [r.station or f"row {k}" for k, r in enumerate(readings)]
        arms = [tuple(np.round(ends[k, 0] - ends[k, 1], 3)) for k in range(len(readings))]
        turns = [(n, r.turn or str(a)) for n, a, r in zip(names, arms, readings, strict=True)]
        self.station = _index(names)
        self.turn = _index(turns)
        self.middle = ends.mean(axis=1)
        self.half = 0.5 * (ends[:, 0] - ends[:, 1])
        self.targets = np.array([*(s.position_m for s in pool.sources), *sinks_m], dtype=float)
        self.sources, self.sinks = len(ids), len(sinks_m)
        s, deg = settings, math.pi / 180
        shift = s.shift_sigma_m if s.head == "single" else 0.0
        stations, count = int(self.station.max()) + 1, int(self.turn.max()) + 1
        self.blocks: dict[str, tuple[int, FloatArray]] = {}
        priors: list[FloatArray] = []
        at = self.sinks + 2
        for name, sigma in (
            ("place", np.tile([s.position_sigma_m, s.position_sigma_m, s.depth_sigma_m], stations)),
            ("depth mark", np.array([s.depth_offset_sigma_m])),
            ("hand shift", np.full(3 * count, max(shift, 1e-4))),
            ("bearing and tilt", np.tile([s.tilt_sigma_deg * deg, s.tilt_sigma_deg * deg, s.bearing_sigma_deg * deg],
                                         count)),
            ("electrodes", np.tile([s.electrode_sigma_m, s.electrode_sigma_m, s.electrode_depth_sigma_m],
                                   self.sources)),
            ("sinks' places", np.repeat(np.maximum(np.asarray(sinks_sigma_m, dtype=float), 1e-4), 3)),
        ):  # fmt: skip
            self.blocks[name] = (at, sigma)
            priors.append(sigma)
            at += len(sigma)
        self.prior = np.concatenate(priors)
        self.size = at

    def _ends(self, p: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Middle and half arm of each reading with its errors."""
        place = self._part(p, "place").reshape(-1, 3)[self.station].copy()
        place[:, 2] += self._part(p, "depth mark")[0]
        place += self._part(p, "hand shift").reshape(-1, 3)[self.turn]
        turned = self.half + np.cross(self._part(p, "bearing and tilt").reshape(-1, 3)[self.turn], self.half)
        turned *= (np.linalg.norm(self.half, axis=1) / np.linalg.norm(turned, axis=1))[:, None]
        return self.middle + place, turned

    def _part(self, p: FloatArray, name: str) -> FloatArray:
        start, sigma = self.blocks[name]
        return p[start : start + len(sigma)]

    def _inside(self, points: FloatArray) -> FloatArray:
        """Kept in the water: a field outside of it means nothing."""
        x0, y0, x1, y1 = self.field.pool.bounds_m
        out = np.clip(points, [x0 + 0.01, y0 + 0.01, 0.01], [x1 - 0.01, y1 - 0.01, np.inf])
        deep = self.field.pool.depth_at(out[..., 0], out[..., 1])
        out[..., 2] = np.minimum(out[..., 2], deep - 0.01)
        return np.asarray(out)

    def _columns(self, ends: FloatArray, targets: FloatArray) -> FloatArray:
        """(n, targets): rho (G_back - G_front) of a unit source at each target."""
        points = self._inside(ends).reshape(-1, 3)
        out = np.empty((len(self.value), len(targets)))
        for k, target in enumerate(targets):
            front, back = self.field.potential(points, target).reshape(-1, 2).T
            out[:, k] = self.rho * (back - front)
        return out

    def targets_at(self, p: FloatArray) -> FloatArray:
        moved = self.targets.copy()
        moved[: self.sources] += self._part(p, "electrodes").reshape(-1, 3)
        moved[self.sources :] += self._part(p, "sinks' places").reshape(-1, 3)
        moved[: self.sources] = self._inside(moved[: self.sources])
        x0, y0, x1, y1 = self.field.pool.bounds_m
        moved[self.sources :, 0] = np.clip(moved[self.sources :, 0], x0, x1)
        moved[self.sources :, 1] = np.clip(moved[self.sources :, 1], y0, y1)
        deep = self.field.pool.depth_at(moved[self.sources :, 0], moved[self.sources :, 1])
        moved[self.sources :, 2] = np.clip(moved[self.sources :, 2], 0.0, deep)
        return moved

    def _weights(self, p: FloatArray) -> FloatArray:
        """(n, targets): amperes of each target in each reading: shares of the injected current."""
        out = np.zeros((len(self.value), len(self.targets)))
        out[np.arange(len(self.value)), self.source] = p[self.sinks] * self.injected
        out[:, self.sources :] = -p[: self.sinks] * self.injected[:, None]
        return out

    def predict(self, p: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Volts (n,), their slopes (n, parameters), and the rms of what each target gives (n,)."""
        middle, half = self._ends(p)
        ends = np.stack([middle + half, middle - half], axis=1)
        targets = self.targets_at(p)
        columns, weight = self._columns(ends, targets), self._weights(p)
        parts = columns * weight
        relative = self.injected / self.injected.mean()
        slope = np.zeros((len(self.value), self.size))
        slope[:, : self.sinks] = -columns[:, self.sources :] * self.injected[:, None]
        slope[:, self.sinks] = columns[np.arange(len(self.value)), self.source] * self.injected
        slope[:, self.sinks + 1] = relative
        self._pose_slopes(slope, ends, half, targets, weight)
        self._target_slopes(slope, ends, targets, columns, weight)
        value = parts.sum(axis=1) + p[self.sinks + 1] * relative
        return value, slope, np.sqrt((parts**2).sum(axis=1))

    def _pose_slopes(
        self, slope: FloatArray, ends: FloatArray, half: FloatArray, targets: FloatArray, weight: FloatArray
    ) -> None:
        rows = np.arange(len(self.value))
        by_end = np.zeros((len(self.value), 2, 3))
        for axis in range(3):
            for end in range(2):
                step = np.zeros((2, 3))
                step[end, axis] = STEP_m
                rise = self._columns(ends + step, targets) - self._columns(ends - step, targets)
                by_end[:, end, axis] = (rise * weight).sum(axis=1) / (2 * STEP_m)
        moved = by_end.sum(axis=1)
        turned = np.cross(half, by_end[:, 0] - by_end[:, 1])
        slope[:, self.blocks["depth mark"][0]] = moved[:, 2]
        for axis in range(3):
            slope[rows, self.blocks["place"][0] + 3 * self.station + axis] = moved[:, axis]
            slope[rows, self.blocks["hand shift"][0] + 3 * self.turn + axis] = moved[:, axis]
            slope[rows, self.blocks["bearing and tilt"][0] + 3 * self.turn + axis] = turned[:, axis]

    def _target_slopes(
        self, slope: FloatArray, ends: FloatArray, targets: FloatArray, columns: FloatArray, weight: FloatArray
    ) -> None:
        starts = [self.blocks["electrodes"][0] + 3 * k for k in range(self.sources)]
        starts += [self.blocks["sinks' places"][0] + 3 * k for k in range(self.sinks)]
        centre = np.array([*np.mean(self.field.pool.outline, axis=0), 0.5 * self.field.pool.floor.greatest_depth_m])
        for k, start in enumerate(starts):
            for axis in range(3):
                # Towards the middle of the water, where there is field on that side.
                step = 5 * STEP_m * (1.0 if centre[axis] > targets[k, axis] else -1.0)
                shifted = targets[k].copy()
                shifted[axis] += step
                slope[:, start + axis] = (
                    (self._columns(ends, shifted[None])[:, 0] - columns[:, k]) * weight[:, k] / step
                )


def _index(names: Sequence[object]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    known = {name: k for k, name in enumerate(dict.fromkeys(names))}
    return np.array([known[name] for name in names], dtype=np.int64)


def fit_world(
    field: Field,
    readings: Sequence[KeptReading],
    sinks_m: Sequence[Point],
    settings: LocateSettings,
    sinks_sigma_m: Sequence[float] | None = None,
    noise_factor: float = 1.0,
) -> Fitted:
    """InputError for too few readings or no known sink."""
    if len(readings) < FEWEST_READINGS:
        raise InputError(f"{len(readings)} readings are too few to tell assumptions apart: {FEWEST_READINGS} at least")
    if not sinks_m:
        raise InputError("no sink is known: give the truth, or fittings and findings in the survey")
    model = _Model(field, readings, sinks_m, sinks_sigma_m or [0.02] * len(sinks_m), settings)
    p = np.zeros(model.size)
    p[: model.sinks] = 1.0 / model.sinks
    p[model.sinks] = 1.0
    free = model.sinks + 2
    solved = covariance = residual = np.zeros(0)
    sigma = model.sigma
    for _ in range(ROUNDS):
        value, slope, parts = model.predict(p)
        sigma = np.sqrt((noise_factor * model.sigma) ** 2 + (settings.model_error * parts) ** 2
                        + settings.noise_floor_V**2)  # fmt: skip
        table = np.vstack([slope / sigma[:, None], np.zeros((len(model.prior), model.size))])
        table[len(sigma) :, free:] = np.diag(1.0 / model.prior)
        right = np.concatenate([(model.value - value + slope @ p) / sigma, np.zeros(len(model.prior))])
        solved, *_ = np.linalg.lstsq(table, right, rcond=None)
        covariance = np.linalg.pinv(table.T @ table)
        # Not farther at once than errors are believed to be: the field is only straight near by.
        step = solved - p
        step[free:] = np.clip(step[free:], -2 * model.prior, 2 * model.prior)
        p = p + step
    value, _, _ = model.predict(p)
    residual = (model.value - value) / sigma
    squares = float(residual @ residual) + float(((p[free:] / model.prior) ** 2).sum())
    freedom = max(1, len(residual) - free)
    chi2 = squares / freedom
    kinds = {
        name: float(np.sqrt(np.mean((p[start : start + len(s)] / s) ** 2))) for name, (start, s) in model.blocks.items()
    }
    taken, given = float(p[: model.sinks].sum()), float(p[model.sinks])
    weights = np.concatenate([np.full(model.sinks, 1 / given), [-taken / given**2]])
    widen = math.sqrt(max(1.0, chi2))
    balance_sigma = float(np.sqrt(weights @ covariance[: model.sinks + 1, : model.sinks + 1] @ weights)) * widen
    at = model.sinks + 1
    return Fitted(value, chi2, freedom, kinds, given, taken / given, balance_sigma, float(p[at]),
                  float(np.sqrt(covariance[at, at])) * widen)  # fmt: skip


def survey_traces(fitted: Fitted) -> list[Trace]:
    """Pose, common mode and current balance, by their own traces in the fit."""
    limit = POSE_CHI2 * (1.0 + SURE * math.sqrt(2.0 / fitted.freedom) / 2)
    worst = max((k for k in fitted.kinds if k != "sinks' places"), key=lambda k: fitted.kinds[k])
    pose = Trace("pose", fitted.chi2 <= limit, fitted.chi2 / limit,
                 f"places and directions are {math.sqrt(fitted.chi2):.2f} times as far off as is believed"
                 + (f", most of all: {worst}" if fitted.chi2 > limit else ""))  # fmt: skip
    z = abs(fitted.common_V) / max(fitted.common_sigma_V, 1e-12)
    excess = min(z / SURE, abs(fitted.common_V) / COMMON_V)
    common = Trace("common mode", excess <= 1.0, excess,
                   f"all readings share {1e6 * fitted.common_V:+.1f} +- {1e6 * fitted.common_sigma_V:.1f} uV that "
                   "knows no place")  # fmt: skip
    off = abs(fitted.balance - 1.0)
    excess = min(off / max(fitted.balance_sigma, 1e-9) / SURE, off / BALANCE)
    balance = Trace("current balance", excess <= 1.0, excess,
                    f"the known sinks take {100 * fitted.balance:.0f} +- {100 * fitted.balance_sigma:.0f} % of what "
                    f"the source gives; the source is {fitted.source:.2f} times what was told")  # fmt: skip
    return [pose, common, balance]


def judge_world(
    field: Field,
    readings: Sequence[KeptReading],
    sinks_m: Sequence[Point],
    settings: LocateSettings,
    noise: Noise,
    sinks_sigma_m: Sequence[float] | None = None,
) -> World:
    """All four. noise: as `noise_chi2` gives it; above one it widens the readings' errors before poses are judged."""
    heard = noise_trace(noise)
    factor = math.sqrt(max(1.0, noise.chi2)) if heard.ok is False else 1.0
    fitted = fit_world(field, readings, sinks_m, replace(settings), sinks_sigma_m, factor)
    return World((heard, *survey_traces(fitted)), fitted)
