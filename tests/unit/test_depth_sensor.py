"""The depth sensor over the unmodified Adafruit driver: registers against the maker's own conversions, and what is made
of them against a head that is lowered into water in virtual time."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from itertools import pairwise

import adafruit_lis3mdl
import adafruit_lsm6ds
import numpy as np
import pytest
from adafruit_lps28 import LPS28

from earthward.clock import ManualClock
from earthward.config import AdcConfig, DepthConfig, OrientationConfig
from earthward.devices import registers
from earthward.devices.depth_sensor import DepthSensor, DepthSettings
from earthward.devices.head_sensor import HeadSensor
from earthward.emulated.ads1115 import FakeI2C
from earthward.emulated.head import EmulatedHead
from earthward.emulated.inertial import EmulatedLis3mdl, EmulatedLsm6dsox, StillBody
from earthward.emulated.pool import Pose
from earthward.emulated.pressure import EmulatedLps28dfw, StillFluid, Surroundings
from earthward.emulated.scenario import Scenario
from earthward.errors import InputError
from earthward.record.calibration import DepthZero
from earthward.record.place import Orientation
from earthward.signal import depth
from earthward.signal.depth import DepthFilter, Pressed


def one(bus: FakeI2C, register: int) -> int:
    out = bytearray(1)
    bus.writeto_then_readfrom(0x5C, bytes([register]), out)
    return out[0]


def bus_with(clock: ManualClock, fluid: StillFluid) -> FakeI2C:
    bus = FakeI2C(clock)
    bus.add(0x5C, EmulatedLps28dfw(clock, fluid, noisy=False))
    return bus


# ---- registers ----------------------------------------------------------------------------------------------------


def test_power_on_values() -> None:
    """WHO_AM_I and register numbers: STMicroelectronics/lps28dfw-pid, lps28dfw_reg.h; IF_ADD_INC set at power-on: ST's
    data sheet of the LPS28DFW, from memory."""
    bus = bus_with(ManualClock(5.0), StillFluid())
    assert (one(bus, 0x0F), one(bus, 0x10), one(bus, 0x11), one(bus, 0x12)) == (0xB4, 0x00, 0x00, 0x01)


@pytest.mark.parametrize(
    ("hpa", "wide", "word"),
    [
        (1013.25, False, 0x3F5400),  # 1013.25 x 4096 = 4 150 272
        (1013.25, True, 0x1FAA00),  # 1013.25 x 2048 = 2 075 136
        (1160.25, True, 0x244200),  # 1.5 m of water above that: 1160.25 x 2048 = 2 376 192
        (260.0, True, 0x082000),
        (4060.0, True, 0x7EE000),
    ],
)
def test_pressure_words(hpa: float, wide: bool, word: int) -> None:
    """Counts a hectopascal: lps28dfw_from_fs1260_to_hPa (4096) and lps28dfw_from_fs4000_to_hPa (2048) in ST's
    lps28dfw_reg.c; the words here are worked out by hand from them."""
    clock = ManualClock(5.0)
    bus = bus_with(clock, StillFluid(hpa))
    chip = LPS28(bus)
    chip.full_scale_mode = wide
    clock.advance(0.1)
    assert one(bus, 0x28) | one(bus, 0x29) << 8 | one(bus, 0x2A) << 16 == word
    assert chip.pressure == pytest.approx(hpa, abs=0.001)


@pytest.mark.parametrize(("celsius", "word"), [(25.0, 0x09C4), (0.0, 0x0000), (-5.5, 0xFDDA)])
def test_temperature_words(celsius: float, word: int) -> None:
    """100 counts a degree: lps28dfw_from_lsb_to_celsius in ST's lps28dfw_reg.c."""
    clock = ManualClock(5.0)
    bus = bus_with(clock, StillFluid(celsius=celsius))
    chip = LPS28(bus)
    clock.advance(0.1)
    assert one(bus, 0x2B) | one(bus, 0x2C) << 8 == word
    assert chip.temperature == pytest.approx(celsius)


