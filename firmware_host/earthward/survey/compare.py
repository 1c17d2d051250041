"""Before and after: did covering a fitting, or a patch, change what it should?

Two questions a repair visit asks. How large was a sink's share, by the drop of the injected current when it was
covered? And is the sink gone, by reading the same stations again? Both give a number with an error and a p value.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from earthward.survey.types import KeptReading


@dataclass(frozen=True, slots=True)
class Drop:
    """Fall of the injected current: fraction with standard error, and the current it stands for."""

    fraction: float
    sigma: float
    current_A: float
    interval_A: tuple[float, float]
    p_value: float
    """Probability of such a fall if nothing had changed."""
    text: str


def current_drop(
    before_A: float, after_A: float, before_sigma_A: float, after_sigma_A: float, voltage_ratio: float = 1.0
) -> Drop:
    """What covering or patching took away, at equal source voltage (`voltage_ratio` = after / before otherwise).

    All sinks are in parallel on nearly the same water voltage, so closing one takes its own current away; the water
    rises a little and the others take a little more, which makes the drop a lower bound of the share.
    """
    if not (before_A > 0 and after_A >= 0 and before_sigma_A >= 0 and after_sigma_A >= 0 and voltage_ratio > 0):
        raise ValueError("currents and voltage ratio must be positive, errors not negative")
    after, after_sigma = after_A / voltage_ratio, after_sigma_A / voltage_ratio
    drop = before_A - after
    sigma_A = math.hypot(before_sigma_A, after_sigma)
    p = float(norm.sf(drop / sigma_A)) if sigma_A > 0 else (0.0 if drop > 0 else 1.0)
    low, high = max(drop - 1.645 * sigma_A, 0.0), max(drop + 1.645 * sigma_A, 0.0)
    fraction = drop / before_A
    sigma = math.hypot(after_sigma / before_A, after * before_sigma_A / before_A**2)
    if p < 0.01:
        text = f"the injected current fell by {100 * fraction:.1f} % ({1e3 * low:.2f} to {1e3 * high:.2f} mA)"
    else:
        text = "the injected current did not fall by more than its error"
    return Drop(fraction, sigma, drop, (low, high), p, text)


@dataclass(frozen=True, slots=True)
class Gone:
    """Is the sink gone? remaining: fitted fraction of the expected change still missing (0 = gone, 1 = unchanged)."""

    remaining: float
    sigma: float
    p_unchanged: float
    """Probability of these readings if the sink were as strong as before."""
    p_gone: float
    """Probability of these readings if the sink were gone altogether."""
    matched: int
    text: str


def sink_gone(
    before: Sequence[KeptReading],
    after: Sequence[KeptReading],
    signature_V: Sequence[float],
    *,
    repeat_error: float = 0.15,
    scale: float = 1.0,
) -> Gone:
    """Compare the same stations before and after a patch.

    `signature_V`: for each reading of `before`, the volts that the sink alone contributed (from the fitted model, or
    the reading itself beside a strong sink). `repeat_error`: how well a reading repeats when the pole is put back,
    as a fraction of its change over the pole's position error (default 15 % of the larger of reading and
    signature). `scale`: injected current after / before. Readings pair up by place (within 0.15 m), direction and
    source. ValueError if none pair up.
    """
    values = []
    for r, s in zip(before, signature_V, strict=True):
        partner = next((q for q in after if _same(r, q)), None)
        if partner is not None:
            spread = repeat_error * max(abs(r.value_V), abs(s))
            values.append((r.value_V - partner.value_V / scale, s, math.hypot(r.sigma_V, partner.sigma_V, spread)))
    if not values:
        raise ValueError("no reading after the repair was taken at a station read before it")
    change, signature, sigma = (np.array(v) for v in zip(*values, strict=True))
    information = float(((signature / sigma) ** 2).sum())
    if information <= 0:
        raise ValueError("the stations read again are too far from the sink to tell")
    removed = float((change * signature / sigma**2).sum()) / information
    error = 1 / math.sqrt(information)
    remaining = 1 - removed
    p_unchanged = float(norm.sf(removed / error))
    p_gone = float(norm.sf(remaining / error))
    if error > 0.5:
        text = "cannot tell, because the stations read again are too far from the sink or too few"
    elif p_unchanged < 0.01 and p_gone > 0.05:
        text = "the sink is gone as far as these stations can tell"
    elif p_unchanged < 0.01:
        text = f"the sink is weaker but not gone: {100 * max(remaining, 0):.0f} % is left"
    else:
        text = "the sink is still there"
    return Gone(remaining, error, p_unchanged, p_gone, len(values), text)


def _same(a: KeptReading, b: KeptReading) -> bool:
    if a.source_id != b.source_id:
        return False
    fa, ba, fb, bb = (np.array(p) for p in (a.front_m, a.back_m, b.front_m, b.back_m))
    if float(np.linalg.norm(0.5 * (fa + ba - fb - bb))) > 0.15:
        return False
    u, v = fa - ba, fb - bb
    cosine = float(u @ v) / max(float(np.linalg.norm(u) * np.linalg.norm(v)), 1e-12)
    return cosine > math.cos(math.radians(20))
