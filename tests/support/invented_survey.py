"""A whole survey of an invented pool, with content for every part of report and exports. For tests.

Nothing here was measured: the water's field is the exact field of a box pool, the readings are drawn from it with pose
and noise errors, the level logs are drawn from the evaporation formulas. The survey is marked emulated.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from tests.support.points import point

from earthward import __version__
from earthward.inversion.compare import current_drop
from earthward.pool.field import make_field
from earthward.pool.pool_file import parse_pool
from earthward.record.base import Point
from earthward.record.finding import Finding
from earthward.record.place import Fitting, FittingKind, Placement
from earthward.record.reading import KeptReading
from earthward.record.visit import CurrentStep, LossTest, SafetyCheck, SensitivityTest
from earthward.survey.contents import pool_of
from earthward.survey.levels import loss_result, parse_level_log
from earthward.survey.locating import locate_survey, remeasure
from earthward.survey.sensitivity import judge_sensitivity
from earthward.survey.store import SurveyStore
from earthward.water.loss import analyse

START_S = 1_781_683_200.0  # 2026-06-17 08:00 UTC
SPACING_M = 0.3
LEAK_M = np.array([6.35, 4.5, 0.95])
INJECTED_A = 0.0090
LEAK_A = 0.00085

POOL = """\
[pool]
name = "Heron Court 4"
shape = "rectangle"
length_m = 9.0
width_m = 4.5

[floor]
kind = "flat"
depth_m = 1.4

[water]
conductivity_S_per_m = 0.21
temperature_C = 26.5

[[source]]
id = 0
position_m = [1.2, 1.2, 0.5]
current_A = 0.009

[[source]]
id = 1
position_m = [7.8, 3.3, 0.5]
current_A = 0.009

[[mark]]
name = "post A"
position_m = [0.0, 4.5]

[[mark]]
name = "post B"
position_m = [9.0, 4.5]
"""

# name, kind, position, share of the current that does not go through the leak
FITTINGS: list[tuple[str, FittingKind, Point, float]] = [
    ("light", "light", (9.0, 2.25, 0.7), 0.52),
    ("ladder", "ladder", (1.6, 0.0, 0.4), 0.21),
    ("skimmer", "skimmer", (3.2, 4.5, 0.12), 0.08),
    ("return", "return", (0.0, 2.9, 0.45), 0.07),
    ("main drain", "drain", (5.6, 2.2, 1.4), 0.12),
]


def currents(leak_A: float, injected_A: float = INJECTED_A) -> dict[str, float]:
    out = {name: share * (injected_A - leak_A) for name, _, _, share in FITTINGS}
    out["leak"] = leak_A
    return out


class World:
    """The invented pool: volts at a pair for given currents, with the errors of a person and an instrument."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.pool = parse_pool(POOL)
        self.field = make_field(self.pool)
        self.sinks = np.array([*[f[2] for f in FITTINGS], LEAK_M], dtype=float)

    def sink_rows(self, front: np.ndarray, back: np.ndarray) -> np.ndarray:
        """Volts per ampere of each sink, the injection electrode left out."""
        return np.asarray(self.field.pair_row(front, back, self.sinks)) / 0.21

    def volts(self, front: np.ndarray, back: np.ndarray, source: np.ndarray, leak_A: float, total_A: float) -> float:
        each = currents(leak_A, total_A)
        flow = np.array([*[each[f[0]] for f in FITTINGS], leak_A])
        from_source = self.field.pair_difference(front, back, source) * total_A / 0.21
        return float(self.sink_rows(front, back) @ flow + from_source)


def pair_at(centre: np.ndarray, bearing_deg: float, vertical: bool) -> tuple[np.ndarray, np.ndarray]:
    if vertical:
        half = np.array([0.0, 0.0, SPACING_M / 2])
        return centre + half, centre - half  # front end down
    b = math.radians(bearing_deg)
    half = SPACING_M / 2 * np.array([math.cos(b), math.sin(b), 0.0])
    return centre + half, centre - half


def stations() -> list[tuple[str, np.ndarray]]:
    """A walk along the edge and a cross, then closer round the suspicious spot."""
    walk = []
    x = np.linspace(0.8, 8.2, 7)
    walk += [(float(v), 0.45) for v in x] + [(8.55, 1.5), (8.55, 3.0)] + [(float(v), 4.05) for v in x[::-1]]
    walk += [(0.45, 3.0), (0.45, 1.5), (2.5, 2.25), (4.5, 2.25), (6.5, 2.25)]
    walk += [(6.0, 4.1), (6.7, 4.1), (6.35, 3.7)]
    return [(f"S{i + 1}", np.array([px, py, 0.7 if i < 20 else 0.9])) for i, (px, py) in enumerate(walk)]


