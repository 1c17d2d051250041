"""What a level log comes to: the leak's rate, the verdict on it and the sentences that say so."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Verdict = Literal["leak", "no evidence", "cannot tell"]

#: one-sided test for the word "leak": 0.8 % of tight pools with a perfect model
LEAK_Z = 2.4
INTERVAL_Z = 1.96
#: a leak worth finding if nothing else is said, mm of level per day
WORTH_MM_PER_DAY = 2.0


@dataclass(frozen=True, slots=True)
class Rate:
    """A leak rate with its standard error and 95 % interval, litres per day. The interval is not cut at zero."""

    value_L_per_day: float
    sigma_L_per_day: float

    @property
    def interval_L_per_day(self) -> tuple[float, float]:
        half = INTERVAL_Z * self.sigma_L_per_day
        return self.value_L_per_day - half, self.value_L_per_day + half


@dataclass(frozen=True, slots=True)
class LossResult:
    """What the log says. `leak` is the average over the log; rates may come out below zero within their error."""

    leak: Rate
    verdict: Verdict
    text: str
    hours: float
    more_hours: float | None
    worth_L_per_day: float
    pump_on: Rate | None
    pump_off: Rate | None
    pump_difference: Rate | None
    points_at: str
    pool_drop_mm: float
    bucket_drop_mm: float | None
    rain_mm: float
    handled_L: float
    evaporation_mm: float
    evaporation_by_method_mm: dict[str, float]
    evaporation_factor: float
    error_shares: dict[str, float]
    chi_square_per_dof: float | None
    cautions: tuple[str, ...] = field(default=())


def points_at(on: Rate, off: Rate, difference: Rate) -> str:
    """Which part of the pool the two pump states point at."""
    z = difference.value_L_per_day / difference.sigma_L_per_day
    off_leaks = off.value_L_per_day > LEAK_Z * off.sigma_L_per_day
    on_leaks = on.value_L_per_day > LEAK_Z * on.sigma_L_per_day
    if z > LEAK_Z:
        return "loses more with the pump on: points at the pressure side of the plumbing" + (
            ", and at the shell (or a line below the water) for the part lost with the pump off" if off_leaks else ""
        )
    if z < -LEAK_Z:
        return "loses more with the pump off: points at the suction side of the plumbing"
    if on_leaks or off_leaks:
        return (
            "loses about the same with the pump on and off: points at the shell, a fitting, or a line under static head"
        )
    return "no difference between pump on and off can be told"


def verdict_of(result: LossResult, area_m2: float, more: float | None) -> tuple[Verdict, str]:
    """The verdict and its sentence. `more`: so many more hours would decide it, None = unknown or too many."""
    leak, worth, hours = result.leak, result.worth_L_per_day, result.hours
    low, high = leak.interval_L_per_day
    value = max(0.0, leak.value_L_per_day)
    size = f"{value:.0f} L/day ({max(0.0, low):.0f} to {max(0.0, high):.0f}; {value / area_m2:.1f} mm/day)"
    if leak.value_L_per_day > LEAK_Z * leak.sigma_L_per_day:
        return "leak", f"The pool loses {size} more than the weather explains."
    if high <= worth:
        return (
            "no evidence",
            f"No evidence of a leak: in {hours:.0f} h the unexplained loss is {size}, below the {worth:.0f} L/day "
            "that this test was asked to find.",
        )
    if more:
        return (
            "cannot tell",
            f"Cannot tell yet: unexplained loss {size}. About {more:.0f} more hours of the same log would decide "
            f"whether {worth:.0f} L/day are lost.",
        )
    hint = (
        "choose calmer, more humid days, shelter both surfaces alike or cover the pool"
        if result.bucket_drop_mm is not None
        else "put a bucket on the step and read both levels"
    )
    return (
        "cannot tell",
        f"Cannot tell: unexplained loss {size}, and more hours alone will not decide whether {worth:.0f} L/day are "
        f"lost; {hint}.",
    )
