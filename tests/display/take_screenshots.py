"""Draws the pictures in docs/screenshots: `python -m tests.display.take_screenshots`. Emulated data of our own."""

from __future__ import annotations

import sys
from pathlib import Path

from tests.display import fake_feed
from tests.display.scenes import scene

from earthward.display.draw import draw
from earthward.display.options import Options
from earthward.display.picture import svg_of
from earthward.display.snapshot import connection
from earthward.display.themes import ThemeName
from earthward.display.view import View

OUT = Path(__file__).parents[2] / "docs" / "screenshots"
PICTURES: tuple[tuple[str, tuple[int, int], str, ThemeName, str, str], ...] = (
    ("read-small", (40, 13), "read", "daylight", "energised", "safe"),
    ("read", (80, 24), "read", "daylight", "energised", "braille"),
    ("read-night", (53, 20), "read", "night", "energised", "safe"),
    ("read-mono", (53, 20), "read", "mono", "energised", "safe"),
    ("waiting", (53, 20), "read", "daylight", "checking", "safe"),
    ("spot", (53, 20), "read", "daylight", "spot", "safe"),
    ("spot-turn", (40, 13), "read", "daylight", "turn", "safe"),
    ("map-small", (40, 13), "map", "daylight", "energised", "safe"),
    ("no-contact", (53, 20), "read", "daylight", "gone", "safe"),
    ("do", (53, 20), "do", "daylight", "off", "safe"),
    ("tripped", (40, 13), "read", "daylight", "tripped", "safe"),
    ("map", (80, 24), "map", "daylight", "energised", "half"),
    ("map-night", (80, 24), "map", "night", "energised", "half"),
    ("coverage", (80, 24), "coverage", "daylight", "energised", "half"),
    ("steps", (80, 24), "steps", "daylight", "checking", "safe"),
    ("findings", (80, 24), "findings", "daylight", "energised", "safe"),
    ("budget", (80, 24), "budget", "daylight", "energised", "safe"),
    ("place", (53, 20), "place", "daylight", "energised", "safe"),
    ("log", (80, 24), "log", "daylight", "energised", "safe"),
)


def picture(name: str, size: tuple[int, int], page: str, theme: ThemeName, lock: str, tier: str) -> str:
    here = "hold" if lock == "spot" else lock
    extra = [fake_feed.state(spot=fake_feed.spot(here))] if lock in ("spot", "turn") else []
    known = lock if lock in ("off", "checking", "ready", "tripped") else "energised"
    snapshot, now = scene(known, events=fake_feed.events()[:4] if page == "log" else [], extra=extra)
    if lock == "gone":
        snapshot = connection(snapshot, False, now - 3.0)
    canvas = draw(*size, snapshot, View(page=page, theme=theme), Options(tier=tier), now)  # type: ignore[arg-type]
    return svg_of(canvas.rows(), theme, f"earthward watch: {name}")


def main(names: list[str]) -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    for entry in PICTURES:
        if not names or entry[0] in names:
            (OUT / f"{entry[0]}.svg").write_text(picture(*entry), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
