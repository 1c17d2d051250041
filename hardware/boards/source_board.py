"""The source board's layout: outline, places of the large parts, what must stay apart. Small parts are placed by
`place.py` into rows; the copper between them is `route.py`'s.

Left the battery, in the middle processor and stage, right the electrodes behind a slot, on top the host's island.
"""

from __future__ import annotations

from hardware.boards.model import BoardSpec, NetClass, Place, Region, Rule
from hardware.boards.packages import source_board_parts

WIDTH_MM, HEIGHT_MM = 160.0, 100.0
BATTERY = frozenset(["bf", "bp", "bs", "be", "bq", "g1", "gz", "d2", "s1", "s2", "g3", "d4", "b5", "b5r"])
ELECTRODE = frozenset(["A", "a1", "B", "a2", "E", "ee"])
HOST = frozenset(["h5", "h0", "hrx", "htx", "hsync"])
ELECTRODE_X_MM = 125.5
APART_MM = 6.0
ELECTRODE_MM = 2.5

RULES = (
    Rule("battery to electrodes", "battery", "electrode", APART_MM,
         "own choice, for drops of water on the board; IEC 60664-1 table F.4 asks for 1.1 mm of creepage at 16 V, "
         "pollution degree 3 (from memory)"),
    Rule("electrodes to everything else", "electrode", "Default", ELECTRODE_MM,
         "own choice, twice the 1.25 mm of IEC 60664-1 table F.4 at 25 V, pollution degree 3 (from memory)"),
    Rule("electrodes to supplies and stage", "electrode", "power", ELECTRODE_MM, "as above"),
    Rule("host's island to the source", "host", "Default", APART_MM,
         "own choice; IEC 60664-1 table F.4 asks for 3.2 mm at 200 V, pollution degree 2, any material (from memory)"),
    Rule("host's island to supplies", "host", "power", APART_MM, "as above"),
    Rule("host's island to the battery", "host", "battery", APART_MM, "as above"),
    Rule("host's island to the electrodes", "host", "electrode", APART_MM, "as above"),
)  # fmt: skip

FIXED = {
    "J4": Place(8, 14, 270), "J5": Place(8, 32, 270), "J8": Place(8, 80, 270),
    "D1": Place(30.16, 7.5, 180), "F3": Place(34.5, 7.5, 0), "U4": Place(22, 18.5, 0), "R40": Place(54.5, 16, 180),
    "D9": Place(22, 25.5, 0), "F2": Place(18, 33, 0),
    "J7": Place(92.16, 6.5, 180), "C25": Place(67.4, 10.5, 90), "U7": Place(82, 19, 90),
    "U6": Place(86, 45.6, 0), "X2": Place(73.6, 43.2, 270), "J3": Place(100, 27, 0),
    "J6": Place(154, 60, 90),
    "K1": Place(98, 72, 90), "K2": Place(98, 61, 90),
    "R22": Place(114, 68, 0), "R23": Place(131.8, 68, 0),
    "R24": Place(114, 57, 0), "R25": Place(131.8, 57, 0),
    "R26": Place(101, 46, 0), "R27": Place(114, 46, 0), "R28": Place(131.8, 46, 0),
    "U2": Place(108, 38.5, 0), "D5": Place(106, 51, 0),
    "R29": Place(131, 79, 180), "R33": Place(131, 83, 180), "R31": Place(131, 87, 180), "R47": Place(131, 91, 180),
    "U3": Place(112.5, 84, 0),
}  # fmt: skip


def _box(x0: float, y0: float, x1: float, y1: float) -> tuple[tuple[float, float], ...]:
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def spec() -> BoardSpec:
    host = _box(66, 0, 99, 15.7)
    electrode = _box(ELECTRODE_X_MM, 0, WIDTH_MM, HEIGHT_MM)
    return BoardSpec(
        name="source",
        title="Earthward source board, revision B",
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        parts=source_board_parts(),
        fixed=FIXED,
        rows_mm=(27.5, 34.5, 41.5, 48.7, 55.9, 63.1, 70.3, 77.5, 84.7, 92),
        row_span_mm=(15.5, 121),
        holes=((5, 5), (155, 5), (5, 95), (155, 95)),
        slots=(((124.25, 9), (124.25, 42)), ((124.25, 47), (124.25, 91)), ((75, 19), (89, 19))),
        regions=(
            Region("electrodes", ELECTRODE, electrode, ELECTRODE_MM),
            Region("host", HOST, host, APART_MM),
        ),
        classes=(
            NetClass("battery", BATTERY, 0.5),
            NetClass("electrode", ELECTRODE, 0.5),
            NetClass("host", HOST, 0.3),
            NetClass("power", frozenset({"0", "v5", "vr", "vb", "bo", "la", "lb", "ka", "kb", "se"}), 0.5),
        ),
        rules=RULES,
        keep_left_mm=dict.fromkeys(BATTERY, 112.0),
        near=(
            ("C15", "U6"), ("C16", "U6"), ("C19", "U6"), ("C20", "U6"), ("C17", "U3"), ("C18", "U7"), ("C14", "U4"),
            ("C13", "U4"), ("C4", "U1"), ("C5", "U1"), ("C21", "X2"), ("C22", "X2"), ("C1", "D1"), ("C8", "U6"),
            ("C9", "U6"), ("C10", "U6"), ("C11", "U6"), ("C12", "U6"), ("C6", "D4"), ("C7", "U3"), ("C23", "U6"),
            ("R46", "R45"), ("C24", "R67"),
        ),
        # ground pins of the processor go to the area below through vias under its body
        stubs=(
            ("0", (81.75, 44.4), (83.6, 44.4)), ("0", (81.75, 46), (83.6, 46)), ("0", (90.25, 45.2), (88.4, 45.2)),
        ),
        no_ground=(_box(122.6, 0, WIDTH_MM, HEIGHT_MM), _box(60, 0, 105, 21.7)),
        texts=(
            ("Earthward source board B", 40, 97.3, 1.5),
            ("BATTERY 12 V, fused", 26, 12.2, 1.0),
            ("ELECTRODES", 147, 74.0, 1.2),
            ("NOTHING ELSE HERE", 142, 97.0, 1.0),
            ("HOST, other battery", 112, 5, 1.0),
            ("reset", 17.5, 85, 1.0), ("A", 146.6, 60.5, 1.2), ("B", 146.6, 54, 1.2), ("E", 146.6, 49.8, 1.2),
        ),
    )  # fmt: skip
