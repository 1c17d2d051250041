"""What the water carries while the source is off: kept for the stray-voltage check and for the band scan."""

from __future__ import annotations

import math

from earthward.config import Config
from earthward.daemon.frequency_choice import Choice, choose, seconds_needed
from earthward.daemon.stray_turns import StrayTurns
from earthward.daemon.tail import Tail
from earthward.record.board import BoardReport
from earthward.safety.stray import StrayMeasurement
from earthward.signal.stray import estimate_stray
from earthward.signal.types import SampleBlock

#: The stray-voltage check uses so many seconds of samples at a time ...
STRAY_WINDOW_S = 2.0
#: ... and the worst of the last so many seconds counts, so that turning the pole shows other directions.
STRAY_MEMORY_S = 10.0
#: The source's last half cycle and the electrodes' answer to it are over so long after it went off.
SETTLE_S = 0.3
#: Samples older than this say nothing about the water now.
FRESH_S = 1.0


class SourceOffMonitor:
    """The newest seconds of every channel with the source off, and the stray voltages measured in them lately."""

    def __init__(self, config: Config, channels: int, scan: bool) -> None:
        self._config = config
        self._tails = [Tail(STRAY_MEMORY_S) for _ in range(channels)]
        self._since_s = math.inf
        self._history: list[StrayMeasurement] = []
        self.turns = StrayTurns()
        #: DC of the pair along the pole in the newest measurement, with its sign.
        self.dc_V = 0.0
        #: A band scan is wanted as soon as there are samples enough.
        self.scan_wanted = scan

    def source_is_off(self, now_s: float, just_now: bool) -> None:
        """The board says that its output is off; `just_now`: it was on until this moment."""
        if just_now:
            self._since_s = now_s + SETTLE_S
        elif self._since_s == math.inf:
            self._since_s = now_s

    def source_comes_on(self) -> None:
        self.turns.interrupted()
        for tail in self._tails:
            tail.clear()

    def push(self, block: SampleBlock, now_s: float) -> None:
        """Samples taken while the source is off."""
        if now_s >= self._since_s:
            self._tails[block.channel].push(block)

    def measure(self, report: BoardReport, now_s: float) -> StrayMeasurement | None:
        """One measurement; None where the samples are too few, too old or too broken."""
        if self._tails[0].span_s < STRAY_WINDOW_S:
            return None
        mains, dc, saturated = 0.0, 0.0, False
        for tail in self._tails:
            block = tail.block(STRAY_WINDOW_S)
            if block is None or now_s - float(block.t_s[-1]) > FRESH_S:
                return None
            found = estimate_stray(block.t_s, block, tuple(self._config.detector.mains_Hz))
            if not found.usable:
                return None
            mains = max(mains, found.worst_mains_V)
            dc = max(dc, abs(found.dc_V))
            if tail is self._tails[0]:
                self.dc_V = found.dc_V
            saturated = saturated or found.saturated
        spacing = self._config.pair.spacing_m
        return StrayMeasurement(
            t_s=now_s,
            mains_V_per_m=mains / spacing,
            dc_V_per_m=dc / spacing,
            electrode_ac_V=report.idle_ac_V,
            electrode_dc_V=report.idle_dc_V,
            directions=len(self._tails),
            saturated=saturated,
        )

    def remember(self, measurement: StrayMeasurement) -> StrayMeasurement:
        """The worst of each quantity in the last `STRAY_MEMORY_S`, this one included."""
        history = [*self._history, measurement]
        self._history = [x for x in history if x.t_s > measurement.t_s - STRAY_MEMORY_S]
        return worst(self._history)

    def scan(self, frequency_Hz: float) -> Choice | None:
        """The band scan that is wanted, once there are samples enough; None until then."""
        window_s = self._config.detector.window_s
        if not self.scan_wanted or min(tail.span_s for tail in self._tails) < seconds_needed(window_s):
            return None
        blocks = [block for tail in self._tails if (block := tail.block()) is not None]
        c = self._config
        choice = choose(blocks, c.source.waveform, frequency_Hz, window_s, c.conversion_s)
        self.scan_wanted = choice is None
        return choice


def worst(history: list[StrayMeasurement]) -> StrayMeasurement:
    """The largest of each quantity, at the newest time."""

    def largest(name: str) -> float | None:
        values = [v for v in (getattr(x, name) for x in history) if v is not None]
        return max(values, key=abs) if values else None

    return StrayMeasurement(
        t_s=history[-1].t_s,
        mains_V_per_m=largest("mains_V_per_m"),
        dc_V_per_m=largest("dc_V_per_m"),
        electrode_ac_V=largest("electrode_ac_V"),
        electrode_dc_V=largest("electrode_dc_V"),
        directions=max(x.directions for x in history),
        saturated=any(x.saturated for x in history),
    )
