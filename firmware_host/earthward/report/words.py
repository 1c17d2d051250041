"""Words and figures that several parts of the report share."""

from __future__ import annotations

import math
from datetime import datetime, timedelta, timezone
from typing import Any

from earthward import units
from earthward.pool.place_words import place_in_words
from earthward.record.finding import Finding, WaterBudget
from earthward.record.visit import LossTest
from earthward.report.plan_sheet import marks_of
from earthward.survey.contents import Contents
from earthward.survey.levels import visit_water_budget
from earthward.units import Units


def last_test(record: Contents, moment: str) -> LossTest | None:
    tests = [t for t in record.loss_tests if t.moment == moment]
    return tests[-1] if tests else None


def interval_of(test: LossTest) -> tuple[float, float]:
    low, high = test.result["interval_L_per_day"]
    return float(low), float(high)


def budget_text(budget: WaterBudget, u: Units) -> str:
    if u == "si":
        return budget.text
    rest = units.water_interval(max(0.0, budget.unexplained[0]), max(0.0, budget.unexplained[1]), u)
    return {
        "explained": f"what was repaired accounts for the loss; left over: {rest}",
        "not explained": f"there is another leak, in the liner or in the plumbing; left over: {rest}",
        "undetermined": f"a longer level log is needed; left over: {rest}",
    }[budget.verdict]


def sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def count(n: int, word: str) -> str:
    numbers = ["no", "one", "two", "three", "four", "five", "six"]
    return f"{numbers[n] if n < len(numbers) else n} {word}{'' if n == 1 else 's'}"


def stations(record: Contents) -> int:
    return len({r.station for r in record.readings if r.purpose == "survey"})


def found_at(record: Contents, f: Finding, u: Units) -> str:
    """The place in words. Those that the instrument made itself are said in the reader's units, a person's are kept."""
    pool = record.pool
    if pool is None or u == "si" or f.text != place_in_words(pool, f.position_m):
        return f.text
    return place_in_words(pool, f.position_m, lambda m: units.length(m, u))


def place_of(record: Contents, f: Finding, u: Units) -> str:
    """In the instrument's own words (the tape distances stand on the plan and in the table: two measures of one place
    in one sentence differ in their last digit), else by tape beside what a person wrote."""
    words = found_at(record, f, u)
    if words and record.pool is not None and f.text == place_in_words(record.pool, f.position_m):
        return words
    taped = ""
    if record.pool is not None:
        taped = " and ".join(
            f"{units.length(math.dist(p, f.position_m[:2]), u)} from {name}" for name, p in marks_of(record.pool)
        )
        taped += f", {units.length(f.position_m[2], u)} deep"
    return f"{words}; {taped}" if words and taped else words or taped


def pool_text(record: Contents, u: Units) -> str:
    pool = record.pool
    if pool is None:
        return "no usable pool description"
    x0, y0, x1, y1 = pool.bounds_m
    return (
        f"{pool.shape}, {units.length(x1 - x0, u)} by {units.length(y1 - y0, u)}, up to "
        f"{units.length(pool.greatest_depth_m, u)} deep"
    )


def zone(record: Contents) -> timezone:
    """Where the survey was begun: its offset from UTC is in the record; an earlier file has none (UTC then)."""
    return timezone(timedelta(seconds=float(record.meta.get("utc_offset_s") or 0.0)))


def when_head(record: Contents) -> str:
    """The head of a column of times: which clock they are by."""
    if record.meta.get("utc_offset_s") is None:
        return "when (UTC)"
    return f"when ({zone(record).tzname(None)})"


def when(record: Contents, time_s: float) -> str:
    return datetime.fromtimestamp(time_s, zone(record)).strftime("%Y-%m-%d %H:%M")


def volume(litres: float, u: Units) -> str:
    return f"{litres:+.0f} L" if u == "si" else f"{litres / units.GALLON_L:+.0f} gal"


def milliampere(value: float, low: float, high: float) -> str:
    return f"{value * 1e3:.2f} mA ({low * 1e3:.2f} to {high * 1e3:.2f})"


def current_budget(record: Contents) -> dict[str, Any] | None:
    budget = (record.location or {}).get("budget")
    return dict(budget) if budget and budget.get("injected_A") else None


def latest_checks(record: Contents) -> list[Any]:
    latest = {c.name: c for c in record.safety_checks}
    return list(latest.values())


def water_budget(record: Contents) -> WaterBudget | None:
    """By repair if the loss was measured before and after, else by the size of the confirmed holes."""
    return visit_water_budget(record.loss_tests, record.findings)
