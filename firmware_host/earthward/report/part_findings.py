"""The report's findings, their history, and the current before and after."""

from __future__ import annotations

import math

from earthward import units
from earthward.report.blocks import (
    Block,
    Heading,
    NewPage,
    Paragraph,
    Table,
)
from earthward.report.plan_sheet import marks_of
from earthward.report.words import found_at, when, when_head
from earthward.survey.contents import Contents
from earthward.units import Units


def findings(record: Contents, u: Units) -> list[Block]:
    blocks: list[Block] = [NewPage(), Heading("Findings, for the technician")]
    if not record.findings:
        blocks.append(Paragraph("None."))
        return blocks
    marks = marks_of(record.pool) if record.pool is not None else []
    head = [
        "No.",
        *[f"from {name}" for name, _ in marks],
        "depth",
        "90 % within",
        "current",
        "hole, from the current",
        "stage",
    ]
    rows = []
    for f in record.findings:
        taped = [units.length(math.dist(p, f.position_m[:2]), u) for _, p in marks]
        low_high = f.current_interval_A
        rows.append(
            [
                str(f.number),
                *taped,
                units.length(f.position_m[2], u),
                "" if f.radius_m is None else units.length(f.radius_m, u),
                ""
                if f.current_A is None
                else units.current(f.current_A) + (f" ({units.current_interval(*low_high)})" if low_high else ""),
                "" if f.hole_diameter_mm is None else units.small_interval(*f.hole_diameter_mm, u),
                f.stage,
            ]
        )
    blocks.append(
        Table(
            head,
            rows,
            "r" + "r" * len(marks) + "rrrrl",
            caption="Tape distances are level, from the marks on the plan; depth is below the water surface.",
        )
    )
    for f in record.findings:
        title = f"Leak {f.number}" if f.confirmed else f"Place {f.number}"
        words = found_at(record, f, u)
        blocks.append(Heading(f"{title}: {words}" if words else title, 2))
        blocks.append(
            Table(
                [when_head(record), "stage", "remark"],
                [[when(record, h.time_s), h.stage, h.note] for h in f.history],
                "lll",
                [0.0, 0.0, 1.0],
            )
        )
    if record.current_steps:
        blocks.append(Heading("Injected current before and after", 2))
        rows = []
        for s in record.current_steps:
            low, high = (max(0.0, v) for v in s.share_interval)
            rows.append(
                [
                    when(record, s.time_s), f"{s.kind}: {s.subject}",
                    f"{s.before_A * 1e3:.3f} mA", f"{s.after_A * 1e3:.3f} mA",
                    f"{low * s.before_A * 1e3:.3f} to {high * s.before_A * 1e3:.3f} mA",
                    f"{100 * low:.1f} to {100 * high:.1f} %",
                ]
            )  # fmt: skip
        blocks.append(
            Table(
                [when_head(record), "what was done", "before", "after", "it took (95 %)", "share"],
                rows,
                "llrrrr",
                [0, 1, 0, 0, 0, 0],
                caption="What it took follows from current and output voltage together: with a sink gone the voltage "
                "rises, and the rest takes more.",
            )
        )
    return blocks
