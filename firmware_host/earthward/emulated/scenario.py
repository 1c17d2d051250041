"""EMULATED visit: which pool, which holes and fittings, which nuisances. All of our own invention.

A `Scenario` is plain data. `Scenario.random(seed)` draws one; `known_pool()` is what the technician knows (shape,
water, fittings, injection electrodes; no leak), `truth()` what only the bench knows.
"""

from __future__ import annotations

import math
import random
from dataclasses import asdict, dataclass, replace
from typing import Any

from earthward.errors import InputError
from earthward.pool.resistance import hole_ohm
from earthward.pool.shape import Pool, rectangle
from earthward.record.place import Fitting, FittingKind, Head, Placement

Point3 = tuple[float, float, float]

#: ohms from water to earth of a fitting of each kind, uncovered: low..high, drawn evenly in the logarithm. Orders of
#: magnitude from what each is (bonded metal of some dm2; screw heads behind gaskets; a wet pipe); own estimates.
FITTING_OHM: dict[str, tuple[float, float]] = {
    "light": (150.0, 900.0),
    "ladder": (500.0, 4000.0),
    "skimmer": (8000.0, 60000.0),
    "return": (4000.0, 40000.0),
    "drain": (3000.0, 30000.0),
    "bonded electrode": (15.0, 60.0),
}
#: what a cover or plug leaves
COVERED_OHM = 3e6


@dataclass(frozen=True)
class LeakSpec:
    """A hole through the liner."""

    name: str
    position_m: Point3
    diameter_mm: float


@dataclass(frozen=True)
class FittingSpec:
    """A known thing that takes current through `ohm`."""

    name: str
    kind: FittingKind
    position_m: Point3
    ohm: float


@dataclass(frozen=True)
class Scenario:
    """See the module's text. Positions in metres, z is depth, positive down."""

    name: str = "invented pool"
    length_m: float = 8.0
    width_m: float = 4.0
    depth_m: float = 1.4
    water_ohm_m: float = 5.0
    soil_ohm_m: float = 60.0
    liner_m: float = 0.5e-3
    temperature_C: float = 25.0
    leaks: tuple[LeakSpec, ...] = ()
    fittings: tuple[FittingSpec, ...] = ()
    electrode_A_m: Point3 = (1.0, 2.0, 0.7)
    electrode_B_m: Point3 = (7.0, 2.0, 0.7)
    electrode_A_noted_m: Point3 | None = None
    electrode_B_noted_m: Point3 | None = None
    """Where the technician noted them; None: exactly where they hang."""
    electrode_ohm: float = 25.0
    """Injection electrode to water."""
    earth_electrode_ohm: float = 120.0
    spacing_m: float = 0.3
    pair_ohm: float = 2000.0
    """Both electrodes of the pair with their series resistors."""
    head: Head = "single"
    """Crossed: a second pair at right angles on a second converter; three-axis: three pairs on one converter."""
    orientation_sensor: bool = False
    """An accelerometer, a gyroscope and a magnetometer in the head, on the converter's bus."""
    depth_sensor: bool = False
    """A pressure sensor in the head, on the same bus."""
    front_end_gain: float = 1.0
    mains_Hz: float = 50.0
    mains_V: float = 1.2e-3
    """Pick-up at the pair, fundamental's amplitude."""
    mains_harmonics: tuple[tuple[int, float], ...] = ((3, 0.25), (5, 0.1), (7, 0.04))
    offset_V: float = 4e-3
    drift_V: float = 60e-6
    """Amplitude of each octave of the electrodes' 1/f wander at 0.01 Hz."""
    motion_V: float = 250e-6
    """Electrode noise while the pole moves."""
    noise_V: float = 8e-6
    adc_rate_error: float = -0.031
    adc_offset_V: float = 5e-6
    board_rate_error: float = 0.0034
    board_wander: float = 10e-6
    idle_dc_V: float = 0.004
    idle_ac_V: float = 0.012
    battery_V: float = 12.5
    seed: int = 0

    @classmethod
    def random(
        cls,
        seed: int,
        *,
        fittings: int | None = 0,
        leaks: int = 1,
        bonded_electrode: bool = False,
        head: Head = "single",
        orientation_sensor: bool = False,
        depth_sensor: bool = False,
    ) -> Scenario:
        """Draw a rectangular pool with holes (1 to 4 mm). `fittings` None draws 0 to 4 of them."""
        if leaks < 0 or (fittings is not None and fittings < 0):
            raise InputError("The number of leaks and of fittings cannot be negative: give 0 or more.")
        draw = random.Random(f"earthward scenario {seed}")
        length = round(draw.uniform(6.0, 11.0), 1)
        width = round(draw.uniform(3.0, 5.0), 1)
        depth = round(draw.uniform(1.1, 1.6), 2)
        electrode_a = (round(0.14 * length, 2), round(draw.uniform(0.35, 0.65) * width, 2), round(0.5 * depth, 2))
        electrode_b = (round(0.86 * length, 2), round(draw.uniform(0.35, 0.65) * width, 2), round(0.5 * depth, 2))
        places = _Places(draw, length, width, depth, [electrode_a, electrode_b])
        # They hang from a rope: up to 0.15 m from where they were noted (a draw of its own, so that pools stay).
        rope = random.Random(f"earthward rope {seed}")
        holes = []
        for k in range(leaks):
            spot = places.draw(0.5, 1.2)
            diameter_mm = round(math.exp(draw.uniform(math.log(1.0), math.log(4.0))), 2)
            holes.append(LeakSpec(f"leak {k + 1}", spot, diameter_mm))
        count = draw.randrange(5) if fittings is None else fittings
        things = _draw_fittings(draw, places, count, bonded_electrode)
        mains_Hz = draw.choice((50.0, 60.0))
        return cls(
            name=f"invented pool {seed}",
            length_m=length,
            width_m=width,
            depth_m=depth,
            water_ohm_m=round(draw.uniform(2.5, 9.0), 2),
            soil_ohm_m=round(draw.uniform(30.0, 120.0), 1),
            temperature_C=round(draw.uniform(18.0, 29.0), 1),
            leaks=tuple(holes),
            fittings=things,
            electrode_A_m=_adrift(electrode_a, rope),
            electrode_B_m=_adrift(electrode_b, rope),
            electrode_A_noted_m=electrode_a,
            electrode_B_noted_m=electrode_b,
            earth_electrode_ohm=round(draw.uniform(40.0, 300.0), 1),
            pair_ohm=round(draw.uniform(400.0, 4000.0)),
            head=head,
            orientation_sensor=orientation_sensor,
            depth_sensor=depth_sensor,
            mains_Hz=mains_Hz,
            mains_V=round(math.exp(draw.uniform(math.log(0.2e-3), math.log(4e-3))), 6),
            offset_V=round(draw.uniform(-15e-3, 15e-3), 6),
            drift_V=round(draw.uniform(20e-6, 90e-6), 7),
            adc_rate_error=round(draw.uniform(-0.1, 0.1), 4),
            board_rate_error=round(draw.uniform(-0.005, 0.005), 5),
            idle_dc_V=round(draw.uniform(-0.02, 0.02), 4),
            idle_ac_V=round(draw.uniform(0.002, 0.05), 4),
            seed=seed,
        )

    def with_(self, **changes: Any) -> Scenario:
        """A copy with some fields changed."""
        return replace(self, **changes)

    def leak_ohm(self, leak: LeakSpec) -> float:
        """Water to earth through the hole: both access resistances and the channel."""
        return float(hole_ohm(leak.diameter_mm * 1e-3, self.water_ohm_m, self.soil_ohm_m, self.liner_m))

    def known_pool(self) -> Pool:
        """What the technician knows: no leak, and currents of 10 mA as placeholders until they are measured."""
        return replace(
            rectangle(self.length_m, self.width_m, self.depth_m),
            name=self.name,
            water_conductivity_S_per_m=1.0 / self.water_ohm_m,
            temperature_C=self.temperature_C,
            sources=(
                Placement(position_m=self.electrode_A_noted_m or self.electrode_A_m, current_A=0.010, source_id=0),
                Placement(position_m=self.electrode_B_noted_m or self.electrode_B_m, current_A=0.010, source_id=1),
            ),
            fittings=tuple(Fitting(name=f.name, kind=f.kind, position_m=f.position_m) for f in self.fittings),
        )

    def truth(self) -> dict[str, Any]:
        """Everything, for the end of a practice run. Labelled emulated."""
        told = asdict(self)
        told["emulated"] = True
        for leak, row in zip(self.leaks, told["leaks"], strict=True):
            row["ohm"] = self.leak_ohm(leak)
        return told