def test_pressure_beyond_the_range_stays_at_its_end() -> None:
    clock = ManualClock(5.0)
    chip = LPS28(bus_with(clock, StillFluid(9000.0)))
    clock.advance(0.1)
    assert chip.pressure == 4060.0
    chip.full_scale_mode = False
    clock.advance(0.1)
    assert chip.pressure == 1260.0


def test_one_shot_converts_once_and_says_when() -> None:
    """ONESHOT clears itself, P_DA and T_DA rise with the value and P_DA falls when its high byte is read (bits:
    lps28dfw_reg.h; when they rise and fall: data sheet, from memory)."""
    clock, fluid = ManualClock(5.0), StillFluid(1000.0)
    bus = bus_with(clock, fluid)
    chip = LPS28(bus)
    chip.data_rate, chip.averaging = 0, 64
    _ = chip.pressure
    chip.trigger_one_shot = True
    assert not chip.data_ready and one(bus, 0x11) & 1 == 0
    clock.advance(0.05)
    assert chip.data_ready and chip.pressure == pytest.approx(1000.0)
    fluid.hPa = 1100.0
    clock.advance(1.0)
    assert not chip.data_ready and chip.pressure == pytest.approx(1000.0)


def test_no_two_parts_of_the_head_can_be_given_one_address() -> None:
    spans = []
    for kind, fields in ((AdcConfig, ["address"]), (OrientationConfig, ["address", "magnetometer_address"]),
                         (DepthConfig, ["address"])):  # fmt: skip
        for name in fields:
            meta = kind.__annotations__[name]
            low, high = (int(v, 16) for v in meta.split("ge=")[1].split(")")[0].replace("le=", "").split(", "))
            spans.append((low, high))
    spans.sort()
    assert all(a[1] < b[0] for a, b in pairwise(spans))


# ---- what is made of it ---------------------------------------------------------------------------------------------


def test_density_of_water_is_kells() -> None:
    """G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, equation for air-free water at one atmosphere (coefficients from
    memory): within 0.02 %."""
    for t in np.arange(5.0, 39.0, 1.7):
        above = np.polyval([-280.54253e-12, 105.56302e-9, -46.170461e-6, -7.9870401e-3, 16.945176, 999.83952], t)
        assert float(np.interp(t, depth.DENSITY_C, depth.DENSITY)) == pytest.approx(
            float(above / (1.0 + 16.879850e-3 * t)), rel=2e-4
        )


def filled(
    pressure_hPa: float, t_s: float = 0.0, told: DepthFilter | None = None, celsius: float = 20.0
) -> DepthFilter:
    told = told or DepthFilter()
    for k in range(12):
        told.add(Pressed(t_s + 0.1 * k, 100.0 * pressure_hPa + 0.1 * (k % 3), celsius))
    return told


def test_depth_by_hand() -> None:
    """1 m of fresh water at 20 degrees: 998.21 kg/m3 x 9.80665 m/s2 = 97.891 hPa."""
    told = filled(1000.0)
    assert told.take_zero(0.0) == ""
    filled(1097.891, 10.0, told)
    there = told.now(11.2)
    assert there is not None and there.depth_m == pytest.approx(1.0, abs=2e-4)


def test_sigma_grows_with_the_weather_until_the_zero_is_given_up() -> None:
    told = filled(1000.0)
    told.take_zero(0.0)
    sigmas = []
    for hours in (0.01, 1.0, 3.0):
        filled(1050.0, 3600.0 * hours, told)
        there = told.now(3600.0 * hours + 1.2)
        assert there is not None
        sigmas.append(there.sigma_m)
    assert sigmas[0] < 0.011 and 3 * 0.0070 < sigmas[2] < 0.03 and sigmas == sorted(sigmas)
    filled(1050.0, 3600.0 * 12, told)
    assert told.now(3600.0 * 12 + 1.2) is None and told.note(3600.0 * 12 + 1.2) == depth.TOO_LONG


