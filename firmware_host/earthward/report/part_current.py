"""The report's current budget and coverage."""

from __future__ import annotations

from earthward import units
from earthward.report.blocks import (
    Block,
    Figure,
    Heading,
    Paragraph,
)
from earthward.report.charts import INK, SOFT, WARN, IntervalRow, intervals
from earthward.report.plan_figures import coverage_plan
from earthward.report.words import current_budget, milliampere, sentence, water_budget
from earthward.survey.contents import Contents
from earthward.survey.ended import told_ended
from earthward.units import Units


def current(record: Contents) -> list[Block]:
    blocks: list[Block] = [Heading("Current")]
    budget = current_budget(record)
    if budget is None:
        blocks.append(Paragraph("No current budget was worked out for this survey."))
        return blocks
    rows = []
    for item in budget["fittings"]:
        low, high = item["interval_A"]
        rows.append(
            IntervalRow(
                item["name"],
                low * 1e3,
                high * 1e3,
                item["current_A"] * 1e3,
                milliampere(item["current_A"], low, high),
                SOFT,
            )
        )
    for n, item in enumerate((record.location or {}).get("findings", []), start=1):
        low, high = item["current_interval_A"]
        rows.append(
            IntervalRow(
                f"finding {n}",
                low * 1e3,
                high * 1e3,
                item["current_A"] * 1e3,
                milliampere(item["current_A"], low, high),
                WARN,
            )
        )
    low, high = budget["unexplained_interval_A"]
    rows.append(
        IntervalRow(
            "not explained",
            low * 1e3,
            high * 1e3,
            budget["unexplained_A"] * 1e3,
            milliampere(budget["unexplained_A"], low, high),
            INK,
        )
    )
    blocks.append(
        Figure(
            intervals(rows, "milliampere"),
            f"Where the injected {units.current(float(budget['injected_A']))} leave the water, with intervals of 90 %. "
            "All of it must leave somewhere: what neither fittings nor findings explain is shown as not explained.",
            "Current budget",
        )
    )
    if budget.get("text"):
        blocks.append(Paragraph(sentence(str(budget["text"]))))
    return blocks


def coverage(record: Contents, u: Units) -> list[Block]:
    coverage = (record.location or {}).get("coverage") or {}
    blocks: list[Block] = [Heading("Coverage")]
    if not coverage:
        blocks.append(Paragraph("Coverage was not worked out: nothing can be said about liner without findings."))
        return blocks
    if coverage.get("text"):
        blocks.append(Paragraph(sentence(str(coverage["text"]))))
    fittings = () if record.pool is None else record.pool.fittings
    known = [(f.name, f.position_m) for f in fittings if not f.covered]
    ended = told_ended(record.location or {}, known, water_budget(record))
    if ended is not None:
        blocks.append(Paragraph(sentence(ended.text)))
    cells = coverage.get("cells")
    if cells and record.pool is not None:
        drawn = [(c["position_m"], float(c["size_m"]), c.get("detectable_A")) for c in cells]
        classes = [
            (0.1e-3, "#0b5c7a", "0.1 mA or less"), (0.3e-3, "#5d9ab0", "up to 0.3 mA"), (1e-3, "#bcd8e1", "up to 1 mA"),
        ]  # fmt: skip
        blocks.append(
            Figure(
                coverage_plan(record.pool, drawn, classes, u),
                "The largest current into a hole that the kept readings and the balance of currents still allow, with "
                "95 % confidence. The walls are laid down outwards about their feet. Grey: more than 1 mA could hide.",
                "Plan of what could still hide",
                0.85,
            )
        )
    return blocks
