"""Before and after: did covering a fitting, or a patch, change what it should?

Two questions a repair visit asks. How large was a sink's share, by the drop of the injected current when it was
covered? And is the sink gone, by reading the same stations again (`earthward.inversion.again` works out what is left)?
Both give a number with its error.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

from earthward.errors import InputError

#: half-width of the 95 % band in standard errors
BAND = 1.96
#: a rest of the sink that the model of the field cannot tell from none
NEGLIGIBLE = 0.05
#: readings that fit worse than this say that something unknown takes current
LEAST_FIT_P = 1e-4

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
    p = 0.5 * math.erfc(drop / (sigma_A * math.sqrt(2.0))) if sigma_A > 0 else (0.0 if drop > 0 else 1.0)
    low, high = max(drop - 1.645 * sigma_A, 0.0), max(drop + 1.645 * sigma_A, 0.0)
    fraction = drop / before_A
    sigma = math.hypot(after_sigma / before_A, after * before_sigma_A / before_A**2)
    if p < 0.01:
        text = f"the injected current fell by {100 * fraction:.1f} % ({1e3 * low:.2f} to {1e3 * high:.2f} mA)"
    else:
        text = "the injected current did not fall by more than its error"
    return Drop(fraction, sigma, drop, (low, high), p, text)


@dataclass(frozen=True, slots=True)
class RemeasureResult:
    """`left`: the sink's share of the current afterwards over its share before (1 unchanged, 0 gone)."""

    outcome: Outcome
    left: float
    left_sigma: float
    left_interval: tuple[float, float]
    fit_p: float | None
    text: str

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "left_interval": list(self.left_interval)}


def judge_remeasure(
    left: float, sigma: float, fit_p: float | None = None, gone_below: float = 0.25, negligible: float = NEGLIGIBLE
) -> RemeasureResult:
    """Is the sink gone? `left`, `sigma`: its share of the current afterwards over that before, with standard error;
    `fit_p`: how probable so large a misfit is if fittings and this sink were all there is.

    *Gone*: the 95 % interval ends below `gone_below` and reaches a negligible rest; *still there*: it holds 1 and stays
    above `gone_below`; *smaller*: neither none nor all of it can be left; else *cannot tell*.
    """
    if not sigma > 0.0 or not math.isfinite(left):
        raise InputError("the stations read again do not see this sink: choose stations close to the finding")
    low, high = left - BAND * sigma, left + BAND * sigma
    percent = [f"{100 * max(0.0, v):.{1 if high < 0.1 else 0}f}" for v in (left, low, high)]
    amount = f"{percent[0]} % of its current is left ({percent[1]} to {percent[2]} %)"
    outcome: Outcome
    if fit_p is not None and fit_p < LEAST_FIT_P:
        outcome = "cannot tell"
        text = (
            "Cannot tell whether the sink is gone: the readings fit neither the known fittings alone nor together with "
            "it. Was a fitting covered or moved, or is there another sink?"
        )
    elif low <= negligible and high < gone_below:
        outcome, text = "gone", f"The sink is gone: {amount}."
    elif high >= 1.0 and low > gone_below:
        outcome, text = "still there", f"The sink is still there: {amount}."
    elif low > negligible and high < 1.0:
        outcome, text = "smaller", f"The sink is smaller but not gone: {amount}. A second hole, or a poor patch?"
    else:
        outcome = "cannot tell"
        text = f"Cannot tell whether the sink is gone: {amount}. Read more stations within half a metre of it."
    return RemeasureResult(outcome, left, sigma, (low, high), fit_p, text)