def make_survey(path: Path, seed: int = 7, locate: bool = True) -> SurveyStore:
    """The whole visit as a survey file. `locate=False` leaves the search out and states the finding instead."""
    rng = np.random.default_rng(seed)
    world = World(rng)
    clock = [START_S]

    def wall_s() -> float:
        clock[0] += 20.0
        return clock[0]

    store = SurveyStore.create(
        path, name="Heron Court 4", pool_toml=POOL, emulated=True, technician="M. Sandoval", owner="T. Lindqvist",
        place="invented pool, invented street", software=f"earthward {__version__}", wall_s=wall_s,
    )  # fmt: skip
    before_log = level_log(rng, leak_L_per_day=235.0)
    store.add_loss_test(LossTest(moment="before", log_csv=before_log, result=_loss(before_log)))
    checks = [
        ("nobody in the water, pool watched", True, None, "", None, "stated by M. Sandoval"),
        ("mains gradient in the water, source off", True, 0.0021, "V/m", 0.05, "60 Hz, strongest direction"),
        ("DC gradient in the water, source off", True, 0.0004, "V/m", 0.05, "from two turned readings"),
        ("electrode to earth, source off", True, 0.11, "V", 0.5, "by the source board"),
        ("emergency stop opens the output", True, 0.012, "s", 0.1, "pressed and reset"),
    ]
    for name, ok, value, unit, limit, text in checks:
        store.add_safety_check(
            SafetyCheck(name=name, ok=ok, value=value, unit=unit, limit_value=limit, text=text)
        )  # fmt: skip
    for name, kind, position, _ in FITTINGS:
        store.put_fitting(Fitting(name=name, kind=kind, position_m=position))
    for source in world.pool.sources:
        store.put_source(
            Placement(source_id=source.source_id, position_m=source.position_m, current_A=source.current_A)
        )
    settings = store.add_settings(
        {"spacing_m": SPACING_M, "waveform": "coded", "frequency_Hz": 35.7, "window_s": 0.5, "current_limit_A": 0.010,
         "earth_electrode_m": [-2.0, 2.0, 0.0]}
    )  # fmt: skip
    sensitivity_row(store, world, settings)

    def keep(station: str, centre: np.ndarray, leak_A: float, total_A: float, **more: Any) -> None:
        """Both placements on three axes from one pose of the pole, held not quite where the person thinks."""
        shift = rng.normal(0, [0.08, 0.08, 0.04])
        turn = float(rng.normal(0, 8.0))
        for source_id in (0, 1):
            source = np.array(world.pool.source(source_id).position_m)
            for bearing, vertical in ((0.0, False), (90.0, False), (0.0, True)):
                front, back = pair_at(centre, bearing, vertical)
                true_front, true_back = pair_at(centre + shift, bearing + turn, vertical)
                value = float(world.volts(true_front, true_back, source, leak_A, total_A) + rng.normal(0, 8e-7))
                store.keep(
                    KeptReading(
                        front_m=point(front), back_m=point(back), value_V=value, sigma_V=8e-7,
                        station=station, source_id=source_id, snr=abs(value) / 8e-7, window_s=0.5, lost_fraction=0.0,
                        p_sign=1.0 if abs(value) > 4e-6 else 0.9, injected_A=total_A, settings_id=settings, **more,
                    )
                )  # fmt: skip

    for station, centre in stations():
        keep(station, centre, LEAK_A, INJECTED_A)
    store.withdraw(23, "the pole was knocked against the ladder")

    after_A = INJECTED_A - LEAK_A
    found = _locate(store) if locate else None
    first = (found or {}).get("findings", [])
    position = tuple(first[0]["position_m"]) if first else (6.3, 4.5, 0.98)
    number = store.put_finding(
        Finding(
            number=0, position_m=position, radius_m=first[0]["radius_m"] if first else 0.15,
            current_A=first[0]["current_A"] if first else 8.3e-4,
            current_interval_A=tuple(first[0]["current_interval_A"]) if first else (6.9e-4, 9.8e-4),
            hole_diameter_mm=tuple(first[0]["hole_diameter_mm"] or (1.2, 5.5)) if first else (1.2, 5.5),
            text="long wall, between skimmer and deep-end corner, below the seam",
        )
    )  # fmt: skip
    store.set_finding_stage(number, "dye drawn", "pump off 20 min; dye drawn into a slit of about 3 mm")
    store.add_event("info", "stage", f"finding {number}: dye drawn")
    drop = current_drop(INJECTED_A, after_A + float(rng.normal(0, 1.2e-5)), 1.2e-5, 1.2e-5)
    store.set_finding_stage(number, "repaired", "underwater vinyl patch, 60 mm round, cured 2 h")
    store.add_current_step(
        CurrentStep(
            kind="patch", finding=number, before_A=INJECTED_A, before_sigma_A=1.2e-5,
            after_A=INJECTED_A - drop.current_A, after_sigma_A=1.2e-5,
        )
    )  # fmt: skip
    clock[0] += 7200.0
    again = [s for s in stations() if np.hypot(*(s[1][:2] - LEAK_M[:2])) < 1.2]
    for station, centre in again:
        keep(station, centre, 0.0, after_A, purpose="re-measure", finding=number)
    result = remeasure(store, world.pool, number)
    store.set_finding_stage(number, "re-measured", result.text, result.as_dict())
    clock[0] += 2 * 86_400.0
    after_log = level_log(rng, leak_L_per_day=0.0)
    store.add_loss_test(LossTest(moment="after", log_csv=after_log, result=_loss(after_log)))
    store.add_note("Liner about eight years old, two earlier patches on the shallow floor, both dry of dye.")
    store.add_note("Light niche takes half of the current; its conduit was not opened.")
    return store