@dataclass
class _Places:
    """Draws places on the liner of a box that keep apart from each other and from the electrodes."""

    random: random.Random
    length_m: float
    width_m: float
    depth_m: float
    taken: list[Point3]

    def draw(self, floor_share: float, apart_m: float) -> Point3:
        """One on the floor with this probability, else on a wall; the farthest of sixty tries if none is far enough."""
        best, best_gap = (self.length_m / 2, 0.0, self.depth_m / 2), -1.0
        for _ in range(60):
            spot = self._any(floor_share)
            gap = min(math.dist(spot, other) for other in self.taken)
            if gap > best_gap:
                best, best_gap = spot, gap
            if gap > apart_m:
                break
        rounded = (round(best[0], 3), round(best[1], 3), round(best[2], 3))
        self.taken.append(rounded)
        return rounded

    def _any(self, floor_share: float) -> Point3:
        draw, length, width, depth = self.random, self.length_m, self.width_m, self.depth_m
        if draw.random() < floor_share:
            return draw.uniform(0.4, length - 0.4), draw.uniform(0.4, width - 0.4), depth
        z = draw.uniform(0.25, depth - 0.15)
        along = draw.uniform(0, 2 * (length + width))
        if along < 2 * length:
            return 0.2 + (along % length) * (length - 0.4) / length, width if along > length else 0.0, z
        side = along - 2 * length
        return length if side > width else 0.0, 0.2 + (side % width) * (width - 0.4) / width, z


def _draw_fittings(draw: random.Random, places: _Places, count: int, bonded_electrode: bool) -> tuple[FittingSpec, ...]:
    usual: tuple[FittingKind, ...] = ("light", "ladder", "skimmer", "return", "drain")
    kinds = [draw.choice(usual) for _ in range(count)]
    if bonded_electrode:
        kinds.append("bonded electrode")
    things = []
    for k, kind in enumerate(kinds):
        low, high = FITTING_OHM[kind]
        name = kind if kinds.count(kind) == 1 else f"{kind} {kinds[:k].count(kind) + 1}"
        spot = places.draw(1.0 if kind == "drain" else 0.0, 1.0)
        ohm = round(math.exp(draw.uniform(math.log(low), math.log(high))), 1)
        things.append(FittingSpec(name, kind, spot, ohm))
    return tuple(things)


def _adrift(noted_m: Point3, draw: random.Random) -> Point3:
    """Up to 0.15 m away in plan, a third of that in depth."""
    far, angle = 0.15 * math.sqrt(draw.random()), draw.uniform(0.0, 2 * math.pi)
    x, y, z = noted_m
    moved = (x + far * math.cos(angle), y + far * math.sin(angle), z + draw.uniform(-0.05, 0.05))
    return round(moved[0], 3), round(moved[1], 3), round(moved[2], 3)
