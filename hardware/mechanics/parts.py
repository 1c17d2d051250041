"""The printed parts, parametric (library build123d): pole head in three kinds, clamp, case, grip, jar.

Millimetres. Every part stands on its printing side (z = 0) as it is printed. Pole, conduits, rods and boards are bought
or made; `bought()` gives their bodies, so that fits can be measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from operator import add

from build123d import Box, Cylinder, Part, Pos, Rot
from hardware.boards import front_end_board, source_board


@dataclass(frozen=True)
class Sizes:
    """What one may change. Fits are diameters over the part that goes in."""

    pole: float = 32.0
    conduit: float = 20.0
    rod: float = 6.0
    fit: float = 0.4
    wall: float = 3.0
    socket: float = 30.0
    """How deep a conduit or the pole goes in."""
    ring: float = 50.0
    ring_width: float = 20.0
    bolt: float = 5.3
    cable: float = 6.5
    spacing: float = 300.0
    """Between the electrodes' centres: sets the conduits' length."""
    jar: float = 82.0

    def conduit_length(self) -> float:
        """Of one arm's conduit between hub and end piece, both sockets filled."""
        return self.spacing / 2 - self.hub_half - self.end_half + 2 * self.socket

    @property
    def hub_half(self) -> float:
        return self.ring / 2 + self.socket

    @property
    def end_half(self) -> float:
        return self.socket + self.rod


def _tube(outer: float, inner: float, height: float) -> Part:
    return Cylinder(outer / 2, height) - Cylinder(inner / 2, height + 1)


def hub(s: Sizes, kind: str) -> Part:
    """Takes the pole from above and two (single) or four (crossed) conduits; three-axis: one more below.

    Printed with the pole's socket upward. The groove around the foot takes the reference ring.
    """
    arm = s.conduit + s.fit + 2 * s.wall
    height = arm + s.socket
    body = Pos(0, 0, height / 2) * Cylinder(s.ring / 2, height)
    turns = (0, 180) if kind == "single" else (0, 90, 180, 270)
    for turn in turns:
        # flat below, so that it prints without support
        block = Pos(s.hub_half / 2 + 5, 0, arm / 2) * Box(s.hub_half - 10, arm, arm)
        body += Rot(0, 0, turn) * block
    for turn in turns:
        bore = (
            Pos(s.hub_half - s.socket / 2 + 0.5, 0, arm / 2)
            * Rot(0, 90, 0)
            * Cylinder((s.conduit + s.fit) / 2, s.socket + 1)
        )
        bolt = Pos(s.hub_half - s.socket / 2, 0, arm / 2) * Cylinder(s.bolt / 2, arm + 2)
        wire = Pos(s.ring / 4 + 4, 0, arm / 2) * Rot(0, 90, 0) * Cylinder(s.cable / 2, s.ring / 2 + 12)
        body -= Rot(0, 0, turn) * (bore + bolt + wire)
    body -= Pos(0, 0, height - s.socket / 2 + 0.5) * Cylinder((s.pole + s.fit) / 2, s.socket + 1)
    body -= Pos(0, 0, height - s.socket / 2) * Rot(90, 0, 0) * Cylinder(s.bolt / 2, s.ring + 2)
    body -= Pos(0, 0, height / 2) * Cylinder(s.cable / 2, height)  # cable, and a way out for air
    if kind == "three-axis":
        body -= Pos(0, 0, 9.5) * Cylinder((s.conduit + s.fit) / 2, 21)
    return body


def ring_seat(s: Sizes) -> Part:
    """Sleeve on the pole above the hub that carries the reference ring in a groove 1 mm deep."""
    height = s.ring_width + 2 * s.wall
    sleeve = Pos(0, 0, height / 2) * _tube(s.ring, s.pole + s.fit, height)
    groove = Pos(0, 0, height / 2) * _tube(s.ring + 2, s.ring - 2, s.ring_width + s.fit)
    return sleeve - groove - Pos(s.ring / 2 - 4, 0, height / 2) * Rot(0, 90, 0) * Cylinder(1.6, 20)


