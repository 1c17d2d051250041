"""Worlds for the comparison with the model, in each of which at most one assumption is broken. For tests.

Nothing of what judges them is used: the field of a box, and the record that readings are handed over in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from earthward.emulated.pair_recording import PairScene, record
from earthward.pool.box import BoxField
from earthward.pool.shape import Pool, rectangle
from earthward.record.base import Point
from earthward.record.place import Fitting, Placement
from earthward.record.reading import KeptReading
from earthward.signal.types import SampleBlock

Broken = Literal["", "pose", "common mode", "noise colour", "current balance"]


@dataclass(frozen=True)
class BundleWorld:
    pool: Pool
    readings: list[KeptReading]
    sinks_m: list[Point]
    shares: list[float]
    block: SampleBlock
    notes: list[dict[str, Any]]
    header: dict[str, Any]


def draw(seed: int, broken: Broken = "") -> BundleWorld:
    """24 stations of three directions, two placements, one hole and two fittings."""
    rng = np.random.default_rng([seed, 41])
    size = np.array([rng.uniform(7, 11), rng.uniform(3.5, 5), rng.uniform(1.3, 1.7)])
    field = BoxField(*size)
    noted = np.array([[0.12 * size[0], 0.5 * size[1], 0.6], [0.88 * size[0], 0.45 * size[1], 0.6]])
    true = noted + rng.normal(0, [0.08, 0.08, 0.03], (2, 3))
    hole = np.array([rng.uniform(0.25, 0.75) * size[0], 0.0, rng.uniform(0.5, 1.0)])
    light = np.array([size[0], rng.uniform(0.3, 0.7) * size[1], 0.7])
    drain = np.array([rng.uniform(0.35, 0.65) * size[0], rng.uniform(0.4, 0.6) * size[1], size[2]])
    sinks = np.stack([hole, light, drain])
    shares = rng.dirichlet([3, 5, 3])
    leaving = 0.65 if broken == "current balance" else 1.0
    sigma_water, current = rng.uniform(0.12, 0.35), rng.uniform(5e-3, 9e-3, 2)
    hands = {"place": 0.08, "bearing": 8.0, "tilt": 3.0}
    if broken == "pose":
        hands = {"place": 0.25, "bearing": 28.0, "tilt": 9.0}
    swing_V = 60e-6 * rng.choice([-1, 1]) if broken == "common mode" else 0.0
    factor = 6.0 if broken == "noise colour" else 1.0
    readings: list[KeptReading] = []
    for station, middle in enumerate(_walk(size, rng)):
        stands = middle + rng.normal(0, [hands["place"], hands["place"], 0.5 * hands["place"]])
        for arm in np.eye(3) * 0.3:
            turned = _turn(arm, np.radians(rng.normal(0, [hands["tilt"], hands["tilt"], hands["bearing"]])))
            ends = _inside(np.stack([stands - 0.5 * turned, stands + 0.5 * turned]), size)
            taken = sum(s * field.green(ends, p) for s, p in zip(shares, sinks, strict=True))
            for k in range(2):
                unit = field.green(ends, true[k]) - leaving * taken
                value = current[k] / sigma_water * float(unit[0] - unit[1]) + swing_V * current[k] / current.mean()
                readings.append(
                    KeptReading(
                        front_m=_point(middle + 0.5 * arm), back_m=_point(middle - 0.5 * arm), source_id=k,
                        value_V=value + rng.normal(0, factor * 1e-6), sigma_V=1e-6, station=f"S{station}",
                        row=len(readings) + 1, injected_A=float(current[k]),
                    )
                )  # fmt: skip
    pool = replace(
        rectangle(*(float(v) for v in size)),
        name=f"world {seed}",
        water_conductivity_S_per_m=sigma_water * (1 + rng.normal(0, 0.01)),
        sources=tuple(
            Placement(position_m=_point(noted[k]), current_A=float(current[k]), source_id=k) for k in range(2)
        ),
        fittings=(
            Fitting(name="light", kind="light", position_m=_point(light)),
            Fitting(name="drain", kind="drain", position_m=_point(drain)),
        ),
    )
    block, notes, header = recording(seed, broken == "noise colour")
    return BundleWorld(pool, readings, [_point(s) for s in sinks], [leaving * float(s) for s in shares], block, notes,
                       header)  # fmt: skip


def recording(
    seed: int, coloured: bool, seconds: float = 45.0
) -> tuple[SampleBlock, list[dict[str, Any]], dict[str, Any]]:
    """Samples with the source on all along. coloured: a bad contact makes the signal come and go by some percent,
    slower than a window, so that no window shows it within itself."""
    scene = PairScene(frequency_Hz=36.0, amplitude_V=60e-6, mains_V=((50.0, 4e-4),), stalls_per_s=0.0)
    amplitude = None
    if coloured:
        rng = np.random.default_rng([seed, 42])
        knots = np.arange(0.0, seconds + 3.0, 1.3)
        at = np.arange(int(seconds * scene.rate_Hz)) / scene.rate_Hz
        amplitude = 60e-6 * (1 + 0.03 * np.interp(at, knots, rng.normal(0, 1, knots.size)))
    made = record(scene, seconds, seed, amplitude)
    volts = made.v_V
    index = np.asarray(made.number, dtype=np.int64)
    block = SampleBlock(index, made.t_s, volts, np.zeros(index.size, dtype=np.uint8), 0.256)
    first = float(made.t_s[0])
    notes: list[dict[str, Any]] = [
        {"kind": "source", "t_s": first - 0.4, "energised": True, "since_s": first - 0.4, "electrode": "A"},
        {"kind": "reference", "t_s": first - 0.3, "start_s": scene.start_s, "frequency_Hz": 36.0, "sigma_s": 1e-5,
         "frequency_sigma": 1e-7, "electrode": "A", "current_A": 0.006},
    ]  # fmt: skip
    header = {"emulated": True, "waveform": "coded", "frequency_Hz": 36.0, "mains_Hz": [50.0, 60.0], "window_s": 0.5,
              "spacing_m": 0.3}  # fmt: skip
    return block, notes, header


def in_pieces(block: SampleBlock, size: int = 43) -> list[SampleBlock]:
    """As a converter's reader hands them on."""
    return [
        SampleBlock(block.index[k : k + size], block.t_s[k : k + size], block.v_V[k : k + size],
                    block.flags[k : k + size], block.full_scale_V)
        for k in range(0, len(block), size)
    ]  # fmt: skip


def _walk(size: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    out = []
    for k in range(24):
        side = k % 2
        x = (0.06 + 0.88 * (k // 2 + rng.uniform(0.2, 0.8)) / 12) * size[0]
        y = rng.uniform(0.5, 0.9) if side == 0 else size[1] - rng.uniform(0.5, 0.9)
        out.append(np.array([x, y, rng.choice([0.4, 0.9])]))
    return out


def _turn(arm: np.ndarray, angle: np.ndarray) -> np.ndarray:
    turned = arm + np.cross(angle, arm)
    return np.asarray(turned * np.linalg.norm(arm) / np.linalg.norm(turned))


def _inside(points: np.ndarray, size: np.ndarray) -> np.ndarray:
    return np.asarray(np.clip(points, 0.05, size - 0.05))


def _point(p: np.ndarray) -> Point:
    return float(p[0]), float(p[1]), float(p[2])
