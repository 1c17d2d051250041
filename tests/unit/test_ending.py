"""Is the electrical search done? Upper limits against the hole that the remaining loss of water needs."""

from __future__ import annotations

import math

import pytest

from earthward.inversion.ending import could_hide, ending
from earthward.inversion.types import CoverageCell
from earthward.water.hole_flow import LITRES_PER_DAY, flow_interval, least_hole_m

LIGHT = ("light", (0.0, 2.0, 0.6))


def patch(x: float, depth: float, hole_mm: float | None) -> CoverageCell:
    return CoverageCell((x, 2.0, depth), 0.4, 1e-4, hole_mm)


def test_the_least_hole_is_the_one_that_just_passes_the_flow() -> None:
    """Torricelli with 0.8 for a short tube, 0.62 for a sharp edge, written out again here (handbook values, from
    memory)."""
    for diameter_m, coefficient in ((0.0008, 0.80), (0.003, 0.62)):
        flow = coefficient * math.pi / 4 * diameter_m**2 * math.sqrt(2 * 9.80665 * 1.2) * LITRES_PER_DAY
        assert least_hole_m(flow, 1.2) == pytest.approx(diameter_m, rel=1e-6)
        assert flow_interval((diameter_m, diameter_m), 1.2).high_L_per_day == pytest.approx(flow, rel=1e-6)
    with pytest.raises(ValueError, match="above zero"):
        least_hole_m(0.0, 1.0)


def test_done_when_no_patch_can_hide_the_hole_that_the_loss_takes() -> None:
    needed_mm = 1e3 * least_hole_m(200.0, 1.5)
    tight = [patch(3.0, 1.5, 0.9 * needed_mm), patch(4.0, 1.5, 0.5 * needed_mm)]
    told = ending(tight, [LIGHT], 200.0, least_hole_m)
    assert told.done is True and told.hole_mm == pytest.approx(needed_mm) and "search is done" in told.text
    told = ending([*tight, patch(5.0, 1.5, 1.1 * needed_mm)], [LIGHT], 200.0, least_hole_m)
    assert told.done is False and told.free == 1 and "1 of 3 patches" in told.text


def test_less_water_over_a_patch_needs_a_larger_hole() -> None:
    deep_mm = 1e3 * least_hole_m(200.0, 1.5)
    told = ending([patch(3.0, 1.5, 1.2 * deep_mm), patch(3.0, 0.2, 1.2 * deep_mm)], [], 200.0, least_hole_m)
    assert [c.position_m[2] for c in told.open_cells] == [1.5]


def test_what_hides_beside_a_fitting_is_told_by_its_name() -> None:
    cells = [patch(0.5, 0.8, None), patch(3.0, 1.5, 0.01)]
    told = ending(cells, [LIGHT, ("drain", (6.0, 2.0, 1.5))], 200.0, least_hole_m)
    assert told.done is False and told.beside == {"light": 1} and told.free == 0
    assert 'within 1.5 m of "light"' in told.text


@pytest.mark.parametrize("remaining", [0.0, -40.0])
def test_without_a_proven_loss_nothing_is_called_done(remaining: float) -> None:
    told = ending([patch(3.0, 1.5, 0.1)], [], remaining, least_hole_m)
    assert told.done is None and told.hole_mm is None and "no remaining loss" in told.text
    assert ending([], [], 100.0, least_hole_m).done is None


def test_could_hide_takes_one_diameter_for_all() -> None:
    cells = [patch(1.0, 1.0, 1.0), patch(2.0, 1.0, 3.0), patch(3.0, 1.0, None)]
    assert could_hide(cells, 2.0) == tuple(cells[1:])