def test_a_sensor_warm_from_the_sun_is_known_less_well() -> None:
    told = filled(1000.0, celsius=60.0)
    told.take_zero(0.0)
    filled(1050.0, 10.0, told, celsius=20.0)
    there = told.now(11.2)
    assert there is not None and there.sigma_m == pytest.approx(0.01, abs=0.002)


@pytest.mark.parametrize(
    ("hpa", "why"),
    [(200.0, "outside its range"), (4200.0, "outside its range"), (2500.0, "deeper than any pool"), (950.0, "above")],
)
def test_what_cannot_be_is_said(hpa: float, why: str) -> None:
    told = filled(1000.0)
    told.take_zero(0.0)
    filled(hpa, 10.0, told)
    assert told.now(11.2) is None and why in told.note(11.2)


def test_a_zero_under_water_or_on_the_move_is_refused() -> None:
    assert "no air has" in filled(1120.0).take_zero(0.0)
    moving = DepthFilter()
    for k in range(12):
        moving.add(Pressed(0.1 * k, 1e5 + 100.0 * k, 20.0))
    assert "held still" in moving.take_zero(0.0)
    assert "long enough" in DepthFilter().take_zero(0.0)


def test_three_axes_carry_the_sensor_at_their_foot() -> None:
    told = DepthFilter((0.0, 0.15, -0.15))
    filled(1000.0, 0.0, told)
    told.take_zero(0.0)
    filled(1097.891, 10.0, told)
    level = told.now(11.2)
    # Leaning to the left by 30 degrees: the axis to the left points down by its sine.
    c, s = math.cos(math.radians(30)), math.sin(math.radians(30))
    held = Orientation(ahead=(1.0, 0.0, 0.0), left=(0.0, c, s), up=(0.0, s, -c), bearing_deg=0.0, bearing_sigma_deg=2.0,
                       tilt_sigma_deg=0.7)  # fmt: skip
    leaning = told.now(11.2, held)
    assert level is not None and level.depth_m == pytest.approx(0.85, abs=1e-3)
    assert leaning is not None and leaning.depth_m == pytest.approx(1.0 - 0.15 * s - 0.15 * c, abs=1e-3)


# ---- a head lowered into the water ----------------------------------------------------------------------------------


class Bench:
    def __init__(self, seed: int = 1, zero: DepthZero | None = None, wall_s: Callable[[], float] | None = None) -> None:
        self.clock = ManualClock(100.0)
        self.scenario = Scenario.random(seed, fittings=3, depth_sensor=True)
        self.head = EmulatedHead(self.scenario, self.clock)
        self.bus = FakeI2C(self.clock)
        draw = np.random.default_rng([seed, 1])
        around = Surroundings(self.scenario, self.head)
        self.chip = EmulatedLps28dfw(
            self.clock, around, seed, offset_Pa=draw.normal(0, 25), offset_Pa_per_K=draw.normal(), scale=1e-4
        )
        self.bus.add(0x5C, self.chip)
        self.kept: list[DepthZero] = []
        self.sensor = DepthSensor(
            self.bus, self.clock, DepthSettings(), zero, self.kept.append, wall_s or self.clock.now
        )
        self.sensor.open()

    def look(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.1)):
            self.clock.advance(0.1)
            self.sensor.look()

    def lower(self, depth_m: float) -> None:
        self.head.move(Pose((3.0, 2.0, depth_m), (2.7, 2.0, depth_m)), 1.0)
        self.look(2.2)


@pytest.mark.parametrize("seed", range(1, 7))
def test_depth_within_its_sigma_over_two_hours(seed: int) -> None:
    bench = Bench(seed)
    bench.look(1.5)
    bench.sensor.at_surface()
    draw = np.random.default_rng(seed)
    for _ in range(12):
        bench.lower(float(draw.uniform(0.2, 1.4)))
        told = bench.sensor.now(None, bench.clock.now() - 1.0)
        true = bench.head.depth_m(bench.clock.now())
        assert told is not None and true is not None and told.sigma_m < 0.03
        assert abs(told.depth_m - true) < 2.5 * told.sigma_m
        bench.clock.advance(600.0)
        bench.look(0.3)


