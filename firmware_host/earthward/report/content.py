"""What the report says: from the record to blocks. Page 1 is for the owner; the rest is for whoever checks it.

Words follow one rule: only a finding whose dye test drew dye is called a leak. Whatever was not measured is said to be
not measured.
"""

from __future__ import annotations

from datetime import datetime

from earthward.report.blocks import (
    Block,
    Document,
    Picture,
)
from earthward.report.part_current import coverage, current
from earthward.report.part_findings import findings
from earthward.report.part_method import method
from earthward.report.part_record import log, readings, safety
from earthward.report.part_summary import summary
from earthward.report.part_water import water
from earthward.report.words import pool_text, zone
from earthward.survey.contents import Contents
from earthward.units import Units

EMULATED_TEXT = "Nothing in this report was measured in a real pool: it comes from an emulated instrument and pool."


def build(record: Contents, unit: Units | None = None, pictures: list[Picture] | None = None) -> Document:
    """The whole report. `unit` defaults to the survey's own setting."""
    u: Units = unit or ("us" if record.meta.get("units") == "us" else "si")
    blocks: list[Block] = []
    blocks += summary(record, u)
    blocks += findings(record, u)
    blocks += water(record, u)
    blocks += current(record)
    blocks += coverage(record, u)
    blocks += safety(record)
    blocks += readings(record, u)
    blocks += log(record, pictures or [])
    blocks += method(record)
    day = datetime.fromtimestamp(float(record.meta["created_s"]), zone(record)).strftime("%d %B %Y").lstrip("0")
    return Document(
        title=f"Leak survey: {record.name}",
        subtitle=f"Visit of {day}",
        facts=[
            ("Owner", str(record.meta.get("owner", ""))),
            ("Place", str(record.meta.get("place", ""))),
            ("Technician", str(record.meta.get("technician", ""))),
            ("Pool", pool_text(record, u)),
        ],
        blocks=blocks,
        stamp="EMULATED" if record.emulated else "",
        stamp_text=EMULATED_TEXT if record.emulated else "",
        footer=f"{record.name}, survey {str(record.meta['id'])[:8]}, {record.meta.get('software') or 'earthward'}",
    )
