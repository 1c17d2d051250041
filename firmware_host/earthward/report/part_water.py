"""The report's water budget and level logs."""

from __future__ import annotations

from earthward import units
from earthward.record.visit import LossTest
from earthward.report.blocks import (
    Block,
    Figure,
    Heading,
    Paragraph,
    Table,
)
from earthward.report.charts import ACCENT, INK, SOFT, WARN, IntervalRow, Series, intervals, lines
from earthward.report.words import budget_text, interval_of, last_test, volume, water_budget
from earthward.survey.contents import Contents
from earthward.units import Units
from earthward.water.hole_flow import flow_interval

#: The published formulas by number. Whose they are stands in docs/method-water.md, not on a customer's page.
FORMULAS = {"carrier": 1, "ashrae": 2, "smith-lof-jones": 3, "shah": 4, "penman": 5}
#: Where the ends of an interval are so many times apart, the interval tells a reader nothing: a sentence does.
SAYS_NOTHING = 30.0


def water(record: Contents, u: Units) -> list[Block]:
    blocks: list[Block] = [Heading("Water")]
    if not record.loss_tests:
        blocks.append(Paragraph("The water loss was not measured."))
        return blocks
    rows = []
    for moment, label, colour in (("before", "loss before", WARN), ("after", "loss after", ACCENT)):
        test = last_test(record, moment)
        if test is not None:
            rows.append(_water_row(label, interval_of(test), float(test.result["unclipped_L_per_day"]), u, colour))
    open_flow: list[str] = []
    for f in record.findings:
        if f.confirmed and f.hole_diameter_mm is not None:
            low, high = f.hole_diameter_mm
            flow = flow_interval((low / 1000, high / 1000), max(0.05, f.position_m[2]))
            if flow.high_L_per_day > SAYS_NOTHING * max(flow.low_L_per_day, 1e-9):
                open_flow.append(str(f.number))
                continue
            top = 3.0 * max(r.high for r in rows)
            factor = 1.0 if u == "si" else 1.0 / units.GALLON_L
            rows.append(
                IntervalRow(
                    f"leak {f.number} could pass", flow.low_L_per_day * factor,
                    min(flow.high_L_per_day * factor, top), None,
                    _wide(flow.low_L_per_day * factor, flow.high_L_per_day * factor, u), INK,
                )
            )  # fmt: skip
    blocks.append(
        Figure(
            intervals(rows, "litres per day" if u == "si" else "US gallons per day"),
            "Water budget with 95 % intervals."
            + (
                " What a hole could pass follows from its electrical size and every kind of soil that may lie behind "
                "it; it is cut off at the right where it is wider than the drawing."
                if any(r.label.startswith("leak") for r in rows)
                else ""
            ),
            "Water loss before and after, and what the holes could pass",
        )
    )
    if open_flow:
        blocks.append(
            Paragraph(
                f"How much leak {' and '.join(open_flow)} could pass cannot be told from the current: the soil behind "
                "the liner decides it. The level log after the repair tells."
            )
        )
    budget = water_budget(record)
    if budget is not None:
        blocks.append(Paragraph(f"{budget.verdict.capitalize()}: {budget_text(budget, u)}."))
    for test in record.loss_tests:
        blocks += _level_log(test, u)
    return blocks


def _water_row(label: str, interval: tuple[float, float], value: float, u: Units, colour: str) -> IntervalRow:
    factor = 1.0 if u == "si" else 1.0 / units.GALLON_L
    low, high = max(0.0, interval[0]), max(0.0, interval[1])
    text = f"{units.water_rate(max(0.0, value), u)} ({units.water_interval(low, high, u)})"
    return IntervalRow(label, low * factor, high * factor, max(0.0, value) * factor, text, colour)


def _level_log(test: LossTest, u: Units) -> list[Block]:
    blocks: list[Block] = [
        Heading(f"Level log {test.moment} the repair" if test.moment == "after" else "Level log before the work", 2)
    ]
    result = test.result
    factor, unit_word = (1.0, "mm") if u == "si" else (1.0 / 25.4, "in")
    series = []
    for key, label, colour in (("pool_mm", "pool", ACCENT), ("bucket_mm", "bucket", SOFT)):
        points = [(float(r["t_h"]), float(r[key])) for r in result["levels"] if r[key] is not None]
        if len(points) >= 2:
            first = points[0][1]
            series.append(Series(label, [(t, (v - first) * factor) for t, v in points], colour))
    shaded = [(start, end, "pump on") for start, end in result["pump_on_h"]]
    if series:
        blocks.append(
            Figure(
                lines(series, "hours", f"level change, {unit_word}", shaded),
                "Levels as read. Where pool and bucket part, water is lost that did not evaporate.",
                "Level of pool and bucket against time",
            )
        )

    def level(mm: float | None) -> str:
        if mm is None:
            return "no bucket"
        return f"{mm:.1f} mm" if u == "si" else f"{mm / 25.4:.2f} in"

    by_method = result["evaporation_by_method_mm"].items()
    methods = ", ".join(f"formula {FORMULAS.get(n, n)} {level(v)}" for n, v in by_method) or "no weather logged"
    shares = sorted(result["error_shares"].items(), key=lambda item: -item[1])
    rows = [
        ["pool fell / bucket fell", f"{level(result['pool_drop_mm'])} / {level(result['bucket_drop_mm'])}"],
        ["rain; added less taken", f"{level(result['rain_mm'])}; {volume(result['handled_L'], u)}"],
        ["evaporation by the readings", level(result["evaporation_mm"])],
        ["evaporation by published methods", methods],
        ["pump", result["pump"]["points_at"]],
        ["the interval comes from", ", ".join(f"{n} {100 * s:.0f} %" for n, s in shares if s >= 0.03)],
    ]
    if result["cautions"]:
        rows.append(["to note", "; ".join(result["cautions"])])
    blocks.append(Table(["", ""], rows, "ll", [0.0, 1.0]))
    return blocks


def _wide(low: float, high: float, u: Units) -> str:
    """An interval over decades, in two digits."""

    def say(v: float) -> str:
        return "under 1" if v < 1.0 else f"{float(f'{v:.2g}'):.0f}"

    return f"{say(low)} to {say(high)} {'L' if u == 'si' else 'gal'}/day"
