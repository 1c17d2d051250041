"""The firmware and the virtual chip, built once per session."""

from __future__ import annotations

import pytest
from tests.support.board_rig import build_or_skip

from earthward.emulated.virtual_mcu import Build


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    return build_or_skip(tmp_path_factory.mktemp("board-build"))
