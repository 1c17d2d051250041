"""The kernel's own edges and the kernel's bus, played by a pipe and by a bus that nobody gives back."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from earthward.clock import ManualClock
from earthward.commands import doctor
from earthward.config import Config, DepthConfig, OrientationConfig
from earthward.devices.ads1115.chip import AdcSettings, Chip
from earthward.devices.gpio_line import CHIP_INFO, GET_CHIP_INFO, GET_LINE, KernelEdges, open_kernel_edges
from earthward.devices.i2c import HELD_S, answers
from earthward.emulated.ads1115 import EmulatedAds, FakeI2C, SteadyVoltage
from earthward.emulated.inertial import EmulatedLsm6dsox, StillBody
from earthward.emulated.pressure import EmulatedLps28dfw, StillFluid
from earthward.errors import InputError


def event(stamp_s: float, number: int) -> bytes:
    """struct gpio_v2_line_event of linux/gpio.h: 48 bytes, kind 2 is a falling edge."""
    return struct.pack("=QIIII6I", round(stamp_s * 1e9), 2, 25, (number + 1000) % 2**32, number, *[0] * 6)


@pytest.fixture
def line() -> Iterator[tuple[int, KernelEdges, ManualClock]]:
    clock = ManualClock(100.0)
    ours, theirs = os.pipe()
    edges = KernelEdges(ours, clock)
    yield theirs, edges, clock
    edges.close()
    os.close(theirs)


def test_the_newest_edge_is_given_once_with_its_stamp(line: tuple[int, KernelEdges, ManualClock]) -> None:
    kernel, edges, _ = line
    assert edges.wait(0.0) is None
    os.write(kernel, event(99.990, 1) + event(99.991, 2))
    number, at_s = edges.wait(0.0) or (0, 0.0)
    assert (number, round(at_s, 6)) == (2, 99.991)
    assert edges.wait(0.0) is None


def test_nobody_is_asked_for_an_edge_that_cannot_have_come_yet(line: tuple[int, KernelEdges, ManualClock]) -> None:
    """... by a stamp that is the kernel's own; one of another clock tells nothing of when its edge came."""
    _, _, clock = line
    ours, theirs = os.pipe()
    edges = KernelEdges(ours, clock, apart_s=1e-3)
    os.write(theirs, event(99.9999, 1))
    assert edges.wait(0.0) is not None
    os.write(theirs, event(99.99995, 2))  # as no chip does it: so that asking would show
    assert edges.edges == 1
    clock.advance(0.95e-3)
    assert edges.edges == 2
    os.write(theirs, event(20.0, 3))
    assert edges.wait(0.0) == (3, clock.now())
    os.write(theirs, event(clock.now(), 4))
    assert edges.edges == 4
    edges.close()
    os.close(theirs)


def test_an_edge_seen_in_passing_is_given_next(line: tuple[int, KernelEdges, ManualClock]) -> None:
    """The reader looks for a further edge after each value; that one must not be lost to the next wait."""
    kernel, edges, _ = line
    os.write(kernel, event(99.990, 1))
    assert edges.wait(0.0) is not None
    os.write(kernel, event(99.9912, 2))
    assert edges.edges == 2
    assert edges.wait(5.0) == (2, pytest.approx(99.9912))


def test_edges_that_the_kernel_had_no_room_for_are_counted(line: tuple[int, KernelEdges, ManualClock]) -> None:
    kernel, edges, _ = line
    os.write(kernel, event(99.9, 1))
    os.write(kernel, event(99.99, 70))
    assert edges.edges == 70


def test_the_number_outlives_the_kernels_counter(line: tuple[int, KernelEdges, ManualClock]) -> None:
    kernel, edges, _ = line
    os.write(kernel, event(99.9, 2**32 - 1))
    before = edges.edges
    os.write(kernel, event(99.99, 1))
    assert edges.edges == before + 2


def test_a_stamp_of_another_clock_is_not_taken(line: tuple[int, KernelEdges, ManualClock]) -> None:
    kernel, edges, _ = line
    os.write(kernel, event(1.8e9, 1))
    assert edges.wait(0.0) == (1, 100.0)


