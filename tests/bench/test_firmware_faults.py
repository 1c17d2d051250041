"""Faults in and around the chip that the firmware must notice, and bits that turn over anywhere in it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.support.board_faults import FAULTS
from tests.support.board_flips import Tally, flips

from earthward.emulated.virtual_mcu import Build


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_fault_is_noticed(build: Build, fault: Callable[[Build], str]) -> None:
    assert fault(build) == ""


def check_flips(build: Build, count: int, seed: int) -> None:
    tally: Tally = flips(build, count, seed)
    print(tally)
    assert tally.flips == count
    assert tally.overstayed == []
    assert tally.latch_lost == []
    assert tally.died <= count // 200, "nothing is known of those"
    # No test that cannot fail: most of the RAM is idle or used once, but some flips must have been noticed.
    assert tally.noticed >= count // 200


def test_flipped_bits_never_keep_the_output_on(build: Build) -> None:
    check_flips(build, 60, seed=1)


@pytest.mark.slow
def test_twenty_thousand_flipped_bits(build: Build) -> None:
    check_flips(build, 20_000, seed=2)
