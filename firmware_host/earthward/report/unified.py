"""Export as a pyGIMLi unified data file: electrode list, then four-electrode data `a b m n u i r err`.

Grammar (the pyGIMLi documentation, "unified data format"): number of electrodes, a comment line naming the coordinate
columns, one line per electrode; number of data, a comment line naming the columns, one line per datum; a final 0 (no
topography points). Electrode numbers count from 1; 0 stands for an electrode at infinity, which is where the earth
electrode is put unless its position is known. Heights are positive up, so z = -depth. u is U(m) - U(n): our reading is
V_back - V_front, hence m = back, n = front. r = u/i in ohm; err is relative.
"""

from __future__ import annotations

from dataclasses import dataclass

from earthward.errors import InputError
from earthward.record.base import Point
from earthward.survey.contents import Contents, utc_text


@dataclass(frozen=True, slots=True)
class Datum:
    """One four-electrode datum; electrode numbers from 1, 0 = infinity."""

    a: int
    b: int
    m: int
    n: int
    u_V: float
    i_A: float
    err: float


def to_unified(record: Contents) -> str:
    """The file's text. Readings without any known injected current cannot be written and raise InputError."""
    readings = [r for r in record.readings if r.purpose == "survey"]
    if not readings:
        raise InputError("this survey has no kept readings to export")
    electrodes: list[Point] = []
    numbers: dict[Point, int] = {}

    def number(point: Point) -> int:
        key = (round(point[0], 6), round(point[1], 6), round(point[2], 6))
        if key not in numbers:
            electrodes.append(key)
            numbers[key] = len(electrodes)
        return numbers[key]

    earth = _earth_electrode(record)
    earth_number = number(earth) if earth is not None else 0
    sources = {s.source_id: s for s in record.pool.sources} if record.pool is not None else {}
    placements = {s.source_id: s for s in record.sources}
    data = []
    for r in readings:
        if r.source_id in placements:
            position, current = placements[r.source_id].position_m, placements[r.source_id].current_A
        elif r.source_id in sources:
            position, current = sources[r.source_id].position_m, sources[r.source_id].current_A
        else:
            raise InputError(
                f"reading {r.row} belongs to placement {r.source_id}, whose position is not in this survey: "
                "enter the injection electrode's position first"
            )
        injected = r.injected_A if r.injected_A is not None else current
        if not injected:
            raise InputError(f"reading {r.row} has no injected current, which this format needs")
        data.append(
            Datum(
                number(position), earth_number, number(r.back_m), number(r.front_m), r.value_V, injected,
                r.sigma_V / max(abs(r.value_V), 1e-12),
            )
        )  # fmt: skip
    title = record.name.replace("\n", " ") + (" (EMULATED)" if record.emulated else "")
    lines = [
        f"{len(electrodes)} # {title}, {utc_text(record.meta['created_s'])}",
        "# x y z",
    ]
    lines += [f"{x:.6f} {y:.6f} {-z if z else 0.0:.6f}" for x, y, z in electrodes]
    lines += [f"{len(data)} # number of data", "# a b m n u i r err"]
    lines += [f"{d.a} {d.b} {d.m} {d.n} {d.u_V:.9e} {d.i_A:.9e} {d.u_V / d.i_A:.9e} {d.err:.6e}" for d in data]
    lines.append("0")
    return "\n".join(lines) + "\n"


def _earth_electrode(record: Contents) -> Point | None:
    for _, settings in sorted(record.settings.items(), reverse=True):
        position = settings.get("earth_electrode_m")
        if isinstance(position, (list, tuple)) and len(position) == 3:
            return float(position[0]), float(position[1]), float(position[2])
    return None


def parse_unified(text: str, where: str = "unified data file") -> tuple[list[Point], list[dict[str, float]]]:
    """Read such a file by its documented grammar: electrodes as (x, y, depth) and data rows by column name."""
    lines = text.splitlines()
    position = 0

    def next_line(keep_comments: bool) -> str:
        nonlocal position
        while position < len(lines):
            line = lines[position].strip()
            position += 1
            if not line:
                continue
            if keep_comments or not line.startswith("#"):
                return line
        raise InputError(f"{where} ends too early")

    def block(default: list[str]) -> tuple[list[str], list[list[float]]]:
        nonlocal position
        head = next_line(False).split("#")[0].split()
        try:
            count = int(head[0])
        except (IndexError, ValueError):
            raise InputError(f"{where}: a count of lines was expected, not {head}") from None
        names = default
        mark = position
        line = next_line(True) if count else ""
        if line.startswith("#"):
            names = line.lstrip("# ").split()
        else:
            position = mark
        rows = []
        for _ in range(count):
            cells = next_line(False).split("#")[0].split()
            if len(cells) < len(names):
                raise InputError(f"{where}: line {position} has {len(cells)} numbers for the columns {' '.join(names)}")
            rows.append([float(c) for c in cells])
        return names, rows

    axes, coordinates = block(["x", "y", "z"])
    if axes[:3] != ["x", "y", "z"]:
        raise InputError(f"{where}: the electrode columns are {' '.join(axes)}, expected x y z")
    names, rows = block(["a", "b", "m", "n"])
    electrodes = [(c[0], c[1], -c[2]) for c in coordinates]
    data = [dict(zip(names, row, strict=False)) for row in rows]
    for row in data:
        for key in "abmn":
            if not 0 <= row[key] <= len(electrodes) or row[key] != int(row[key]):
                raise InputError(f"{where}: electrode number {row[key]:g} is not in the list")
    return electrodes, data
