"""With which settings is measured at present: what lock-in, record and recording are told of them."""

from __future__ import annotations

from typing import Any

from earthward import __version__
from earthward.config import Config
from earthward.record.calibration import Calibration
from earthward.safety.limits import Limits
from earthward.signal.detector import DetectorSettings

#: Hops of 17 to 25 samples. With half as many, three axes beside 1.2 mV of mains err by up to 15 uV instead of 1 uV.
IN_TURN_UPDATE_S = 0.1


class Measuring:
    """The configuration, and the repetition frequency that the band scan may have changed since."""

    def __init__(self, config: Config, limits: Limits, calibration: Calibration | None = None) -> None:
        self.config = config
        self.calibration = calibration
        self.frequency_Hz = config.source.frequency_Hz
        self.current_limit_A = min(config.source.current_limit_A, limits.current_limit_A)

    def detector_settings(self, channel: int) -> DetectorSettings:
        return DetectorSettings(
            waveform=self.config.source.waveform,
            frequency_Hz=self.frequency_Hz,
            window_s=self.config.detector.window_s,
            update_s=self._update_s,
            mains_Hz=tuple(self.config.detector.mains_Hz),
            channel=channel,
            conversion_s=self.config.conversion_s,
        )

    @property
    def _update_s(self) -> float:
        """As configured; where pairs share a converter, long enough that the lock-in's hops hold samples enough to tell
        mains from signal."""
        detector = self.config.detector
        if self.config.conversion_s is None:
            return detector.update_s
        return min(max(detector.update_s, IN_TURN_UPDATE_S), detector.window_s)

    def settings(self) -> dict[str, Any]:
        """What a test with the artificial leak holds for: with other settings it must be repeated."""
        return {
            "spacing_m": self.config.pair.spacing_m,
            "waveform": self.config.source.waveform,
            "frequency_Hz": self.frequency_Hz,
            "window_s": self.config.detector.window_s,
            "full_scale_V": self.config.adc.full_scale_V,
            "front_end_gain": self.config.adc.front_end_gain,
            "current_limit_A": self.current_limit_A,
            "calibration": self.calibration.in_words() if self.calibration is not None else "none",
        }

    def calibration_remark(self, now_s: float) -> str:
        """What of the calibration is older than a year or was never done; empty without a calibration file."""
        overdue = [] if self.calibration is None else self.calibration.overdue(now_s)
        return f"To be calibrated (missing, or more than a year old): {', '.join(overdue)}." if overdue else ""

    def recording_header(self, emulated: bool, wall_s: float) -> dict[str, Any]:
        return {
            "emulated": emulated,
            "software": __version__,
            "started_unix_s": wall_s,
            "waveform": self.config.source.waveform,
            "frequency_Hz": self.frequency_Hz,
            "mains_Hz": self.config.detector.mains_Hz,
            "front_end_gain": self.config.adc.front_end_gain,
            "spacing_m": self.config.pair.spacing_m,
            "window_s": self.config.detector.window_s,
            "rate_Hz": self.config.adc.rate,
        }

    def in_words(self) -> str:
        return f"{self.config.source.waveform} {self.frequency_Hz:.2f} Hz, window {self.config.detector.window_s:g} s"