def sensitivity_row(store: SurveyStore, world: World, settings: int) -> None:
    """The test leak: a bare wire end of known resistance, read at 0.5 m with and without."""
    centre = np.array([4.5, 2.25, 0.7])
    front, back = pair_at(centre, 0.0, False)
    place = centre + np.array([0.65, 0.0, 0.0])
    row = float(world.field.pair_row(front, back, place[None])[0]) / 0.21
    source = np.array(world.pool.source(0).position_m)
    for connected in (False, True, False, True, False):
        leak = 3.0e-4 if connected else 0.0
        value = world.volts(front, back, source, LEAK_A, INJECTED_A) + row * leak + float(world.rng.normal(0, 8e-7))
        store.keep(
            KeptReading(
                front_m=point(front), back_m=point(back), value_V=value, sigma_V=8e-7,
                station="test leak", purpose="test leak", injected_A=INJECTED_A, settings_id=settings,
                test_leak="connected" if connected else "disconnected",
            )
        )  # fmt: skip
    result = judge_sensitivity(store.readings("test leak"), 0.5)
    store.add_sensitivity_test(
        SensitivityTest(ok=result.ok, result={**result.as_dict(), "distance_m": 0.5}, settings_id=settings)
    )


def level_log(rng: np.random.Generator, leak_L_per_day: float) -> str:
    """Two days of bucket test with hourly weather left out but for six-hourly notes."""
    from earthward.water.evaporation import Weather, carrier, smith_lof_jones

    area = 40.5
    day = 17 if leak_L_per_day else 20
    lines = [
        "# Invented level log", f"# area_m2: {area}", "# depth_m: 1.4", "# reading_sigma_mm: 0.5",
        "# exposure: sheltered", "# wind_height_m: 10",
        "time,pool_below_mm,bucket_below_mm,pump,rain_mm,water_C,air_C,rh_percent,wind_m_per_s",
    ]  # fmt: skip
    pool = bucket = 0.0
    for i in range(13):
        hour = 8 + 6 * i
        air = 22.0 + 5.0 * math.sin(2 * math.pi * (hour - 9) / 24)
        humidity = 0.6 - 0.12 * math.sin(2 * math.pi * (hour - 9) / 24)
        wind = 1.6 + 0.8 * math.sin(2 * math.pi * (hour - 11) / 24)
        reading = i % 2 == 0
        shown = f"{100 + pool + rng.normal(0, 0.4):.1f},{40 + bucket + rng.normal(0, 0.4):.1f}" if reading else ","
        pump = "on" if i >= 6 else "off"
        moment = f"2026-06-{day + hour // 24:02d} {hour % 24:02d}:00"
        lines.append(f"{moment},{shown},{pump},0,26.5,{air:.1f},{100 * humidity:.0f},{wind:.1f}")
        weather = Weather(26.5, air, humidity, 0.3 * wind)
        evaporation = 0.5 * (0.75 * carrier(weather) + smith_lof_jones(weather)) / 4
        pool += evaporation + leak_L_per_day / area / 4
        bucket += evaporation * 1.02
    return "\n".join(lines) + "\n"


def _loss(text: str) -> dict[str, Any]:
    log = parse_level_log(text)
    return loss_result(log, analyse(log))


def _locate(store: SurveyStore) -> dict[str, Any]:
    """The search itself, as `earthward locate` does it."""
    pool = pool_of(store.pool_toml(), store.fittings(), store.sources())
    assert pool is not None
    return locate_survey(store, pool).to_json()
