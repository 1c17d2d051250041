"""Which moment of the host's clock is a tick of the source board's clock, and how sure is that.

The two clocks differ by up to 0.5 % (ceramic resonator) and wander with temperature. Each ping gives one
triple: when it was sent, when its answer had come back, and the board's tick at reception. The tick lies
somewhere between the two host times, so a ping with a short round trip says much and a late one little.

How a map is made: the pings of a sliding window are ranked by how much longer their round trip was than the
window's best; a least-median-of-squares line through the short ones starts the fit (a plain robust fit is
pulled off by a fifth of late pings), and a weighted line through all that agree with it ends it.

What is published is not that line itself but a chain of straight pieces: each new fit bends the map so that
it meets the new line a little in the future. So mapped times never jump and never run backwards.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from earthward.errors import InputError
from earthward.signal.types import FloatArray, PhaseReference

#: the largest rate error a ceramic resonator of the board is allowed, with margin
MAX_RATE_ERROR = 0.006
#: a fit needs so many pings before anybody may use the map
MIN_PINGS = 8
#: how fast the rate of the board's clock may drift, relative per second (temperature of a resonator in the
#: sun: about 10 ppm/K and 0.05 K/s; own estimate, no source). Only used to let the error grow with age.
DRIFT_PER_S = 5e-7


@dataclass(frozen=True, slots=True)
class Line:
    """tick = tick_0 + rate_Hz * (host - host_0_s), with the standard errors of the fit."""

    tick_0: float
    host_0_s: float
    rate_Hz: float
    offset_sigma_s: float
    centre_s: float
    rate_sigma: float  # relative

    def host_s(self, tick: float) -> float:
        return self.host_0_s + (tick - self.tick_0) / self.rate_Hz

    def sigma_s(self, at_s: float) -> float:
        return math.hypot(self.offset_sigma_s, self.rate_sigma * (at_s - self.centre_s))


class ClockMap:
    """Host time of a board tick. Not thread-safe: its owner locks.

    Args:
        nominal_Hz: tick rate the board claims.
        window_s: pings older than this are forgotten.
        request_wire_s, reply_wire_s: how long the ping and its answer take on the wire; known from their
            length and the baud rate, so it need not be counted as unknown asymmetry.
        meet_s: how far ahead a new fit and the published map meet.
    """

    def __init__(
        self,
        nominal_Hz: float,
        *,
        window_s: float = 24.0,
        request_wire_s: float = 0.0,
        reply_wire_s: float = 0.0,
        meet_s: float = 2.0,
    ) -> None:
        if not nominal_Hz > 0:
            raise InputError(f"The board's tick rate is {nominal_Hz} Hz; it must be positive: check its firmware.")
        self.nominal_Hz = float(nominal_Hz)
        self.window_s = window_s
        self.meet_s = meet_s
        self._request_wire_s = request_wire_s
        self._reply_wire_s = reply_wire_s
        self.reset()

    def reset(self) -> None:
        """Forget everything: after a restart of the board its ticks begin anew."""
        self._pings: deque[tuple[float, float, float]] = deque()  # host midpoint, excess-free width, tick
        self._line: Line | None = None
        # published pieces: start tick, host time there, seconds per tick
        self._starts: list[float] = []
        self._pieces: list[tuple[float, float, float]] = []
        self._since_fit = 0
        self._asked_tick = -math.inf
        self._last_good_s = -math.inf
        self._best_width_s = math.inf
        self.pings = 0
        self.used_fraction = 0.0

    # ---- feeding ------------------------------------------------------------------------------------------

    def add_ping(self, sent_s: float, received_s: float, tick: int) -> None:
        """One answered ping; `tick` is the board's clock when it had received the request."""
        earliest = sent_s + self._request_wire_s
        latest = received_s - self._reply_wire_s
        width = latest - earliest
        if width < 0:
            # Faster than the wire: the stated wire times are pessimistic here; keep the middle.
            earliest = latest = (earliest + latest) / 2
            width = 0.0
        self._add((earliest + latest) / 2, width, float(tick))

    def add_edge(self, at_s: float, tick: float, sigma_s: float = 20e-6) -> None:
        """A sync edge seen on a pin at host time `at_s` that the board made at `tick`."""
        self._add(at_s, 2 * sigma_s, tick)

    def add_period_edge(self, at_s: float, cycle_tick: int, period_ticks: int) -> bool:
        """A sync edge of *some* period start. Used only if the map already tells which one; True if used."""
        if not self.ready or self.error_s(at_s) * self.nominal_Hz > 0.1 * period_ticks:
            return False
        periods = round((self.tick_at(at_s) - cycle_tick) / period_ticks)
        self.add_edge(at_s, cycle_tick + periods * period_ticks)
        return True

    def _add(self, middle_s: float, width_s: float, tick: float) -> None:
        if self._pings and (tick <= self._pings[-1][2] or middle_s <= self._pings[-1][0] - 1.0):
            if tick < self._pings[-1][2] - self.nominal_Hz:
                self.reset()  # the board's clock went back by more than a second: it restarted
            elif tick <= self._pings[-1][2]:
                return  # answers that overtook each other: the newer one is already in
        self._pings.append((middle_s, width_s, tick))
        self.pings += 1
        while self._pings[-1][0] - self._pings[0][0] > self.window_s or len(self._pings) > 400:
            self._pings.popleft()
        self._since_fit += 1
        if len(self._pings) >= MIN_PINGS and (self._since_fit >= 4 or len(self._pings) < 40):
            self._fit()

    # ---- the fit ------------------------------------------------------------------------------------------

    def _fit(self) -> None:
        self._since_fit = 0
        data = np.array(self._pings)
        host_0, tick_0 = float(data[-1, 0]), float(data[-1, 2])
        host = data[:, 0] - host_0
        tick = (data[:, 2] - tick_0) / self.nominal_Hz  # board seconds
        width = data[:, 1]
        best = float(width.min())
        excess = width - best
        # The short half carries the information.
        limit = max(float(np.sort(excess)[host.size // 2 - 1]), 0.2e-3)
        short = excess <= limit
        start = _least_median_line(tick[short], host[short])
        residual = np.abs(host - start[0] - start[1] * tick)
        scale = max(1.48 * float(np.median(residual[short])), 30e-6)
        keep = residual <= np.maximum(4 * scale, 0.0) + excess / 2
        keep &= excess <= max(4 * limit, 1e-3)
        sigma = 40e-6 + scale + excess / 2
        weight = np.where(keep, 1.0 / sigma**2, 0.0) * np.exp(host / (0.5 * self.window_s))
        offset, slope, centre = 0.0, 1.0, 0.0
        for _ in range(2):
            total = weight.sum()
            centre = float((weight * tick).sum() / total)
            middle = float((weight * host).sum() / total)
            spread = float((weight * (tick - centre) ** 2).sum())
            slope = float((weight * (tick - centre) * (host - middle)).sum() / spread) if spread > 0 else 1.0
            slope = min(max(slope, 1 - MAX_RATE_ERROR), 1 + MAX_RATE_ERROR)
            offset = middle - slope * centre
            residual = host - offset - slope * tick
            # bisquare: what disagrees by more than 5 sigma says nothing
            u = np.clip(np.abs(residual) / (5 * sigma), 0, 1)
            weight = weight * (1 - u**2) ** 2
            if not weight.sum() > 0:
                return
        total = float(weight.sum())
        centre = float((weight * tick).sum() / total)
        spread = float((weight * (tick - centre) ** 2).sum())
        # effective number of pings and their scatter
        number = total**2 / float((weight**2).sum())
        variance = float((weight * residual**2).sum() / total)
        mean_variance = variance / max(number - 2, 1.0)
        rate_sigma = math.sqrt(mean_variance * total / spread) if spread > 0 else MAX_RATE_ERROR
        # Of the best round trip beyond the wire nobody knows which way took it: uniform over its half.
        asymmetry = best / 2 / math.sqrt(3)
        # A straight line lags behind a clock whose rate drifts.
        lag = 0.5 * DRIFT_PER_S * (0.3 * self.window_s) ** 2
        self._line = Line(
            tick_0=tick_0,
            host_0_s=host_0 + offset,
            rate_Hz=self.nominal_Hz / slope,
            offset_sigma_s=math.hypot(math.sqrt(mean_variance), asymmetry, lag, 10e-6),
            centre_s=host_0 + offset + slope * centre,
            rate_sigma=min(math.hypot(rate_sigma, DRIFT_PER_S), MAX_RATE_ERROR),
        )
        self.used_fraction = float(np.count_nonzero(weight > 0)) / host.size
        used = np.nonzero(weight > 0)[0]
        self._last_good_s = float(data[used[-1], 0])
        self._best_width_s = best
        self._publish(tick_0)

    def _publish(self, tick_now: float) -> None:
        line = self._line
        assert line is not None
        if not self._pieces:
            self._append(tick_now, line.host_s(tick_now), 1.0 / line.rate_Hz)
            return
        # The ping's tick is the past for whoever asked since: bend only behind the newest tick that was asked
        # for (a tick of the far future may be asked for, but does not hold the map up).
        bend = max(tick_now, min(self._asked_tick, tick_now + 0.5 * self.nominal_Hz))
        while self._starts and self._starts[-1] > bend:
            self._starts.pop()
            self._pieces.pop()
        here = self._published(bend)
        # Small corrections are spread out, large ones (the first seconds) are made soon.
        wrong = abs(line.host_s(bend) - here)
        meet_s = min(max(self.meet_s * 50e-6 / max(wrong, 1e-9), 0.1), self.meet_s)
        meet = bend + meet_s * line.rate_Hz
        # A bend never makes time crawl, whatever the fit says.
        there = max(line.host_s(meet), here + 0.5 * meet_s)
        self._append(bend, here, (there - here) / (meet - bend))
        self._append(meet, there, 1.0 / line.rate_Hz)
        if len(self._starts) > 256:
            del self._starts[:128], self._pieces[:128]

    def _append(self, start: float, host: float, seconds_per_tick: float) -> None:
        if self._starts and start <= self._starts[-1]:
            self._starts.pop()
            self._pieces.pop()
        self._starts.append(start)
        self._pieces.append((start, host, seconds_per_tick))

    def _published(self, tick: float) -> float:
        start, host, slope = self._pieces[max(0, bisect_right(self._starts, tick) - 1)]
        return host + (tick - start) * slope

    # ---- asking -------------------------------------------------------------------------------------------

    @property
    def ready(self) -> bool:
        """True once enough pings agree."""
        return self._line is not None

    def host_time(self, tick: float) -> float:
        """Host seconds of a board tick. Raises InputError while the map is not ready."""
        if not self._pieces:
            raise InputError("The board's clock is not known yet: wait for its first answers.")
        self._asked_tick = max(self._asked_tick, tick)
        return self._published(tick)

    def tick_at(self, host_s: float) -> float:
        """Board tick at a host time (inverse of `host_time`)."""
        if not self._pieces:
            raise InputError("The board's clock is not known yet: wait for its first answers.")
        hosts = [piece[1] for piece in self._pieces]
        start, host, slope = self._pieces[max(0, bisect_right(hosts, host_s) - 1)]
        return start + (host_s - host) / slope

    def error_s(self, now_s: float) -> float:
        """Standard error of a mapped time at `now_s`, grown with the age of the map. inf while not ready."""
        if self._line is None:
            return math.inf
        age = max(0.0, self.age_s(now_s))
        return self._line.sigma_s(now_s) + 0.5 * DRIFT_PER_S * age**2 + 1e-6 * age

    def age_s(self, now_s: float) -> float:
        """Seconds since the newest ping that the map believes. inf while there is none."""
        return now_s - self._last_good_s

    @property
    def rate_offset(self) -> float | None:
        """Relative error of the board's tick rate against the host's clock (positive: board runs fast)."""
        return None if self._line is None else self._line.rate_Hz / self.nominal_Hz - 1.0

    @property
    def rate_sigma(self) -> float | None:
        """Relative standard error of the rate."""
        return None if self._line is None else self._line.rate_sigma

    @property
    def best_round_trip_s(self) -> float | None:
        """Shortest round trip in the window, wire time taken out."""
        return None if not math.isfinite(self._best_width_s) else self._best_width_s

    def phase_reference(self, cycle_tick: int, period_ticks: int, now_s: float) -> PhaseReference | None:
        """What the detector needs, from telemetry's newest period start. None while the map is not ready."""
        if self._line is None or period_ticks <= 0:
            return None
        # The newest period start not after now: close to the readings, so that the rate's error hardly counts.
        periods = math.floor((self.tick_at(now_s) - cycle_tick) / period_ticks)
        return PhaseReference(
            start_s=self.host_time(cycle_tick + periods * period_ticks),
            frequency_Hz=self._line.rate_Hz / period_ticks,
            sigma_s=self.error_s(now_s),
            frequency_sigma=self._line.rate_sigma,
        )


def _least_median_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Line (offset, slope) with the least median of squared residuals over lines through pairs of points.

    Rousseeuw, "Least median of squares regression", 1984: stands up to half of the points being wrong. Pairs are
    chosen far apart and the slope is held within what a resonator can do. x is in board seconds.
    """
    first, second = _pairs(x.size)
    apart = x[second] - x[first]
    first, second, apart = first[apart > 0], second[apart > 0], apart[apart > 0]
    b = (y[second] - y[first]) / apart
    possible = np.abs(b - 1.0) <= MAX_RATE_ERROR
    if not possible.any():
        return float(np.median(y - x)), 1.0
    b, first = b[possible], first[possible]
    a = y[first] - b * x[first]
    medians = np.median(np.abs(y[None, :] - a[:, None] - b[:, None] * x[None, :]), axis=1)
    k = int(np.argmin(medians))
    return float(a[k]), float(b[k])


@lru_cache(maxsize=256)
def _pairs(count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and second of some pairs of so many points, at least a third of them apart."""
    few = range(0, count, max(1, count // 12))
    pairs = [(i, j) for i, j in itertools.combinations(few, 2) if j - i >= count // 3]
    return np.array([i for i, _ in pairs], dtype=np.int64), np.array([j for _, j in pairs], dtype=np.int64)