def test_what_was_seen_on_the_way_does_not_count() -> None:
    bench = Bench()
    bench.look(1.5)
    bench.sensor.at_surface()
    bench.lower(1.2)
    assert bench.sensor.now(None, bench.clock.now() + 0.01) is None


def test_a_missing_sensor_is_said_and_comes_back_with_its_zero() -> None:
    bench = Bench()
    bench.look(1.5)
    bench.sensor.at_surface()
    bench.lower(0.8)
    bench.bus.absent.add(0x5C)
    with pytest.raises(OSError, match="Remote I/O"):
        bench.sensor.look()
    bench.sensor._failed(OSError("gone"))
    assert "does not answer" in bench.sensor.text and bench.sensor.now() is None
    with pytest.raises(InputError, match="does not answer"):
        bench.sensor.at_surface()
    bench.bus.absent.clear()
    bench.chip.reset()
    bench.sensor.open()
    bench.look(1.5)
    told = bench.sensor.now()
    assert told is not None and told.depth_m == pytest.approx(0.8, abs=0.03)


def test_a_frozen_sensor_is_noticed() -> None:
    bench = Bench()
    bench.look(1.5)
    bench.sensor.at_surface()
    bench.chip.frozen = True
    with pytest.raises(RuntimeError, match="has stopped"):
        bench.look(2.0)


def test_numbers_that_stand_still_are_noticed() -> None:
    told = DepthFilter()
    for k in range(40):
        told.add(Pressed(0.1 * k, 1e5, 20.0))
    assert told.note(3.9) == depth.STOPPED


def test_todays_zero_is_kept_and_yesterdays_is_not() -> None:
    bench = Bench()
    bench.look(1.5)
    bench.sensor.at_surface()
    zero = bench.kept[-1]
    for age_s, known in ((1800.0, True), (86400.0, False)):
        again = Bench(zero=zero, wall_s=lambda age_s=age_s: zero.time_s + age_s)  # type: ignore[misc]
        again.lower(0.8)
        assert (again.sensor.now() is not None) == known
        assert known or again.sensor.text == depth.NO_ZERO


def test_two_sensors_looked_at_by_two_threads_keep_their_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drivers' library shares one buffer among all devices: each thread holds `ONE_AT_A_TIME` meanwhile."""
    monkeypatch.setattr(adafruit_lsm6ds, "sleep", lambda _: None)
    monkeypatch.setattr(adafruit_lis3mdl, "sleep", lambda _: None)
    clock = ManualClock(100.0)
    bus = bus_with(clock, StillFluid(1013.25))
    bus.add(0x6A, EmulatedLsm6dsox(clock, StillBody(), noisy=False))
    bus.add(0x1C, EmulatedLis3mdl(clock, StillBody(), noisy=False))
    deep, held = DepthSensor(bus, clock), HeadSensor(bus, clock)
    seen: list[float] = []
    monkeypatch.setattr(deep._filter, "add", lambda look: seen.append(look.pressure_Pa))
    waiting = threading.Event()
    real = bus.writeto_then_readfrom

    def slow(address: int, *args: bytearray, **slices: int) -> None:
        real(address, *args, **slices)  # type: ignore[arg-type]
        waiting.wait(2e-4)  # a real wire takes its time, and so lets the other thread run

    monkeypatch.setattr(bus, "writeto_then_readfrom", slow)
    monkeypatch.setattr("earthward.devices.depth_sensor.LOOK_S", 0.1)
    deep.start()
    held.start()
    until = 400
    while len(seen) < 60 and until:
        waiting.wait(0.005)
        until -= 1
    deep.close()
    held.close()
    assert len(seen) >= 60 and set(seen) == {101325.0}
    assert not registers.ONE_AT_A_TIME.locked()
