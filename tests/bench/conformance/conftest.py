"""Both boards for the same suite: the firmware's binary on the virtual chip, and the emulated board in Python."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from tests.support.board_rig import EmulatedRig, FirmwareRig, Rig


@pytest.fixture(params=["firmware", "emulated"])
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    if request.param == "firmware":
        made: Rig = FirmwareRig(request.getfixturevalue("build"))
    else:
        made = EmulatedRig()
    made.collect()
    yield made
    made.close()
