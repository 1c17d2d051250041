"""What a kit was calibrated to: each quantity with its standard uncertainty, how and when it was found."""

from __future__ import annotations

import hashlib
from typing import Annotated

import msgspec

from earthward.record.base import Point, Record, positive, said

#: A calibration is to be repeated after a year (common practice, no source).
OVERDUE_S = 365.0 * 86400.0


class Calibrated(Record, frozen=True, kw_only=True):
    """One quantity."""

    value: Annotated[float, said("calibrated value, in `unit`")]
    sigma: Annotated[float, positive("its standard uncertainty, in `unit`")]
    unit: Annotated[str, said("unit of value and uncertainty")]
    method: Annotated[str, said("how it was found")]
    time_s: Annotated[float, said("when, seconds since 1970")]

    def overdue(self, now_s: float) -> bool:
        return now_s - self.time_s > OVERDUE_S


class Calibration(Record, frozen=True, kw_only=True):
    """Of one kit. What was not calibrated is absent."""

    kit: Annotated[str, said("name or number of the kit")]
    emulated: Annotated[bool, said("found on the emulated bench: nothing was measured")] = False
    front_end_gain: Calibrated | None = None
    zero: Calibrated | None = None
    converter_rate: Calibrated | None = None
    current_sense: Calibrated | None = None
    spacing: Calibrated | None = None

    def items(self) -> dict[str, Calibrated]:
        found = {name: getattr(self, name) for name in QUANTITIES}
        return {name: item for name, item in found.items() if item is not None}

    def digest(self) -> str:
        """SHA-256 of all that stands in it: what survey and report are signed with."""
        return hashlib.sha256(msgspec.json.encode(self, order="sorted")).hexdigest()

    def overdue(self, now_s: float) -> list[str]:
        """Quantities that are to be calibrated again, or were never."""
        items = self.items()
        return [name for name in QUANTITIES if name not in items or items[name].overdue(now_s)]

    def in_words(self) -> str:
        """One phrase for survey and report."""
        emulated = "EMULATED, " if self.emulated else ""
        return f"{emulated}kit {self.kit}, sha256 {self.digest()[:16]}"


class HeadCalibration(Record, frozen=True, kw_only=True):
    """What is kept of the orientation sensor in a pole head."""

    up: Annotated[Point, said("where its accelerometer sees up while the head is plumb, in its own axes")] = (
        0.0,
        0.0,
        1.0,
    )
    plumb: Annotated[bool, said("that was seen while a person held the head plumb")] = False
    rate_offset_rad_per_s: Annotated[Point, said("what its gyroscope shows at rest")] = (0.0, 0.0, 0.0)
    time_s: Annotated[float, said("when, seconds since 1970")] = 0.0


class DepthZero(Record, frozen=True, kw_only=True):
    """What the pressure sensor in a pole head showed at the water's surface."""

    pressure_Pa: Annotated[float, said("pressure there")]
    temperature_C: Annotated[float, said("temperature that the sensor had then")]
    time_s: Annotated[float, said("when, seconds since 1970")]


QUANTITIES = ("front_end_gain", "zero", "converter_rate", "current_sense", "spacing")
