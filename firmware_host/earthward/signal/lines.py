"""What is known of the mains lines: their long averages, how far they wander, and what turns with their phase."""

from __future__ import annotations

import math

import numpy as np

from earthward.signal.types import FloatArray

#: Wander of a steady mains line from one window to the next, relative: never believed to be less.
STEADY = 0.003


class LineMemory:
    """The mains lines carried as columns, (family, harmonic), and their Kalman-filtered amplitudes."""

    def __init__(self) -> None:
        self.lines: list[tuple[int, int]] = []
        self.mean: FloatArray = np.zeros(0)
        self.covariance: FloatArray = np.zeros((0, 0))
        self.excess: FloatArray = np.zeros(0)  # measured wander variance per line, window to window
        self.windows = 0

    def set_lines(self, lines: list[tuple[int, int]]) -> None:
        """Carry on with these lines; what was known of those that stay is kept."""
        old = {line: j for j, line in enumerate(self.lines)}
        n = 2 * len(lines)
        mean, covariance, excess = np.zeros(n), np.zeros((n, n)), np.zeros(len(lines))
        source = [(2 * old[line] + c if line in old else -1) for line in lines for c in (0, 1)]
        kept = [j for j, k in enumerate(source) if k >= 0]
        from_old = [source[j] for j in kept]
        mean[kept] = self.mean[from_old]
        covariance[np.ix_(kept, kept)] = self.covariance[np.ix_(from_old, from_old)]
        for j, k in enumerate(source):
            if k < 0:
                covariance[j, j] = 1.0
            elif j % 2 == 0:
                excess[j // 2] = self.excess[k // 2]
        self.lines, self.mean, self.covariance, self.excess = list(lines), mean, covariance, excess

    def level(self, family: int) -> float:
        """Amplitude of the family's strongest line, volts."""
        mean = self.mean.tolist()
        sizes = [math.hypot(*mean[2 * j : 2 * j + 2]) for j, (f, _) in enumerate(self.lines) if f == family]
        return max(sizes, default=0.0)

    def prior_covariance(self) -> FloatArray:
        power = self.mean[0::2] ** 2 + self.mean[1::2] ** 2
        wander = np.repeat(np.maximum(STEADY**2 * power, self.excess), 2)
        return self.covariance + np.diag(wander + 1e-18)

    def learn(self, information: FloatArray, vector: FloatArray) -> None:
        """Take in one window: information matrix (1/V^2) and information vector of its lines alone."""
        prior = self.prior_covariance()
        innovation = vector - information @ self.mean
        posterior = np.linalg.solve(np.eye(prior.shape[0]) + prior @ information, prior)
        if self.windows > 0:
            # How far this window alone lies from the average, beyond what its own noise explains.
            own = np.maximum(np.diag(information), 1e-30)
            apart = innovation / own
            pairs = (apart**2 - 1.0 / own - np.diag(self.covariance)).reshape(-1, 2).sum(axis=1) / 2
            self.excess = np.maximum(0.75 * self.excess + 0.25 * pairs, 0.0)
        self.mean = self.mean + posterior @ innovation
        self.covariance = 0.5 * (posterior + posterior.T)
        self.windows += 1

    def gone(self) -> list[tuple[int, int]]:
        """Lines that have sunk into their own uncertainty."""
        power = self.mean[0::2] ** 2 + self.mean[1::2] ** 2
        sunk = power < 4.0 * (np.diag(self.covariance)[0::2] + self.excess)
        return [line for line, down in zip(self.lines, sunk.tolist(), strict=True) if down]

    def turns(self, families: int) -> FloatArray:
        """(2 lines, families): derivative of each family's sum with respect to its fundamental's phase, volts."""
        out = np.zeros((2 * len(self.lines), families))
        for j, (f, k) in enumerate(self.lines):
            out[2 * j, f] = k * self.mean[2 * j + 1]
            out[2 * j + 1, f] = -k * self.mean[2 * j]
        return out


def ladders(lines: list[tuple[int, int]]) -> list[tuple[slice, list[int], slice]]:
    """Families (neighbours with the same harmonics together), their harmonics, and where among the lines they stand."""
    out: list[tuple[slice, list[int], slice]] = []
    for family in sorted({f for f, _ in lines}):
        numbers = [k for f, k in lines if f == family]
        if out and out[-1][0].stop == family and out[-1][1] == numbers:
            families, _, place = out[-1]
            out[-1] = slice(families.start, family + 1), numbers, slice(place.start, place.stop + len(numbers))
        else:
            start = out[-1][2].stop if out else 0
            out.append((slice(family, family + 1), numbers, slice(start, start + len(numbers))))
    return out
