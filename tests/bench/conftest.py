"""The firmware and the virtual chip, built once per session; the committed boards, read once."""

from __future__ import annotations

import pytest
from hardware.boards.reader import Copper
from tests.support.board_files import copper
from tests.support.board_rig import build_or_skip

from earthward.emulated.virtual_mcu import Build


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    return build_or_skip(tmp_path_factory.mktemp("board-build"))


@pytest.fixture(scope="session")
def small() -> Copper:
    """The front end's board."""
    return copper("front_end")


@pytest.fixture(scope="session")
def source() -> Copper:
    return copper("source")
