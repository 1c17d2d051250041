"""One table of limits: what the board's firmware is compiled with and what the host allows must fit together."""

from __future__ import annotations

import re
from pathlib import Path

from earthward.config import SourceConfig
from earthward.emulated import board_logic, load
from earthward.safety.limits import HARDWARE_CURRENT_A, Limits, check_board

FIRMWARE = Path(__file__).parents[2] / "hardware" / "source_board" / "firmware"


def defines(name: str) -> dict[str, int]:
    """Whole numbers that a header defines."""
    text = (FIRMWARE / name).read_text(encoding="utf-8")
    found = re.findall(r"^#define\s+(\w+)\s+\(?(-?\d+)U?L?\)?(?:\s|$)", text, re.MULTILINE)
    return {key: int(value) for key, value in found}


def test_the_hosts_limits_are_the_boards_or_safer() -> None:
    board, host = defines("limits.h"), Limits()
    assert round(host.voltage_trip_V * 1e3) == board["MAX_VOLTAGE_MV"]
    assert round(host.battery_min_V * 1e3) == board["BATTERY_MIN_MV"]
    assert host.temperature_max_C * 100 <= board["HOT_CC"]
    assert host.current_limit_A * 1e6 <= board["MAX_CURRENT_UA"]
    assert host.current_trip_A * 1e6 <= board["MAX_CURRENT_UA"] < HARDWARE_CURRENT_A * 1e6
    assert check_board(board["MAX_CURRENT_UA"] / 1e6, board["MAX_VOLTAGE_MV"] / 1e3, board["DEADMAN_MS"] / 1e3) == ()


def test_the_boards_default_is_below_let_go() -> None:
    """5 mA rms AC, IEC 60479-1 (from memory); a symmetric square has rms = peak."""
    pins, limits = defines("board.h"), defines("limits.h")
    assert limits["DEFAULT_LIMIT_UA"] <= pins["LOW_RANGE_UA"] == 5000
    assert SourceConfig().current_limit_A * 1e6 <= pins["LOW_RANGE_UA"], "the host's too"
    assert pins["BRIDGE_LOW_MV"] / pins["SERIES_OHM"] <= 5.0, "mA into a short circuit in the low range"


def test_the_emulated_board_is_the_same_board() -> None:
    pins, limits = defines("board.h"), defines("limits.h")
    drive = load.Drive()
    assert drive.full_V * 1e3 == pins["BRIDGE_MV"]
    assert drive.series_ohm == pins["SERIES_OHM"]
    drive.ask(pins["LOW_RANGE_UA"])
    assert drive.voltage_V * 1e3 == pins["BRIDGE_LOW_MV"]
    assert load.LOW_RANGE_uA == pins["LOW_RANGE_UA"]
    assert limits["BATTERY_MIN_MV"] == board_logic.BATTERY_MIN_V * 1e3
    assert limits["HOT_CC"] == board_logic.HOT_DEG_C * 100
    assert limits["DEADMAN_MS"] == board_logic.DEADMAN_S * 1e3
