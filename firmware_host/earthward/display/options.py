"""How the person wants it drawn: glyph tier, keys, how often."""

from __future__ import annotations

from dataclasses import dataclass, field

from earthward.display.glyphs import Tier
from earthward.display.keys import default_keys


@dataclass(frozen=True)
class Options:
    tier: Tier = "safe"
    keys: dict[str, tuple[str, ...]] = field(default_factory=default_keys)
    reduced: bool = False
    """Half the redraws, for slow machines and slow panels."""

    @property
    def bar_gap_s(self) -> float:
        return 0.5 if self.reduced else 0.15

    @property
    def digit_gap_s(self) -> float:
        return 0.5 if self.reduced else 0.25

    @property
    def map_gap_s(self) -> float:
        return 1.0 if self.reduced else 0.5
