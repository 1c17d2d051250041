"""Does what was found account for the water that is lost? Explained, not explained, or undetermined.

Two ways to account for it. *By size*: the flow that holes of the confirmed sizes may pass (`hole_flow`), a wide
interval, because the soil decides. *By repair*: the loss measured before minus the loss measured afterwards: it needs
a second level log but no soil. The second is believed over the first when both are there.
"""

from __future__ import annotations

from collections.abc import Sequence

from earthward.record.base import Interval
from earthward.record.finding import WaterBudget, WaterVerdict
from earthward.water.hole_flow import flow_interval


def difference(a: Interval, b: Interval) -> Interval:
    """Interval of a - b for independent a and b, adding half-widths in quadrature about the midpoints."""
    middle = (a[0] + a[1] - b[0] - b[1]) / 2.0
    half = (((a[1] - a[0]) / 2.0) ** 2 + ((b[1] - b[0]) / 2.0) ** 2) ** 0.5
    return middle - half, middle + half


def by_size(loss: Interval, holes: Sequence[Interval], allowance_L_per_day: float = 0.0) -> WaterBudget:
    """`loss`: interval of the measured leak; `holes`: flow interval of every confirmed hole.

    Ends add up, because the holes share one soil and so are not independent. *Not explained*: even the high end of
    the holes stays below the low end of the loss. *Explained*: even their low end reaches the high end of the loss, but
    for the allowance (what a level log cannot see). Everything between is undetermined.
    """
    _check(loss, *holes)
    explained = (sum(h[0] for h in holes), sum(h[1] for h in holes))
    rest = (loss[0] - explained[1], loss[1] - explained[0])
    if not holes:
        verdict: WaterVerdict = "not explained" if loss[0] > 0.0 else "undetermined"
        text = (
            "no hole is confirmed, so nothing accounts for the loss"
            if loss[0] > 0.0
            else "no hole is confirmed and no loss is proven"
        )
        return WaterBudget(loss=loss, explained=(0.0, 0.0), unexplained=rest, verdict=verdict, by="nothing", text=text)
    if rest[0] > 0.0:
        verdict = "not explained"
        text = (
            f"at least {rest[0]:.0f} L/day go elsewhere: there is another leak, or it is in the plumbing, which "
            "this method does not see"
        )
    elif rest[1] <= allowance_L_per_day:
        verdict, text = "explained", "the confirmed holes account for the measured loss"
    else:
        verdict = "undetermined"
        text = (
            "the confirmed holes can account for the loss, but the soil behind the liner leaves their flow open; a "
            "level log after the repair decides"
        )
    return WaterBudget(loss=loss, explained=explained, unexplained=rest, verdict=verdict, by="size", text=text)


def by_repair(before: Interval, after: Interval, allowance_L_per_day: float) -> WaterBudget:
    """Level logs before and after the repair. The remaining loss is what nothing explained.

    *Explained*: the remaining loss is below the allowance even at its high end. *Not explained*: it is above zero even
    at its low end. Else undetermined (the second log was too short or too uncertain).
    """
    _check(before, after)
    explained = difference(before, after)
    if after[0] > 0.0:
        verdict: WaterVerdict = "not explained"
        text = f"after the repair the pool still loses at least {after[0]:.0f} L/day: there is another leak"
    elif after[1] <= allowance_L_per_day:
        verdict = "explained"
        text = f"after the repair no loss above {after[1]:.0f} L/day remains: what was repaired accounts for it"
    else:
        verdict = "undetermined"
        text = (
            f"after the repair the loss is at most {after[1]:.0f} L/day; log the level for longer to bring that "
            f"below {allowance_L_per_day:.0f} L/day"
        )
    return WaterBudget(loss=before, explained=explained, unexplained=after, verdict=verdict, by="repair", text=text)


def of_visit(
    before: Interval | None,
    after: Interval | None,
    holes: Sequence[tuple[Interval, float]],
    *,
    repaired: bool,
    allowance_L_per_day: float,
) -> WaterBudget | None:
    """The budget that a visit can give: by repair if it has a log from after one, else by the size of the holes.

    `before`, `after`: intervals of the measured leak, L/day; `holes`: (diameter interval in m, head in m) of every hole
    confirmed with dye. None without a log from before.
    """
    if before is None:
        return None
    if after is not None and repaired:
        return by_repair(before, after, allowance_L_per_day)
    flows = [flow_interval(diameter_m, max(0.05, head_m)) for diameter_m, head_m in holes]
    return by_size(before, [(f.low_L_per_day, f.high_L_per_day) for f in flows], allowance_L_per_day)


def _check(*intervals: Interval) -> None:
    for low, high in intervals:
        if not low <= high:
            raise ValueError(f"interval ({low}, {high}) is upside down")
