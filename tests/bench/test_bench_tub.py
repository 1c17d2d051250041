"""The first experiment by the whole chain, emulated: board, water in a tub, converter, drivers, lock-in fit, search."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earthward.bench.driven import fit_driven
from earthward.bench.stretches import part
from earthward.bench.tank import agreement, beside, find_hole
from earthward.clock import PacedClock
from earthward.commands.bench_pair import joined
from earthward.devices.ads1115 import AdcReader
from earthward.devices.source import SourceLink
from earthward.emulated import tub
from earthward.emulated.bench import EmulatedBench
from earthward.emulated.scenario import FittingSpec, Scenario
from earthward.record.base import Point
from earthward.record.reading import KeptReading
from earthward.signal.types import SampleBlock

pytestmark = [pytest.mark.slow, pytest.mark.realtime]
HOLE: Point = (0.23, 0.0, 0.11)
HOLD_S, SETTLE_S = 0.9, 0.25


def scenario(drawn: tub.DrawnTub) -> Scenario:
    """The tub's shape and electrodes as drawn; one wire at the hole, and nothing else takes current."""
    a, b = (s.position_m for s in drawn.pool.sources)
    return Scenario(
        name="tub", length_m=tub.LENGTH_m, width_m=tub.WIDTH_m, depth_m=drawn.pool.floor.depth_m,
        water_ohm_m=drawn.pool.resistivity_ohm_m, fittings=(FittingSpec("wire", "other", HOLE, 300.0),),
        electrode_A_m=a, electrode_B_m=b, earth_electrode_ohm=1.0, spacing_m=tub.SPACING_m, mains_V=0.5e-3, seed=6,
    )  # fmt: skip


def test_the_hole_is_found_within_a_centimetre(capsys: pytest.CaptureFixture[str]) -> None:
    drawn = tub.draw(7)
    clock = PacedClock(4.0)
    blocks: list[SampleBlock] = []
    draw = np.random.default_rng(8)
    held = [(r, *_hands(r, draw)) for r in drawn.readings if r.source_id == 0]
    readings: list[KeptReading] = []
    currents: dict[int, float] = {}
    with (
        EmulatedBench(scenario(drawn), clock) as bench,
        SourceLink(bench.port, clock) as link,
        AdcReader(bench.i2c, bench.reader_clock(), bench.adc_settings(), bench.ready_pin(), on_block=blocks.append),
    ):
        assert link.wait_connected(5.0)
        for source_id, electrode in enumerate("AB"):
            link.configure("coded", 36.0, 0.010, electrode)  # type: ignore[arg-type]
            link.arm()
            bench.technician.press_enable()
            clock.sleep(0.05)
            link.energise()
            clock.sleep(1.0)
            currents[source_id] = link.request_status().current_positive_A
            for noted, front, back in held:
                bench.technician.hold_ends(front, back)
                begin_s = clock.now() + SETTLE_S
                clock.sleep(SETTLE_S + HOLD_S)
                reference = link.phase_reference()
                assert reference is not None
                stretch = part(joined(blocks), begin_s, begin_s + HOLD_S)
                found = fit_driven(stretch, reference, "coded", (50.0,))
                blocks[:-60] = []
                readings.append(
                    KeptReading(front_m=noted.front_m, back_m=noted.back_m, station=noted.station, source_id=source_id,
                                value_V=found.in_phase_V, sigma_V=found.sigma_V, row=len(readings) + 1)
                )  # fmt: skip
            link.off()
            bench.technician.release_enable()
    pool = tub.with_currents(drawn.pool, currents)
    where = find_hole(pool, readings)
    slope, left = agreement(beside(pool, readings, HOLE))
    off = math.inf if where.position_m is None else math.dist(where.position_m, HOLE)
    with capsys.disabled():
        print(
            f"\ntub by the whole chain: {1e3 * off:.1f} mm off, read = {slope:.3f} x predicted, {100 * left:.0f} % left"
        )
    assert off < 0.01
    assert slope == pytest.approx(1.0, abs=0.1)


def _hands(noted: KeptReading, draw: np.random.Generator) -> tuple[Point, Point]:
    """Where the pair truly was: 1.5 mm off."""
    off = draw.normal(0, 0.0015, 3)
    front, back = (np.array(p) + off for p in (noted.front_m, noted.back_m))
    return (float(front[0]), float(front[1]), float(front[2])), (float(back[0]), float(back[1]), float(back[2]))
