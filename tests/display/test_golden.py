"""A dozen whole pages as plain text. `EARTHWARD_GOLDEN=write pytest tests/display/test_golden.py` draws them anew."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from tests.display.scenes import scene

from earthward.display.draw import draw
from earthward.display.options import Options
from earthward.display.press import press
from earthward.display.snapshot import connection
from earthward.display.view import View

GOLDEN = Path(__file__).parent / "golden"
CASES = {
    "read-40x13": (40, 13, "read", "energised", "safe"),
    "read-53x20": (53, 20, "read", "energised", "safe"),
    "read-80x24": (80, 24, "read", "energised", "braille"),
    "read-120x40": (120, 40, "read", "energised", "safe"),
    "checking-53x20": (53, 20, "read", "checking", "safe"),
    "tripped-40x13": (40, 13, "read", "tripped", "safe"),
    "lost-40x13": (40, 13, "read", "gone", "safe"),
    "map-53x20": (53, 20, "map", "energised", "safe"),
    "map-80x24": (80, 24, "map", "energised", "half"),
    "coverage-80x24": (80, 24, "coverage", "energised", "safe"),
    "steps-53x20": (53, 20, "steps", "checking", "safe"),
    "findings-53x20": (53, 20, "findings", "energised", "safe"),
    "decide-53x20": (53, 20, "findings", "choice", "safe"),
    "budget-53x20": (53, 20, "budget", "energised", "safe"),
    "log-53x20": (53, 20, "log", "energised", "safe"),
}


@pytest.mark.parametrize("name", CASES)
def test_page_is_as_drawn_before(name: str) -> None:
    width, height, page, what, tier = CASES[name]
    snapshot, now = scene(what if what in ("checking", "tripped") else "energised")
    view = View(page=page)
    if what == "gone":
        snapshot = connection(snapshot, False, now - 3.0)
    if what == "choice":
        view, _ = press(view, "keep", snapshot, now)
    canvas = draw(width, height, snapshot, view, Options(tier=tier), now)  # type: ignore[arg-type]
    text = "\n".join("".join(t for t, _ in row).rstrip() for row in canvas.rows()) + "\n"
    path = GOLDEN / f"{name}.txt"
    if os.environ.get("EARTHWARD_GOLDEN") == "write":
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")
