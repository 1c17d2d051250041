"""The report's safety checks, readings, notes, pictures and alarms."""

from __future__ import annotations

import math

from msgspec import structs

from earthward import units
from earthward.record.reading import NONE_COVERED, KeptReading
from earthward.report.blocks import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    Picture,
    Table,
)
from earthward.report.words import when, when_head
from earthward.survey.contents import Contents
from earthward.units import Units

#: What the table of readings has columns for, and what only exports show (the detector's statistics, numbers).
_SHOWN = {
    "front_m", "back_m", "value_V", "sigma_V", "station", "source_id", "injected_A", "flags", "note", "row", "purpose",
    "turn", "finding", "settings_id", "channel", "time_s", "uid", "withdrawn_s", "withdrawn_why",
    "covered", "quadrature_V", "snr", "p_sign", "window_s", "lost_fraction",
}  # fmt: skip


def safety(record: Contents) -> list[Block]:
    blocks: list[Block] = [Heading("Safety checks")]
    if not record.safety_checks:
        blocks.append(Paragraph("No safety check is in this record.", "caution"))
    else:
        rows = []
        for c in record.safety_checks:
            value = "" if c.value is None else f"{float(f'{c.value:.3g}'):g} {c.unit}"
            limit = "" if c.limit_value is None else f"{c.limit_value:g} {c.unit}"
            rows.append([when(record, c.time_s), c.name, value, limit, "passed" if c.ok else "FAILED", c.text])
        blocks.append(
            Table([when_head(record), "check", "value", "limit", "", "remark"], rows, "llrrll", [0, 1.2, 0, 0, 0, 1])
        )
    blocks.append(
        Paragraph(
            "A low reading is never proof of safety; limits for stray voltage are this project's own choice.", "small"
        )
    )
    blocks.append(Heading("Test leak", 2))
    if not record.sensitivity_tests:
        blocks.append(Paragraph("No test leak was read: that nothing was seen proves nothing.", "caution"))
    for p in record.sensitivity_tests:
        blocks.append(Paragraph(f"{when(record, p.time_s)}. {p.result.get('text', 'passed' if p.ok else 'failed')}"))
    return blocks


def readings(record: Contents, u: Units) -> list[Block]:
    blocks: list[Block] = [Heading("Readings")]
    if record.damaged:
        # A file of a disk that failed: what is missing here must not look as if it had never been.
        blocks.append(Paragraph("Rows of the survey file could not be read and are left out.", "caution"))
        blocks.append(Bullets(list(record.damaged)))
    if not record.readings:
        return [*blocks, Paragraph("None.")]
    several = len({r.source_id for r in record.readings}) > 1
    blocks.append(
        Paragraph(
            "One line per pose of the pole: up to three readings in µV, each with the bearing of the front electrode "
            "seen from the back one (0° along the length, 90° across). Above zero: current flows from back towards "
            "front. ± is one standard error of the detector, without the errors of holding the pole."
            + (" A, B: which injection electrode was on." if several else ""),
            "small",
        )
    )
    for purpose, title in (("survey", ""), ("re-measure", "After the repair"), ("test leak", "At the test leak")):
        rows = _pose_rows([r for r in record.readings if r.purpose == purpose], u, several)
        if rows:
            if title:
                blocks.append(Heading(title, 2))
            head = ["no.", "station", "x, y, depth", "injected", "first", "second", "third", "remark"]
            blocks.append(Table(head, rows, "lllrrrrl", [0.0] * (len(head) - 1) + [1.0], small=True))
    if record.withdrawn:
        rows = [[str(r.row), r.station, r.withdrawn_why] for r in record.withdrawn]
        blocks.append(Heading("Taken back", 2))
        blocks.append(Table(["no.", "station", "why"], rows, "rll", [0.0, 0.0, 1.0], small=True))
    return blocks


def _pose_rows(kept: list[KeptReading], u: Units, several: bool) -> list[list[str]]:
    """Consecutive readings of one station share a line for each placement, three at most."""
    groups: list[list[KeptReading]] = []
    for station in _runs(kept):
        for source in sorted({r.source_id for r in station}):
            own = [r for r in station if r.source_id == source]
            groups += [own[k : k + 3] for k in range(0, len(own), 3)]
    rows = []
    for group in groups:
        first = group[0]
        middle = [(a + b) / 2 for a, b in zip(first.front_m, first.back_m, strict=True)]
        number = _numbers([r.row for r in group])
        remarks = dict.fromkeys([w for r in group for w in (*r.flags, r.note, *_covered(r), *_more(r)) if w])
        values = [f"{_bearing(r)} {r.value_V * 1e6:+.1f} ± {r.sigma_V * 1e6:.1f}" for r in group]
        rows.append(
            [
                number, f"{first.station} {'ABCDEFGH'[first.source_id % 8]}" if several else first.station,
                ", ".join(units.length(v, u) for v in middle),
                "" if first.injected_A is None else units.current(first.injected_A),
                *values, *[""] * (3 - len(values)), "; ".join(remarks),
            ]
        )  # fmt: skip
    return rows


def _covered(r: KeptReading) -> list[str]:
    return [] if r.covered in ((), NONE_COVERED) else [f"with {', '.join(r.covered)} covered"]


def _more(r: KeptReading) -> list[str]:
    """Whatever else a reading says of itself: a field that the record gains stands here without being asked for."""
    out = []
    for field in structs.fields(r):
        value = getattr(r, field.name)
        if field.name not in _SHOWN and value is not None and value != field.default and value != ():
            out.append(f"{field.name.replace('_', ' ')} {value}")
    return out


def _runs(kept: list[KeptReading]) -> list[list[KeptReading]]:
    runs: list[list[KeptReading]] = []
    for r in kept:
        if runs and runs[-1][0].station == r.station:
            runs[-1].append(r)
        else:
            runs.append([r])
    return runs


def _numbers(rows: list[int]) -> str:
    if len(rows) > 1 and rows == list(range(rows[0], rows[0] + len(rows))):
        return f"{rows[0]}-{rows[-1]}"
    return ", ".join(str(row) for row in rows)


def _bearing(r: KeptReading) -> str:
    dx, dy = r.front_m[0] - r.back_m[0], r.front_m[1] - r.back_m[1]
    if math.hypot(dx, dy) < 0.02:
        return "down" if r.front_m[2] > r.back_m[2] else "up"
    return f"{math.degrees(math.atan2(dy, dx)) % 360:.0f}°"


def log(record: Contents, pictures: list[Picture]) -> list[Block]:
    blocks: list[Block] = []
    if record.notes:
        blocks += [Heading("Notes"), Bullets([n.text for n in record.notes])]
    if pictures or record.photos:
        blocks.append(Heading("Pictures"))
        blocks += pictures
        shown = {p.caption for p in pictures}
        missing = [p for p in record.photos if p.caption not in shown]
        if missing:
            blocks.append(Bullets([f"{p.caption or 'picture'}: {p.path} (not with this report)" for p in missing]))
    events = [e for e in record.events if e.severity != "info"]
    if events:
        blocks.append(Heading("Cautions and alarms during the visit"))
        blocks.append(
            Table(
                [when_head(record), "", "what happened", "what to do"],
                [[when(record, e.time_s), e.severity, e.text, e.remedy] for e in events],
                "llll",
                [0.0, 0.0, 1.0, 1.0],
            )
        )
    return blocks
