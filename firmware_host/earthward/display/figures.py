"""Large digits, arrows and bars drawn with whole cells: readable from two metres, safe in every console font."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

_SMALL = {  # 3 x 5 dots, each dot two cells wide
    "0": "111 101 101 101 111",
    "1": "010 110 010 010 111",
    "2": "111 001 111 100 111",
    "3": "111 001 111 001 111",
    "4": "101 101 111 001 001",
    "5": "111 100 111 001 111",
    "6": "111 100 111 101 111",
    "7": "111 001 001 010 010",
    "8": "111 101 111 101 111",
    "9": "111 101 111 001 111",
    "-": "000 000 111 000 000",
    " ": "000 000 000 000 000",
    ".": "0 0 0 0 1",
}
_TALL = {  # 4 x 7 dots, each dot two cells wide
    "0": "0110 1001 1001 1001 1001 1001 0110",
    "1": "0010 0110 1010 0010 0010 0010 0111",
    "2": "0110 1001 0001 0010 0100 1000 1111",
    "3": "1110 0001 0001 0110 0001 0001 1110",
    "4": "0010 0110 1010 1010 1111 0010 0010",
    "5": "1111 1000 1110 0001 0001 1001 0110",
    "6": "0110 1000 1000 1110 1001 1001 0110",
    "7": "1111 0001 0001 0010 0010 0100 0100",
    "8": "0110 1001 1001 0110 1001 1001 0110",
    "9": "0110 1001 1001 0111 0001 0001 0110",
    "-": "0000 0000 0000 1111 0000 0000 0000",
    " ": "0000 0000 0000 0000 0000 0000 0000",
    ".": "0 0 0 0 0 0 1",
}


@dataclass(frozen=True, slots=True)
class Face:
    """One size of digits: `rows` high; `dot_w` x `dot_h` cells to a dot; `gap` cells between digits."""

    dots: str
    dot_w: int
    dot_h: int
    gap: int

    @property
    def table(self) -> dict[str, str]:
        return _SMALL if self.dots == "small" else _TALL

    @property
    def rows(self) -> int:
        return (5 if self.dots == "small" else 7) * self.dot_h


FACE_5 = Face("small", 2, 1, 2)
FACE_7 = Face("tall", 2, 1, 2)
FACE_10 = Face("small", 4, 2, 3)

#: The widest number: three digits and a point.
WIDEST = "00.0"


@lru_cache(maxsize=512)
def digits(text: str, face: Face) -> tuple[str, ...]:
    """`text` (digits, point, minus, space) as `face.rows` rows of equal length."""
    table = face.table
    rows = [""] * face.rows
    for i, ch in enumerate(text):
        dots = table[ch].split()
        close = i + 1 == len(text)
        # The point sits tight between its neighbours.
        gap = 0 if close else (1 if "." in text[i : i + 2] else face.gap)
        for r, line in enumerate(dots):
            cells = "".join(("█" if dot == "1" else " ") * face.dot_w for dot in line) + " " * gap
            for k in range(face.dot_h):
                rows[r * face.dot_h + k] += cells
    return tuple(rows)


def digits_width(face: Face) -> int:
    return len(digits(WIDEST, face)[0])


@lru_cache(maxsize=64)
def arrow(angle_deg: float, rows: int) -> tuple[str, ...]:
    """An arrow in 2*rows x rows cells; 0 points right, 90 up. A cell is taken to be twice as high as wide."""
    half = rows / 2
    # A head longer than the shaft: from two metres the outline alone must tell the way.
    head_from, slope = -0.35 * half, 1.35
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    shaft = max(0.5, rows * 0.16)
    out = []
    for r in range(rows):
        line = ""
        for col in range(2 * rows):
            x, y = (col + 0.5) / 2 - half, half - (r + 0.5)
            along, across = x * c + y * s, abs(-x * s + y * c)
            head = along >= head_from and across <= (half - along) / slope + 0.05
            line += "█" if head or (-half <= along < 0 and across <= shaft) else " "
        out.append(line)
    return tuple(out)


@lru_cache(maxsize=128)
def compass(angle_deg: float, rows: int) -> tuple[str, ...]:
    """A dial in 2*rows x rows cells with a needle from its middle to the rim; 0 points right, 90 up.

    A filled arrow at a slant is a blob in so few cells; a needle on one side of a marked middle is not.
    """
    half = rows / 2
    grid = [[" "] * (2 * rows) for _ in range(rows)]

    def mark(along: float, angle: float, glyph: str, aside: float = 0.0) -> None:
        x, y = along * math.cos(angle) + aside, along * math.sin(angle)
        row, column = math.floor(half - y), math.floor(2 * (x + half))
        if 0 <= row < rows and 0 <= column < 2 * rows:
            grid[row][column] = glyph

    for k in range(0, 360, 5):
        mark(half - 0.25, math.radians(k), "·")
    steps = 8 * rows
    for k in range(steps + 1):
        for aside in (-0.25, 0.2):
            # Two cells wide where it is steep, so that it is as thick as where it lies flat.
            mark((half - 0.1) * k / steps, math.radians(angle_deg), "█", aside * abs(math.sin(math.radians(angle_deg))))
    grid[rows // 2][rows - 1] = grid[rows // 2][rows] = "■"
    return tuple("".join(line) for line in grid)


@lru_cache(maxsize=8)
def no_arrow(rows: int) -> tuple[str, ...]:
    """In place of an arrow: three squares in a row."""
    middle, width = rows // 2, 2 * rows
    square = "█" * max(2, rows // 3)
    gap = (width - 3 * len(square)) // 2
    line = (square + " " * gap + square + " " * gap + square).ljust(width)
    return tuple(line if r == middle else " " * width for r in range(rows))


def full_scale(peak: float, smallest: float = 1e-6) -> float:
    """The next of 1, 2, 5 x 10^n above 1.1 x peak."""
    wanted = max(peak * 1.1, smallest)
    decade = 10.0 ** math.floor(math.log10(wanted) + 1e-9)
    for step in (1.0, 2.0, 5.0, 10.0):
        if step * decade >= wanted * 0.999999:
            return step * decade
    return 10.0 * decade


@lru_cache(maxsize=256)
def bar_cells(value: float, band: float, width: int) -> str:
    """A centre-zero bar. `value` and `band` (half width of the 95 % interval) are in units of full scale.

    Solid from zero to the near edge of the band, `▒` over the band, `│` at zero. A band over zero leaves nothing solid.
    """
    middle = width // 2
    cells = ["─"] * width

    def column(v: float) -> int:
        return middle + round(max(-1.0, min(1.0, v)) * middle)

    low, high = column(value - band), column(value + band)
    near = 0.0 if abs(value) <= band else math.copysign(abs(value) - band, value)
    first, last = sorted((middle, column(near)))
    for i in range(first, min(last, width - 1) + 1):
        if near:
            cells[i] = "█"
    for i in range(low, min(high, width - 1) + 1):
        cells[i] = "▒"
    if near:
        # However small against the scale: a claimed side shows at least one solid cell.
        cells[middle + (1 if near > 0 else -1)] = "█"
    cells[middle] = "│"
    return "".join(cells)


_BRAILLE_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


def trend_cells(points: list[tuple[float, float]], width: int, rows: int, braille: bool) -> list[str]:
    """A curve of (place 0..1, value -1..1): newest right, positive up, zero line drawn where empty."""
    fine_w, fine_h = (2, 4) if braille else (1, 1)
    w, h = width * fine_w, rows * fine_h
    dots: dict[tuple[int, int], int] = {}
    for place, value in points:
        col = min(w - 1, max(0, int(place * w)))
        row = min(h - 1, max(0, round((1 - max(-1.0, min(1.0, value))) / 2 * (h - 1))))
        key = (row // fine_h, col // fine_w)
        bit = _BRAILLE_DOTS[row % 4][col % 2] if braille else 1
        dots[key] = dots.get(key, 0) | bit
    grid = [["─" if r == rows // 2 else " "] * width for r in range(rows)]
    for (r, c), bits in dots.items():
        grid[r][c] = chr(0x2800 + bits) if braille else "•"
    return ["".join(line) for line in grid]


@lru_cache(maxsize=64)
def share_cells(share: float, width: int) -> str:
    """A bar of a share of one."""
    filled = round(max(0.0, min(1.0, share)) * width)
    return "█" * filled + "·" * (width - filled)
