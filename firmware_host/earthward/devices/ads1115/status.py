"""How acquisition is, for a person and for the interlock."""

from __future__ import annotations

from msgspec import Struct

from earthward.devices.ads1115.chip import Pacing


class AdcStatus(Struct, frozen=True):
    """`text` is one plain sentence.

    rate_Hz: measured, of one channel. lost_fraction: share of conversions of the last seconds that were not fetched;
    lost: their number since the start. repeats: reads that were thrown away because they might have shown another
    conversion than the numbered one. restarts: how often the chip had to be set up again. full_scale_V: at the pair.
    starting: it is being set up for the first time: not ok yet, and no fault either.
    """

    ok: bool
    text: str
    stalled: bool = False
    pacing: Pacing = ""
    rate_Hz: float | None = None
    lost_fraction: float = 0.0
    lost: int = 0
    repeats: int = 0
    errors: int = 0
    restarts: int = 0
    range_changes: int = 0
    full_scale_V: float | None = None
    saturated: bool = False
    last_sample_age_s: float | None = None
    starting: bool = False
