"""Before and after: did covering a fitting, or a patch, change what it should?

Two questions a repair visit asks. How large was a sink's share, by the drop of the injected current when it was
covered? And is the sink gone, by reading the same stations again, with the rest of the current redistributed as charge
conservation demands? Both give a number with its error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from scipy.stats import norm

from earthward.errors import InputError

#: half-width of the 95 % band in standard errors
BAND = 1.96
#: relative error of what the field model says about the sink (its located position is not exact)
MODEL_SHARE = 0.08
#: a rest of the signature that the model of the field cannot tell from none
NEGLIGIBLE = 0.05

Outcome = Literal["gone", "smaller", "still there", "cannot tell"]


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
class StationPair:
    """One pair position before and after a repair, volts per injected ampere (transfer resistance, ohm).

    `sink_ohm`: what the pair would read there per ampere if all of the current went from the injection electrode to
    this sink (the field model at the located position). `strength_ohm`: size of the field at that station, the root of
    the sum of squares of its readings on all axes: a pole turned by some degrees mixes one axis into the other.
    """

    before_ohm: float
    before_sigma_ohm: float
    after_ohm: float
    after_sigma_ohm: float
    sink_ohm: float
    strength_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class RemeasureResult:
    """`left`: the sink's share of the current afterwards over its share before (1 unchanged, 0 gone)."""

    outcome: Outcome
    left: float
    left_sigma: float
    left_interval: tuple[float, float]
    chi_square_per_dof: float | None
    text: str

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "left_interval": list(self.left_interval)}


def judge_remeasure(
    pairs: Sequence[StationPair], share: float, pose_share: float = 0.12, gone_below: float = 0.25
) -> RemeasureResult:
    """Is the sink gone? Needs no model of the fittings: what they do at each station is taken from the first reading.

    With s the sink's share of the current before, F what the rest does at a station and g = `sink_ohm`: before =
    (1 - s) F + s g, after = (1 - l s) F + l s g. F drops out and l, what is left, follows by weighted least squares.
    `pose_share`: error from holding the pole a little differently, relative to the field at the station. *Gone*: the
    95 % interval of l ends below `gone_below` and reaches a negligible rest; *still there*: it holds 1 and stays above
    `gone_below`; *smaller*: neither none nor all of it can be left; else *cannot tell*.
    """
    if not pairs:
        raise InputError("nothing to compare: read at least one of the earlier stations again after the repair")
    if not 0.0 < share < 1.0:
        raise InputError(f"the sink's share of the current must lie between 0 and 1, not {share:g}")
    rows = []
    for p in pairs:
        rest = (p.before_ohm - share * p.sink_ohm) / (1.0 - share)
        slope = share * (p.sink_ohm - rest)
        own = p.after_sigma_ohm**2 + (p.before_sigma_ohm / (1.0 - share)) ** 2
        size = max(abs(p.before_ohm), p.strength_ohm)
        variance = own + 2.0 * (pose_share * size) ** 2 + (MODEL_SHARE * slope) ** 2
        if not variance > 0.0:
            raise InputError("a reading without uncertainty cannot be compared")
        rows.append((p.after_ohm - rest, slope, variance))
    information = sum(g * g / v for _, g, v in rows)
    if information <= 0.0:
        raise InputError("the stations read again do not see this sink: choose stations close to the finding")
    left = sum(d * g / v for d, g, v in rows) / information
    sigma = 1.0 / math.sqrt(information)
    dof = len(rows) - 1
    chi = sum((d - left * g) ** 2 / v for d, g, v in rows) / dof if dof else None
    if chi is not None and chi > 1.0:
        sigma *= math.sqrt(chi)
    low, high = left - BAND * sigma, left + BAND * sigma
    percent = [f"{100 * max(0.0, v):.0f}" for v in (left, low, high)]
    amount = f"{percent[0]} % of the signal is left ({percent[1]} to {percent[2]} %)"
    outcome: Outcome
    if low <= NEGLIGIBLE and high < gone_below:
        outcome, text = "gone", f"The sink is gone: {amount}."
    elif low <= 1.0 <= high and low > gone_below:
        outcome, text = "still there", f"The sink is still there: {amount}."
    elif low > NEGLIGIBLE and high < 1.0:
        outcome, text = "smaller", f"The sink is smaller but not gone: {amount}. A second hole, or a poor patch?"
    elif low >= 1.0:
        outcome, text = "still there", f"The sink is still there: {amount}."
    else:
        outcome = "cannot tell"
        text = f"Cannot tell whether the sink is gone: {amount}. Read more stations within half a metre of it."
    return RemeasureResult(outcome, left, sigma, (low, high), chi, text)