def end_piece(s: Sizes, rings: int) -> Part:
    """Takes a conduit and one rod upright; open above and below the rod, so that no air stays. `rings`: grooves for the
    thumb, one for front and two for back."""
    arm = s.conduit + s.fit + 2 * s.wall
    length = s.socket + 2 * (s.rod + s.wall)
    body = Pos(length / 2, 0, arm / 2) * Box(length, arm, arm)
    body -= Pos(s.socket / 2 - 0.5, 0, arm / 2) * Rot(0, 90, 0) * Cylinder((s.conduit + s.fit) / 2, s.socket + 1)
    body -= Pos(s.socket / 2, 0, arm / 2) * Cylinder(s.bolt / 2, arm + 2)
    middle = s.socket + s.rod
    body -= Pos(middle, 0, arm / 2) * Cylinder((s.rod + s.fit) / 2, arm + 2)
    body -= Pos(s.socket - 2, 0, arm / 2) * Rot(0, 90, 0) * Cylinder(1.6, 20)
    for k in range(rings):
        for side in (-1, 1):
            body -= Pos(6 + 6 * k, side * arm / 2, arm / 2) * Box(2.5, 2.0, arm + 2)
    return body


def clamp_half(s: Sizes) -> Part:
    """Half of a pole clamp (two alike): carries handle, cable or collar."""
    outer = s.pole + 4 * s.wall
    body = Pos(0, 0, 10) * Cylinder(outer / 2, 20) + Pos(0, 5, 10) * Box(outer + 30, 10, 20)
    body -= Pos(0, 0, 10) * Cylinder((s.pole + s.fit) / 2, 22)
    body -= Pos(0, -outer, 10) * Box(2 * outer + 60, 2 * outer + 0.8, 22)  # 0.4 mm of gap on each half
    for side in (-1, 1):
        body -= Pos(side * (outer / 2 + 8), 5, 10) * Rot(90, 0, 0) * Cylinder(s.bolt / 2, 40)
    return body


def _standoffs(holes: tuple[tuple[float, float], ...], width: float, height: float, base: float, tall: float,
               screw: float) -> tuple[Part, Part]:  # fmt: skip
    """Posts under a board's holes (board's middle at the origin, y turned up), and the screws' holes."""
    at = [(x - width / 2, height / 2 - y) for x, y in holes]
    posts = reduce(add, [Pos(x, y, base + tall / 2) * Cylinder(3.6, tall) for x, y in at])
    screws = reduce(add, [Pos(x, y, (base + tall) / 2) * Cylinder(screw / 2, base + tall + 1) for x, y in at])
    return posts, screws


def source_insert(s: Sizes) -> Part:
    """Plate for the source's case: carries the board by its four holes, a wall between electrode and battery wiring."""
    board = source_board.spec()
    w, h = board.width_mm + 8, board.height_mm + 8
    body = Pos(0, 0, s.wall / 2) * Box(w, h, s.wall)
    posts, screws = _standoffs(board.holes, board.width_mm, board.height_mm, s.wall, 8, 2.6)
    slot_x = source_board.ELECTRODE_X_MM - 1.25 - board.width_mm / 2
    rib = Pos(slot_x, 0, s.wall + 3) * Box(2.4, h, 6)  # below the board's slot, 2 mm short of it
    return body + posts + rib - screws


def receiver_case(s: Sizes) -> Part:
    """Tray for a Raspberry Pi with the front end on its header; open above for the front plate."""
    w, h, tall = 110.0, 80.0, 42.0
    body = Pos(0, 0, tall / 2) * Box(w + 2 * s.wall, h + 2 * s.wall, tall)
    body -= Pos(0, 0, s.wall + tall / 2) * Box(w, h, tall)
    posts, screws = _standoffs(((3.5, 3.5), (61.5, 3.5), (3.5, 52.5), (61.5, 52.5)), 85, 56, s.wall, 6, 2.2)
    corners = [Pos(x * (w / 2 - 3.5), y * (h / 2 - 3.5), tall / 2) for x in (-1, 1) for y in (-1, 1)]
    body += posts + reduce(add, [c * Box(7, 7, tall) for c in corners])
    body -= screws + reduce(add, [c * Pos(0, 0, 10) * Cylinder(1.3, tall) for c in corners])
    for x in (-30, 0, 30):  # glands: pole cable, link, power
        body -= Pos(x, -h / 2, 22) * Rot(90, 0, 0) * Cylinder(6.2, 10)
    return body


