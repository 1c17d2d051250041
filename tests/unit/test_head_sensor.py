"""The orientation sensor over the unmodified Adafruit drivers: registers against the data sheets, and what is made of
them against a pole head that is turned by hand in virtual time."""

from __future__ import annotations

import math

import adafruit_lis3mdl
import adafruit_lsm6ds
import numpy as np
import pytest
from adafruit_lis3mdl import LIS3MDL
from adafruit_lsm6ds import AccelRange, GyroRange
from adafruit_lsm6ds.lsm6dsox import LSM6DSOX

from earthward.clock import ManualClock
from earthward.devices.head_sensor import NO_COMPASS, HeadSensor, HeadSettings
from earthward.emulated.ads1115 import FakeI2C
from earthward.emulated.head import EmulatedHead
from earthward.emulated.inertial import Defects, EmulatedLis3mdl, EmulatedLsm6dsox, StillBody
from earthward.emulated.pool import Pose
from earthward.emulated.scenario import Scenario
from earthward.errors import InputError
from earthward.record.calibration import HeadCalibration
from earthward.signal import orientation
from earthward.signal.orientation import OrientationFilter


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drivers wait for real parts to settle."""
    monkeypatch.setattr(adafruit_lsm6ds, "sleep", lambda _: None)
    monkeypatch.setattr(adafruit_lis3mdl, "sleep", lambda _: None)


def bus_with(body: StillBody, clock: ManualClock) -> FakeI2C:
    bus = FakeI2C(clock)
    bus.add(0x6A, EmulatedLsm6dsox(clock, body, noisy=False))
    bus.add(0x1C, EmulatedLis3mdl(clock, body, noisy=False))
    return bus


def words(bus: FakeI2C, address: int, register: int) -> tuple[int, ...]:
    """Three 16-bit words from a register on, low byte first, as they stand."""
    out = bytearray(6)
    bus.writeto_then_readfrom(address, bytes([register]), out)
    return tuple(int(v) for v in np.frombuffer(bytes(out), dtype="<u2"))


# ---- registers ----------------------------------------------------------------------------------------------------


def test_power_on_values() -> None:
    """ST DS12814 (LSM6DSOX) and DocID024204 (LIS3MDL), register tables, from memory."""
    bus = bus_with(StillBody(), ManualClock(5.0))
    for address, register, value in ((0x6A, 0x0F, 0x6C), (0x6A, 0x12, 0x04), (0x6A, 0x10, 0x00), (0x6A, 0x18, 0xE0),
                                     (0x1C, 0x0F, 0x3D), (0x1C, 0x20, 0x10), (0x1C, 0x22, 0x03)):  # fmt: skip
        one = bytearray(1)
        bus.writeto_then_readfrom(address, bytes([register]), one)
        assert one[0] == value, f"register {register:#x} of {address:#x}"


@pytest.mark.parametrize(("mg", "word"), [(0, 0x0000), (350, 0x1669), (1000, 0x4009), (-350, 0xE997), (-1000, 0xBFF7)])
def test_acceleration_words_at_2_g(mg: int, word: int) -> None:
    """ST application note AN5272, table "content of output data registers vs. acceleration", FS = 2 g (from memory)."""
    clock = ManualClock(5.0)
    bus = bus_with(StillBody(g=(mg / 1000, 0.0, 0.0)), clock)
    chip = LSM6DSOX(bus)
    chip.accelerometer_range = AccelRange.RANGE_2G
    clock.advance(0.1)
    x = words(bus, 0x6A, 0x28)[0]
    assert (x - word + 0x8000) % 0x10000 - 0x8000 in (-1, 0, 1)
    assert chip.acceleration[0] == pytest.approx(mg * 9.80665e-3, abs=0.0007)


@pytest.mark.parametrize(("dps", "word"), [(0, 0x0000), (100, 0x2CA4), (200, 0x5949), (-100, 0xD35C), (-200, 0xA6B7)])
def test_angular_rate_words_at_250_dps(dps: int, word: int) -> None:
    """The same note, table "content of output data registers vs. angular rate", FS = 250 dps (from memory)."""
    clock = ManualClock(5.0)
    bus = bus_with(StillBody(dps=(0.0, dps, 0.0)), clock)
    chip = LSM6DSOX(bus)
    clock.advance(0.1)
    y = words(bus, 0x6A, 0x22)[1]
    assert (y - word + 0x8000) % 0x10000 - 0x8000 in (-1, 0, 1)
    assert math.degrees(chip.gyro[1]) == pytest.approx(dps, abs=0.005)


def test_rate_beyond_the_range_stays_at_its_end() -> None:
    clock = ManualClock(5.0)
    chip = LSM6DSOX(bus_with(StillBody(dps=(0.0, 0.0, 900.0)), clock))
    chip.gyro_range = GyroRange.RANGE_500_DPS
    clock.advance(0.1)
    assert math.degrees(chip.gyro[2]) == pytest.approx(32767 * 0.0175)


def test_magnetic_words_at_4_gauss() -> None:
    """Sensitivity 6842 LSB/gauss (LIS3MDL data sheet, table 3, from memory)."""
    clock = ManualClock(5.0)
    bus = bus_with(StillBody(gauss=(0.25, -0.5, 1.0)), clock)
    chip = LIS3MDL(bus)
    clock.advance(0.1)
    assert words(bus, 0x1C, 0x28) == (round(0.25 * 6842), 0x10000 - 3421, 6842)
    assert chip.magnetic == pytest.approx((25.0, -50.0, 100.0), abs=0.01)


def test_the_chip_converts_at_its_rate_and_not_more_often() -> None:
    clock = ManualClock(5.0)
    bus = bus_with(StillBody(), clock)
    chip = LSM6DSOX(bus)
    part = bus.chips[0x6A]
    assert isinstance(part, EmulatedLsm6dsox) and part.rate_Hz == 104.0
    part._noisy = True
    seen = set()
    for _ in range(1000):
        clock.advance(1e-3)
        seen.add(chip.acceleration + chip.gyro)
    assert 103 <= len(seen) <= 105


# ---- a head turned by hand -----------------------------------------------------------------------------------------


class Bench:
    """A three-axis head in virtual time."""

    def __init__(self, seed: int = 1, magnetometer: int | None = 0x1C, calibration: HeadCalibration | None = None):
        self.clock = ManualClock(100.0)
        self.scenario = Scenario.random(seed, fittings=3, head="three-axis")
        self.head = EmulatedHead(self.scenario, self.clock)
        self.bus = FakeI2C(self.clock)
        force = Defects(seed * 3, offset=0.012, scale=0.004, crossed=0.003, mounting_deg=1.0)
        rate = Defects(seed * 3 + 1, offset=0.7, scale=0.005, crossed=0.003, mounting_deg=1.0)
        field = Defects(seed * 3 + 2, offset=0.01, scale=0.01, crossed=0.003, mounting_deg=1.0)
        self.chip = EmulatedLsm6dsox(self.clock, self.head, seed, force, rate)
        self.bus.add(0x6A, self.chip)
        self.bus.add(0x1C, EmulatedLis3mdl(self.clock, self.head, seed, field))
        self.kept: list[HeadCalibration] = []
        self.sensor = HeadSensor(
            self.bus, self.clock, HeadSettings(magnetometer=magnetometer), calibration, self.kept.append
        )
        self.sensor.open()

    def look(self, seconds: float, step_s: float = 0.02) -> None:
        for _ in range(round(seconds / step_s)):
            self.sensor.look()
            self.clock.advance(step_s)

    def hold(self, x: float, y: float, z: float, bearing_deg: float, lean_deg: float = 0.0, moving_s: float = 1.5,
             still_s: float = 2.0) -> None:  # fmt: skip
        """Along the bearing, the front down by the lean."""
        b, a = math.radians(bearing_deg), math.radians(lean_deg)
        ahead = np.array([math.cos(b) * math.cos(a), math.sin(b) * math.cos(a), math.sin(a)]) * 0.15
        left = np.array([-math.sin(b), math.cos(b), 0.0]) * 0.15
        c = np.array([x, y, z])
        points = [tuple(float(v) for v in p) for p in (c + ahead, c - ahead, c + left, c - left)]
        self.head.move(Pose(points[0], points[1], ((points[2], points[3]),)), moving_s)  # type: ignore[arg-type]
        self.look(moving_s + still_s)

    def errors_deg(self) -> tuple[float, float]:
        """Of bearing and of lean, against the truth."""
        told = self.sensor.now()
        assert told is not None
        true = self.head.attitude(self.clock.now())
        bearing = math.degrees(math.atan2(true[1, 0], true[0, 0]))
        assert told.bearing_deg is not None
        up = np.array([told.up[0], told.up[1], -told.up[2]])
        # Lean alone: both ups as the head sees them, so that a wrong bearing does not count.
        lean = math.degrees(math.acos(min(1.0, abs(up[2])))) - math.degrees(math.acos(min(1.0, float(true[2, 2]))))
        return math.remainder(told.bearing_deg - bearing, 360.0), lean

    def make_ready(self) -> None:
        s = self.scenario
        self.hold(s.length_m / 2, s.width_m / 2, 0.5, 0.0, still_s=4.0)
        self.sensor.plumb()
        self.hold(s.length_m / 2, 0.4, 0.5, 270.0, still_s=3.0)
        self.sensor.at_wall(270.0)


@pytest.mark.parametrize("seed", [1, *(pytest.param(s, marks=pytest.mark.slow) for s in range(2, 13))])
def test_lean_to_one_degree_at_rest_and_bearing_within_its_sigma(seed: int) -> None:
    bench = Bench(seed)
    bench.make_ready()
    draw = np.random.default_rng(seed)
    s = bench.scenario
    for _ in range(2 if seed == 1 else 6):
        bench.hold(draw.uniform(0.5, s.length_m - 0.5), draw.uniform(0.5, s.width_m - 0.5), 0.6,
                   float(draw.uniform(0, 360)), float(draw.normal(0, 4)), still_s=2.5)  # fmt: skip
        told = bench.sensor.now()
        bearing, lean = bench.errors_deg()
        assert told is not None and told.still
        assert abs(lean) < 1.0 and told.tilt_sigma_deg <= 1.0
        assert told.bearing_sigma_deg is not None and told.bearing_sigma_deg < 6.0
        assert abs(bearing) < 2.5 * told.bearing_sigma_deg


def test_before_a_wall_the_lean_is_told_and_the_bearing_is_not() -> None:
    bench = Bench()
    bench.hold(2.0, 2.0, 0.5, 30.0)
    told = bench.sensor.now()
    assert told is not None and told.bearing_sigma_deg is None and told.text == orientation.NO_WALL
    assert told.tilt_sigma_deg > 1.0, "not yet held plumb"


def test_moving_is_told() -> None:
    bench = Bench()
    bench.make_ready()
    began_s = bench.clock.now()
    bench.hold(2.0, 2.0, 0.5, 90.0, still_s=-1.0)  # still on its way
    told = bench.sensor.now()
    assert told is not None and not told.still and told.tilt_sigma_deg > 2.0
    assert bench.sensor.moving_s > began_s
    bench.look(1.6)
    told = bench.sensor.now()
    assert told is not None and told.still


def test_a_wall_is_not_taken_while_moving() -> None:
    bench = Bench()
    bench.hold(2.0, 2.0, 0.5, 90.0, still_s=-1.0)
    with pytest.raises(InputError, match="hold it there and say so again"):
        bench.sensor.at_wall(270.0)


def test_a_missing_sensor_is_said_and_nothing_is_told() -> None:
    bench = Bench()
    bench.make_ready()
    bench.bus.absent.add(0x6A)
    with pytest.raises(OSError):
        bench.sensor.look()
    bench.clock.advance(0.5)
    assert bench.sensor.now() is None
    # Back again: the gyroscope has not seen what happened meanwhile, so the bearing is gone and that is said.
    bench.bus.absent.clear()
    bench.sensor.open()
    bench.look(2.0)
    told = bench.sensor.now()
    assert told is not None and told.bearing_sigma_deg is None and told.text == orientation.NOT_SEEN


def test_a_frozen_sensor_is_noticed() -> None:
    bench = Bench()
    bench.make_ready()
    bench.chip.frozen = True
    bench.look(1.0)
    assert bench.sensor.now() is None and bench.sensor.text == orientation.STOPPED
    bench.chip.frozen = False
    bench.look(2.0)
    told = bench.sensor.now()
    assert told is not None and told.bearing_sigma_deg is None


def test_the_phone_in_the_pocket_does_not_turn_the_bearing() -> None:
    bench = Bench(2)
    bench.make_ready()
    bench.hold(3.0, 2.0, 0.5, 200.0)
    before, _ = bench.errors_deg()
    bench.head.phone = True
    bench.look(10.0, 0.1)
    after, _ = bench.errors_deg()
    told = bench.sensor.now()
    assert told is not None and told.text in (orientation.DISTURBED, orientation.DISAGREES)
    assert abs(after - before) < 2.5 * told.bearing_sigma_deg if told.bearing_sigma_deg else False


def test_where_the_field_is_as_at_the_wall_the_compass_holds_the_bearing_for_ever() -> None:
    bench = Bench(3)
    bench.make_ready()
    bench.look(120.0, 0.1)
    told = bench.sensor.now()
    bearing, _ = bench.errors_deg()
    assert told is not None and told.bearing_sigma_deg is not None
    assert told.bearing_sigma_deg < orientation.COMPASS_SIGMA_DEG + 1.0 and abs(bearing) < 10.0


def test_without_a_magnetometer_the_bearing_ages_until_it_is_given_up() -> None:
    bench = Bench(3, magnetometer=None)
    bench.make_ready()
    bench.hold(3.0, 2.0, 0.5, 200.0)
    first = bench.sensor.now()
    bench.look(60.0, 0.1)
    later = bench.sensor.now()
    assert first is not None and later is not None and first.bearing_sigma_deg and later.bearing_sigma_deg
    assert later.bearing_sigma_deg > first.bearing_sigma_deg
    assert bench.sensor.text != NO_COMPASS, "none was asked for"


def turned_with_a_gap(seed: int, gap_s: float, at_s: float, moving_s: float = 0.6) -> tuple[Bench, float]:
    """A turn of 100 degrees in which nobody looks for so long; by how much the bearing is off afterwards, more than
    before."""
    bench = Bench(seed, magnetometer=None)
    bench.make_ready()
    before, _ = bench.errors_deg()
    x, y = bench.scenario.length_m / 2, bench.scenario.width_m / 2
    bench.hold(x, y, 0.5, 170.0, moving_s=moving_s, still_s=at_s - moving_s)
    bench.clock.advance(gap_s)
    bench.look(moving_s + 1.0)
    return bench, bench.errors_deg()[0] - before


@pytest.mark.parametrize("at_s", [0.04, 0.2, 0.3, 0.44])
def test_a_look_that_comes_late_while_it_is_turned_costs_certainty(at_s: float) -> None:
    straight = turned_with_a_gap(1, 0.0, at_s)[0].sensor.now()
    bench, off = turned_with_a_gap(1, 0.15, at_s)
    told = bench.sensor.now()
    assert told is not None and straight is not None and told.bearing_sigma_deg and straight.bearing_sigma_deg
    assert told.bearing_sigma_deg > math.hypot(straight.bearing_sigma_deg, 1.5)
    assert abs(off) < 2.0 * math.sqrt(told.bearing_sigma_deg**2 - orientation.WALL_SIGMA_DEG**2)


@pytest.mark.parametrize("at_s", [0.1, 0.2, 0.3])
def test_a_turn_that_was_hardly_seen_loses_the_bearing(at_s: float) -> None:
    """A quarter of a second without a look in a quick turn: up to 12 degrees off, and a sigma of 5 was told before."""
    bench = turned_with_a_gap(1, 0.25, at_s)[0]
    told = bench.sensor.now()
    assert told is not None and told.bearing_sigma_deg is None and told.text == orientation.NOT_SEEN


def test_at_rest_late_looks_cost_nothing() -> None:
    bench = Bench(3, magnetometer=None)
    bench.make_ready()
    bench.look(1.0)
    first = bench.sensor.now()
    bench.look(3.0, 0.25)
    later = bench.sensor.now()
    assert first is not None and later is not None and first.bearing_sigma_deg and later.bearing_sigma_deg
    assert later.bearing_sigma_deg < first.bearing_sigma_deg + 0.3


def test_turned_too_fast_loses_the_bearing_and_says_so() -> None:
    bench = Bench()
    bench.make_ready()
    bench.hold(3.0, 2.0, 0.5, 90.0, moving_s=0.25)
    told = bench.sensor.now()
    assert told is not None and told.bearing_sigma_deg is None and told.text == orientation.TOO_FAST


def test_the_calibration_is_kept_for_the_next_day() -> None:
    bench = Bench(4)
    bench.make_ready()
    kept = bench.kept[-1]
    assert kept.plumb and any(kept.rate_offset_rad_per_s)
    again = Bench(4, calibration=kept)
    again.hold(2.0, 2.0, 0.5, 40.0, 3.0)
    told = again.sensor.now()
    assert told is not None and told.tilt_sigma_deg <= 1.0
    assert abs(again.errors_deg()[1]) < 1.0


def test_upright_is_told_without_a_bearing() -> None:
    bench = Bench(5)
    bench.make_ready()
    bench.head.move(Pose((3.0, 2.0, 0.8), (3.0, 2.0, 0.5)), 1.5)
    bench.look(4.0)
    told = bench.sensor.now()
    assert told is not None and told.bearing_deg is None
    assert told.ahead[2] > math.cos(math.radians(3.0)), "ahead is down"


def test_a_filter_without_a_look_tells_nothing() -> None:
    assert OrientationFilter().now(0.0) is None
