"""Where each part stands on its schematic sheet: signal from left to right, supply up. Places alone; what is joined to
what is the circuit's, and the wires are found by `wires.py`.

Units of 2.54 mm. A part's turn: `v` a quarter clockwise (first pad on top), `^` a quarter the other way, `<` half
round, `m` mirrored (a transistor's base on the right). A name's side: `l`, `r`, `u`, `d` is where its text goes.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Spot:
    x: float
    y: float
    turn: str = ""


@dataclass(frozen=True)
class Plan:
    places: str
    """Lines of `reference x y turn`, several to a line with a comma between."""
    names: str = ""
    """Lines of `net x y side`: where a net that leaves the sheet carries its name."""
    at_each_pin: str = ""
    """Nets that are not drawn: each of their pins carries the name."""
    rails: str = "0 v5 vb v33 v5pi"
    """Nets that are drawn as supply above or ground below a pin."""
    rows: dict[str, tuple[str, str]] = field(default_factory=dict)
    """For boxes: pads on the left and on the right from above; `-` leaves a gap."""

    def spots(self) -> dict[str, Spot]:
        found = {}
        for entry in self.places.replace("\n", ",").split(","):
            if words := entry.split():
                found[words[0]] = Spot(float(words[1]), float(words[2]), words[3] if len(words) > 3 else "")
        return found

    def named(self) -> list[tuple[str, float, float, str]]:
        rows = [entry.split() for entry in self.names.replace("\n", ",").split(",") if entry.split()]
        return [(net, float(x), float(y), side) for net, x, y, side in rows]


_GAP = " ".join("-" * 13)

PLANS: dict[str, Plan] = {
    "bridge supply": Plan(
        """D1 14 20, C1 20 24 v, F2 46 20, R43 34 24 v, R44 41 24 v, Q1 64 21 ^, R1 56 24 v, R2 64 30 v, D10 64 36 ^
        Q2 63 44, R3 50 44, R4 56 48 v, Q3 88 21 ^, R5 80 24 v, R6 88 30 v, Q4 87 40, C2 54 62, D2 62 66 ^, D3 70 62
        C3 76 66 v, R7 83 66 v, C4 98 24 v, U1 112 21, R8 126 24 v, R9 126 32 v, R50 136 32 v, R51 150 32 v, Q13 135 42
        R52 112 42, R53 122 46 v, Q14 149 56, R54 124 56, R55 136 60 v, C5 140 24 v""",
        "bf 9 20 l, bp 23 20 r, be 31 20 l, bq 52 16 u, pd4 46 44 l, pc5 50 62 l, pump 90 62 r, vr 150 20 r, "
        "pb3 108 42 l, pb4 120 56 l",
        rows={"U1": ("8 3 4", "1 - 7")},
    ),
    "limiters and clamp": Plan(
        """R10 20 20, Q5 34 21 ^, Q6 20 27 m, R11 34 32 v, D4 46 25 ^, C6 55 25 v, R21 70 25 v, Q9 80 32, R20 81 42 v
        Q10 70 39 m""",
        "vr 13 20 l, vb 64 20 r, bo 85 26 u",
        rails="0",
    ),
    "bridge": Plan(
        """M1 40 20, R12 32 18 v, Q7 31 27, R13 21 27, R56 26 31 v, M2 40 40, R14 21 40, R15 29 44 v
        M3 78 20, R16 70 18 v, Q8 69 27, R17 59 27, R57 64 31 v, M4 78 40, R18 59 40, R19 67 44 v""",
        "la 48 31 r, lb 86 31 r, bo 86 46 r",
        at_each_pin="pb1 pb2",
    ),
    "outputs": Plan(
        """K1 40 20, R22 58 19, R23 70 19, D7 53 26 ^, Q11 47 33, R35 33 33, R58 40 37 v
        K2 40 50, R24 58 49, R25 70 49, D8 53 56 ^, Q12 47 63, R36 33 63, R59 40 67 v
        D5 22 76 v, R26 15 82, R27 58 82, R28 70 82""",
        "la 14 19 l, A 76 19 r, B 76 49 r, E 76 82 r, lb 9 82 l, se 46 86 r, pd5 28 33 l, pd6 28 63 l",
        rows={"K1": ("4 - 1", "5 - 12"), "K2": ("4 - 1", "5 - 12")},
    ),
    "measurement": Plan(
        """R33 36 19, R34 50 13, U3B 50 20, R29 36 25, R30 43 29 v, R61 62 20, C9 68 24 v
        R47 36 45, R48 50 39, U3C 50 46, R31 36 51, R32 43 55 v, R62 62 46, C10 68 50 v
        R45 30 66 v, R46 30 74 v, C7 38 74 v, U3A 50 71, U3D 50 84, U3E 66 84
        U2 98 21, R60 112 21, C8 119 25 v, R41 94 40 v, R42 94 48 v, C11 102 48 v
        R63 94 64 v, R64 94 72 v, C12 102 72 v, R65 122 52 v""",
        "A 30 25 l, B 30 51 l, pc1 74 20 r, pc4 74 46 r, mid 24 70 l, ref 62 71 r, "
        "pc0 126 21 r, bp 94 36 u, pc2 108 44 r, vb 94 60 u, adc7 108 68 r, adc6 122 56 d",
        at_each_pin="E se lb ref@R30 ref@R32 ref@U2",
        rails="0 v5",
        rows={"U2": ("8 1 - 7 3", "6 5 - 2 4")},
    ),
    "5 V and processor": Plan(
        """F3 16 16, R40 28 16, C13 36 20 v, U4 48 16, D9 62 20 ^, C14 70 20 v, C15 80 20 v, C16 88 20 v, C17 96 20 v
        C18 104 20 v, L1 118 18, C19 126 22 v, C20 138 22 v, U6 72 46, R66 50 34 v, C23 38 39 <, X2 40 46 v, C21 30 43 <
        C22 30 49 <, R37 16 64 v, R38 26 64 v, R68 36 64 v, R67 48 62 v, C24 56 68 v, U5 108 42
        U8 108 52, J3 108 64""",
        "bp 10 16 l, avcc 132 18 r, aref 138 18 u, adc6 98 57 d, pd7 62 65 r, nrst 58 36 u",
        at_each_pin="pd2 pd3 strap pb3 pb4 pb5 pd7@U6 nrst@J3 aref@U6 avcc@U6",
        rails="0 v5",
        rows={
            "U4": ("1 2", "3 -"),
            "U6": (
                "4 6 18 20 - 29 30 31 17 - 7 8 - 32 1 11 12 - 3 5 21",
                "13 14 15 16 - 2 28 9 10 - 23 24 27 25 - 26 - 19 - 22 -",
            ),
            "U5": ("2 -", "1 3"),
            "U8": ("1 -", "2 3"),
            "J3": ("1 3 5", "2 4 6"),
        },
    ),
    "around the board": Plan(
        """U7 44 24, J7 84 24, C25 66 38 v, J4 20 44, J5 20 58, J6 52 44, J8 52 58
        TP1 84 44, TP2 84 47, TP3 84 50, TP4 84 53, TP5 84 56, TP6 100 44, TP7 100 47, TP8 100 50, TP9 100 53
        TP10 100 56""",
        "",
        at_each_pin="0 v5 h5 h0 rxd txd pb5 bf bp be pd2 pd3 pd7 A B E",
        rails="",
        rows={
            "U7": ("1 7 - 3 4 5 - 2 8", "16 10 - 14 13 12 - 15 9"),
            "J7": ("1 - - 3 5 4 - - 2", "- - - - - - - - -"),
            "J4": ("- -", "1 2"),
            "J5": ("- - - - - - - -", "1 2 3 4 5 6 7 8"),
            "J6": ("- - -", "1 2 3"),
            "J8": ("- -", "1 2"),
        },
    ),
    "front end circuit": Plan(
        """J2 16 48, R1 30 20, D1 40 20, R2 50 20, R3 30 34, D2 40 34, R4 50 34, C1 62 27 ^, U1 84 27, TP5 68 16 v
        TP4 68 30 v, R5 30 48, D3 40 48, R6 50 48, C4 30 54, C5 50 54, R13 30 62, D5 40 62, R14 50 62, R15 30 76
        D6 40 76, R16 50 76, C6 62 69 ^, U2 84 69, TP7 68 58 v, TP6 68 72 v
        R7 112 20 v, R8 112 28 v, C2 120 28 v, TP3 127 20 v, C3 140 24 v, C7 148 24 v, Z1 156 24 ^, TP1 120 38
        TP2 120 44
        J1 120 60, J3 150 54, J4 150 64, R9 108 82, R11 116 86 v, Q1 124 82, R10 108 96, R12 116 100 v, Q2 124 96
        D4 134 93 ^""",
        "mid 134 24 r, beacon 134 78 r, sounder 142 95 r",
        at_each_pin="mid@U1 mid@U2 mid@R6 mid@C5 gate1 gate2 scl sda ready stop enable beacon@J4 sounder@J4",
        rails="0 v33 v5pi",
        rows={
            "J2": (f"- {_GAP} - {_GAP} - {_GAP} - {_GAP} -", f"1 {_GAP} 2 {_GAP} 3 {_GAP} 4 {_GAP} 5"),
            "U1": ("8 - 7 - 9 10", "1 3 4 6 5 2"),
            "U2": ("8 - 7 - 9 10", "1 3 4 - 5 2"),
            "J1": ("1 17 - 3 5 22 - 11 13 - - -", "2 4 - 15 12 - 6 9 14 20 25 30 34 39".replace(" - 6", " 6")),
            "J3": ("1 2 3 4", "- - - -"),
            "J4": ("1 2 3", "- - -"),
        },
    ),
}
#: Parts that belong to a circuit around the board but stand by the processor that they serve.
BY_THE_PROCESSOR = frozenset({"U5", "U6", "U8", "X2", "J3"})