def test_the_line_is_asked_for_as_the_kernel_wants_it(tmp_path: Path) -> None:
    """Numbers and places as a C compiler gives them for linux/gpio.h of Linux 6.1."""
    for name in ("gpiochip0", "gpiochip1"):
        (tmp_path / name).write_bytes(b"")
    labels = {"gpiochip0": b"raspberrypi-exp-gpio", "gpiochip1": b"pinctrl-bcm2711"}
    asked: list[tuple[str, bytes]] = []
    ours, theirs = os.pipe()
    os.write(theirs, event(100.0, 1))

    def ioctl(descriptor: int, request: int, buffer: bytearray) -> int:
        name = Path(os.readlink(f"/proc/self/fd/{descriptor}")).name
        if request == GET_CHIP_INFO:
            assert len(buffer) == 68
            buffer[:] = CHIP_INFO.pack(name.encode(), labels[name], 58)
        else:
            assert request == GET_LINE == 0xC250B407
            asked.append((name, bytes(buffer)))
            struct.pack_into("=i", buffer, 588, ours)
        return 0

    edges = open_kernel_edges(25, ManualClock(100.0), devices=tmp_path, ioctl=ioctl)
    ((name, wanted),) = asked
    assert (name, len(wanted)) == ("gpiochip1", 592)
    assert struct.unpack_from("=I", wanted, 0) == (25,)
    # input, falling edge, pull-up: bits 2, 5 and 8
    assert struct.unpack_from("=Q", wanted, 288) == (0b1_0010_0100,)
    assert struct.unpack_from("=II", wanted, 560) == (1, 64)
    assert edges.wait(0.0) == (1, 100.0)
    edges.close()
    os.close(theirs)


def test_a_machine_without_such_pins_is_told_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="GPIO25 for the converter's ready line cannot be opened"):
        open_kernel_edges(25, ManualClock(0.0), devices=tmp_path)


def test_a_bus_that_is_held_for_ever_ends_the_asking() -> None:
    class Held(FakeI2C):
        def try_lock(self) -> bool:
            return False

    clock = ManualClock(0.0)
    with pytest.raises(InputError, match="held by another program"):
        answers(Held(clock), 0x48, clock)
    assert clock.now() == pytest.approx(HELD_S, abs=0.01)


@pytest.mark.parametrize("volts", [0.1, -0.2])
def test_a_quick_read_gives_what_the_drivers_gives(volts: float) -> None:
    clock = ManualClock(0.0)
    bus = FakeI2C(clock, wire_Hz=400e3)
    bus.add(0x48, EmulatedAds(clock, SteadyVoltage((volts, 0.0, 0.0, 0.0))))

    def quick(address: int) -> bytes:
        answer = bytearray(2)
        bus.readfrom_into(address, answer)
        return bytes(answer)

    codes = []
    for way in (None, lambda address: lambda: quick(address)):
        chip = Chip(bus, clock, AdcSettings(full_scale_V=0.256), way)
        chip.open(use_ready=True)
        clock.sleep(0.01)
        codes.append(chip.newest())
    assert codes == pytest.approx([volts / 0.256 * 32768] * 2, abs=3)  # the emulated chip has its noise


def test_doctor_names_each_sensor_of_the_head(monkeypatch: pytest.MonkeyPatch) -> None:
    bus = FakeI2C(ManualClock(1.0))
    bus.add(0x6A, EmulatedLsm6dsox(ManualClock(1.0), StillBody()))
    bus.add(0x5C, EmulatedLps28dfw(ManualClock(1.0), StillFluid()))
    monkeypatch.setattr(doctor, "open_i2c", lambda number: bus)
    assert list(doctor._head(Config())) == []
    config = Config(orientation=OrientationConfig(sensor="LSM6DSOX"), depth=DepthConfig(sensor="LPS28DFW"))
    looks = {look.what: (look.level, look.text) for look in doctor._head(config)}
    assert looks["head sensor"] == ("right", "LSM6DSOX answers at 0x6a")
    assert looks["depth sensor"] == ("right", "LPS28DFW answers at 0x5c")
    assert looks["magnetometer"][0] == "note" and "no LIS3MDL answers at 0x1c" in looks["magnetometer"][1]
