"""The readings file: CSV text to kept readings. Pure; the caller opens the file and passes its name as `where`.

Columns `front_x_m,front_y_m,front_z_m,back_x_m,back_y_m,back_z_m,value_V,sigma_V` and optional
`source_id,station,note`; lines that start with # are comments. Rows count from 1 after the header.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable

from earthward.errors import InputError
from earthward.record.reading import KeptReading

NEEDED = (
    "front_x_m", "front_y_m", "front_z_m", "back_x_m", "back_y_m", "back_z_m", "value_V", "sigma_V",
)  # fmt: skip


def parse_readings(text: str, where: str = "readings file") -> list[KeptReading]:
    """All rows. InputError names the row and the column."""
    lines: Iterable[str] = (line for line in text.lstrip("\ufeff").splitlines() if line.strip())
    table = csv.DictReader((line for line in lines if not line.lstrip().startswith("#")), skipinitialspace=True)
    names = [n.strip() for n in table.fieldnames or []]
    table.fieldnames = names
    missing = [n for n in NEEDED if n not in names]
    if missing:
        raise InputError(f"{where}: column {missing[0]} is missing: the header must name {', '.join(NEEDED)}")
    result = []
    for row, record in enumerate(table, start=1):
        number = [_number(record.get(name), name, row, where) for name in NEEDED]
        source = (record.get("source_id") or "").strip()
        try:
            source_id = int(float(source)) if source else 0
        except ValueError:
            raise InputError(f'{where}: row {row}: source_id "{source}" is not a whole number') from None
        result.append(
            KeptReading(
                front_m=(number[0], number[1], number[2]),
                back_m=(number[3], number[4], number[5]),
                value_V=number[6],
                sigma_V=number[7],
                source_id=source_id,
                station=(record.get("station") or "").strip(),
                turn=(record.get("turn") or "").strip(),
                note=(record.get("note") or "").strip(),
                row=row,
            )
        )
    if not result:
        raise InputError(f"{where}: there is no reading below the header: keep at least one reading")
    return result


def _number(text: str | None, name: str, row: int, where: str) -> float:
    try:
        return float((text or "").strip())
    except ValueError:
        raise InputError(f'{where}: row {row}: {name} "{(text or "").strip()}" is not a number') from None
