"""Who takes the injected current, with intervals that hold 90 %."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from earthward.inversion.decision import COUNT_PRIOR, Answer
from earthward.inversion.lead import FloatArray
from earthward.inversion.prepare import Problem
from earthward.inversion.regions import Leak, candidate_weights
from earthward.record.finding import CurrentBudget, FittingShare


def mixture_interval(
    weight: FloatArray, mean: FloatArray, sigma: FloatArray, probability: float = 0.9
) -> tuple[float, float, float]:
    """Mean and central interval of a mixture of normals cut at zero. weight, mean, sigma (n,)."""
    keep = weight > 1e-3 * weight.max()
    w, m, s = weight[keep] / weight[keep].sum(), mean[keep], np.maximum(sigma[keep], 1e-9)
    low, high = 0.0, float(np.max(m + 6 * s))
    if high <= 0:
        return 0.0, 0.0, float(max(np.max(m + 2 * s), 0.0))
    grid = np.linspace(low, high, 501)
    base = ndtr(-m / s)
    cdf = ((ndtr((grid[:, None] - m) / s) - base) / np.maximum(1 - base, 1e-12)) @ w
    tail = (1 - probability) / 2
    lo = float(np.interp(tail, cdf, grid))
    hi = float(np.interp(1 - tail, cdf, grid))
    middle = float(np.sum(0.5 * (grid[1:] + grid[:-1]) * np.diff(cdf)))
    return middle, lo, hi


def _scale(problem: Problem, current_mA: FloatArray) -> FloatArray:
    """What brings the sum of all sinks' present currents (n, P, K) to the injected current."""
    now_mA = current_mA[:, : problem.now]
    return np.asarray(problem.injected_now_mA / np.maximum(now_mA.sum(2).mean(1), 1e-9))


def leak_current(problem: Problem, leak: Leak, answer: Answer | None = None) -> tuple[float, float, float]:
    """A leak's current in ampere: mean and 90 % interval over the places it may be. With the `answer` it is from, also
    over whether there is one more beside it, too doubtful to declare, that takes part of what it stands for."""
    c = leak.search.candidates
    scale = _scale(problem, c.state.current_mA)
    w, m, s = candidate_weights(leak), c.q_mA * scale, c.q_sigma_mA * scale
    doubt = None if answer is None or not answer.leaks else answer.doubtful
    if answer is not None and doubt is not None and any(one is leak for one in answer.leaks):
        sink = len(problem.fittings) + next(k for k, one in enumerate(answer.leaks) if one is leak)
        more = doubt.search.candidates
        scale = _scale(problem, more.state.current_mA)
        share = _p_more(answer, doubt)
        w = np.append(w / w.sum() * (1.0 - share), candidate_weights(doubt) / candidate_weights(doubt).sum() * share)
        m = np.append(m, more.state.current_mA[:, : problem.now, sink].mean(1) * scale)
        s = np.append(s, more.sigma_mA[:, sink] * scale)
    mean, low, high = mixture_interval(w, m, np.hypot(s, 0.01 * m))
    return mean * 1e-3, low * 1e-3, high * 1e-3


def _p_more(answer: Answer, doubt: Leak) -> float:
    """Probability that the doubtful leak is there, by evidence and prior alone. What a further leak must earn beyond
    that guards against naming one falsely; here the question is what the others take."""
    count = len(answer.leaks)
    odds = math.exp(min(doubt.log_evidence, 50.0)) * COUNT_PRIOR[min(count + 1, 3)] / COUNT_PRIOR[min(count, 3)]
    return odds / (1.0 + odds)


def _fitting_shares(problem: Problem, answer: Answer, p_none: float) -> list[FittingShare]:
    """Mixtures over all places the leak may be; a doubtful leak counts with its probability."""
    last = answer.leaks[-1] if answer.leaks else answer.doubtful
    alone_mA = answer.solved.current_mA.mean(0) * _scale(problem, answer.solved.state.current_mA)[0]
    alone_sigma = answer.solved.current_sigma_mA * _scale(problem, answer.solved.state.current_mA)[0]
    shares = []
    for j, sink in enumerate(problem.fittings):
        if problem.covered_now(sink):
            continue
        if last is None:
            w, m, s = np.ones(1), alone_mA[[j]], alone_sigma[[j]]
        else:
            c, plain = last.search.candidates, 0.0 if answer.leaks else p_none
            scale = _scale(problem, c.state.current_mA)
            w = np.append(candidate_weights(last) * (1 - plain), plain)
            m = np.append(c.state.current_mA[:, : problem.now, j].mean(1) * scale, alone_mA[j])
            s = np.append(c.sigma_mA[:, j] * scale, alone_sigma[j])
        mean, low, high = mixture_interval(w, m, np.hypot(s, 0.01 * m))
        shares.append(FittingShare(name=sink.name, current_A=mean * 1e-3, interval_A=(low * 1e-3, high * 1e-3)))
    return shares


def _unexplained_mA(problem: Problem, answer: Answer, counts: dict[str, float]) -> tuple[float, float]:
    """90 % interval of what a leak too doubtful to declare may take."""
    injected, doubt = problem.injected_now_mA, answer.doubtful
    if doubt is None:
        return 0.0, 0.02 * injected
    c = doubt.search.candidates
    p_here = counts[str(len(answer.leaks))]
    p_more = sum(v for name, v in counts.items() if int(name) > len(answer.leaks))
    share = p_more / max(p_here + p_more, 1e-12)
    scale = _scale(problem, c.state.current_mA)
    w = np.append(candidate_weights(doubt) * share, 1.0 - share)
    _, low, high = mixture_interval(w, np.append(c.q_mA * scale, 0.0), np.append(c.q_sigma_mA * scale, 0.01 * injected))
    return low, high


def make_budget(problem: Problem, answer: Answer, counts: dict[str, float]) -> CurrentBudget:
    """Shares scaled so that the whole is the injected current."""
    injected_A = problem.injected_now_mA * 1e-3
    shares = _fitting_shares(problem, answer, counts["0"])
    found_A, lo_A, hi_A = np.sum([leak_current(problem, leak, answer) for leak in answer.leaks] or [(0.0,) * 3], axis=0)
    low, high = _unexplained_mA(problem, answer, counts)
    fittings_A = sum(s.current_A for s in shares)
    unexplained = max(injected_A - fittings_A - float(found_A), 0.0)
    interval = (min(low * 1e-3, unexplained), max(high * 1e-3, unexplained))
    text = (
        f"of {1e3 * injected_A:.1f} mA injected, known fittings take {1e3 * fittings_A:.1f} mA, "
        f"findings {1e3 * found_A:.2f} mA; not explained: {1e3 * interval[0]:.2f} to {1e3 * interval[1]:.2f} mA"
    )
    return CurrentBudget(
        injected_A=injected_A,
        fittings=tuple(shares),
        findings_A=float(found_A),
        findings_interval_A=(float(lo_A), float(hi_A)),
        unexplained_A=unexplained,
        unexplained_interval_A=interval,
        text=text,
    )