def receiver_front(s: Sizes) -> Part:
    """Front plate: window of a 3.5 inch screen, four buttons."""
    body = Pos(0, 0, s.wall / 2) * Box(116, 86, s.wall)
    body -= Pos(0, 9, 0) * Box(74.0, 49.5, 20)
    for k in range(4):
        body -= Pos(-36 + 24 * k, -28, 0) * Cylinder(6.2, 20)
    for x in (-51.5, 51.5):
        for y in (-36.5, 36.5):
            body -= Pos(x, y, 0) * Cylinder(1.7, 20)
    return body


def strain_relief(s: Sizes) -> Part:
    """Half of a cable grip (two alike): teeth hold the jacket, a loop of cable stays behind it."""
    body = Pos(0, 0, 6) * Box(40, 26, 12)
    body -= Pos(0, 0, 12.2) * Rot(0, 90, 0) * Cylinder(s.cable / 2, 50)
    for x in (-14, -7, 0, 7, 14):
        body += Pos(x, 0, 12 - s.cable / 2) * Box(1.6, s.cable, 0.9)
    for y in (-9, 9):
        body -= Pos(0, y, 6) * Cylinder(1.7, 20)
    return body


def jar_holder(s: Sizes) -> Part:
    """Lid of a test jar: two rods at 40 mm and a thermometer, always at the same depth."""
    body = Pos(0, 0, 2) * Cylinder(s.jar / 2 + s.wall + 1, 4) + Pos(0, 0, 8) * Cylinder(s.jar / 2 + s.wall + 1, 12)
    body -= Pos(0, 0, 4 + 6) * Cylinder(s.jar / 2 + s.fit / 2, 12.01)
    for x in (-20, 20):
        body += Pos(x, 0, 6) * Cylinder(s.rod / 2 + s.wall, 12)
        body -= Pos(x, 0, 6) * Cylinder((s.rod + s.fit) / 2, 30)
    return body - Pos(0, 20, 2) * Cylinder(4, 20)


def printed(s: Sizes) -> dict[str, Part]:
    return {
        "hub_single": hub(s, "single"),
        "hub_crossed": hub(s, "crossed"),
        "hub_three_axis": hub(s, "three-axis"),
        "ring_seat": ring_seat(s),
        "end_front": end_piece(s, 1),
        "end_back": end_piece(s, 2),
        "clamp_half": clamp_half(s),
        "source_insert": source_insert(s),
        "receiver_case": receiver_case(s),
        "receiver_front": receiver_front(s),
        "strain_relief": strain_relief(s),
        "jar_holder": jar_holder(s),
    }


def bought(s: Sizes) -> dict[str, tuple[str, Part]]:
    """Body that must go into a printed part, where it sits: (printed part, body)."""
    arm = s.conduit + s.fit + 2 * s.wall
    front = front_end_board.spec()
    board = source_board.spec()
    return {
        "pole in the hub": ("hub_single", Pos(0, 0, arm + s.socket / 2 + 1) * Cylinder(s.pole / 2, s.socket)),
        "conduit in the hub": (
            "hub_crossed",
            Pos(s.hub_half - s.socket / 2 + 1, 0, arm / 2) * Rot(0, 90, 0) * Cylinder(s.conduit / 2, s.socket),
        ),
        "pole in the ring's seat": ("ring_seat", Pos(0, 0, 13) * Cylinder(s.pole / 2, 60)),
        "conduit in the end piece": (
            "end_front", Pos(s.socket / 2 - 1, 0, arm / 2) * Rot(0, 90, 0) * Cylinder(s.conduit / 2, s.socket),
        ),
        "rod in the end piece": ("end_back", Pos(s.socket + s.rod, 0, arm / 2) * Cylinder(s.rod / 2, 40)),
        "pole in the clamp": ("clamp_half", Pos(0, 0, 10) * Cylinder(s.pole / 2, 60)),
        "bolt in the clamp": (
            "clamp_half", Pos(s.pole / 2 + 2 * s.wall + 8, 5, 10) * Rot(90, 0, 0) * Cylinder(2.5, 40),
        ),
        "board on the insert": (
            "source_insert", Pos(0, 0, s.wall + 8 + 0.8) * Box(board.width_mm, board.height_mm, 1.6 - 0.02),
        ),
        "front end in the case": (
            "receiver_case", Pos((front.width_mm - 85) / 2, 0, 27) * Box(front.width_mm, front.height_mm, 1.6),
        ),
        "rod in the jar's lid": ("jar_holder", Pos(20, 0, 6) * Cylinder(s.rod / 2, 60)),
    }  # fmt: skip
