"""The instrument's configuration: one TOML file, every key with a default, unknown keys refused.

`load(path)` raises InputError with one sentence that names the file and the key. docs/configuration.md lists the keys.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from earthward.errors import InputError
from earthward.record.place import Head
from earthward.record.waveform import WaveformName
from earthward.validation import check_finite, from_toml

Positive = Annotated[float, Meta(gt=0)]
Pin = Annotated[int, Meta(ge=0, le=53)]
#: Pool-side switches that there may be.
SwitchName = Literal["keep", "map", "next", "off"]
#: The slowest supply is that of some railways (16.7 Hz), the fastest a nominal 60 Hz that runs free of the grid.
MAINS_HZ = (15.0, 70.0)


class AdcConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The converter that reads the electrode pair."""

    chip: Literal["ADS1115", "ADS1015"] = "ADS1115"
    i2c_bus: Annotated[int, Meta(ge=0)] = 1
    address: Annotated[int, Meta(ge=0x48, le=0x4B)] = 0x48
    rate: Annotated[int, Meta(ge=8, le=3300)] = 860
    front_end_gain: Positive = 1.0
    full_scale_V: Positive | None = None
    """A fixed converter range; None chooses it automatically."""
    ready_pin: Pin | None = 25
    reference_looks: bool = False
    """A single pair on the ready wire: interrupt it for 9 ms twice a minute to see whether the reference contact
    reaches the water. (Where pairs are read in turn that is always looked at.)"""
    crossed_address: Annotated[int, Meta(ge=0x48, le=0x4B)] | None = None
    """A second chip for a crossed pair."""


class LinkConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The cable to the source board."""

    port: str = "/dev/serial/by-id/earthward-source"
    sync_pin: Pin | None = None


class PinsConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """GPIO numbers (BCM). Stop and enable are normally closed / held contacts to ground: a broken wire stops."""

    emergency_stop: Pin = 17
    enable: Pin = 27
    beacon: Pin | None = 22
    buzzer: Pin | None = 18
    switches: dict[SwitchName, Pin] = field(default_factory=dict)
    """Pool-side switches: keep, map, next, off -> pin."""


class SourceConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The injected waveform."""

    waveform: WaveformName = "coded"
    frequency_Hz: Annotated[float, Meta(ge=5.0, le=100.0)] = 36.0
    """Repetition frequency of one period."""
    current_limit_A: Annotated[float, Meta(gt=0.0, le=0.02)] = 0.005
    """Above 5 mA the board takes its 10 V range: up to 8.3 mA, more than the 5 mA let-go figure (docs/safety.md)."""
    listen: bool = True
    """Scan the band with the source off before it first comes on, and take the repetition frequency with least
    interference. (The name stays: configuration files of earlier versions have it.)"""


class PairConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The electrode pair on the pole, and the names its ends carry for touch and sight."""

    spacing_m: Annotated[float, Meta(gt=0.0, le=2.0)] = 0.3
    head: Head = "single"
    """One pair turned by hand; two pairs at right angles (on a second chip if `adc.crossed_address` says so, else on
    inputs 2 and 3); three that share an electrode (inputs 0, 1, 2 against 3)."""
    front: str = "one ring"
    back: str = "two rings"


class OrientationConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The orientation sensor in the pole head, if there is one."""

    sensor: Literal["none", "LSM6DSOX"] = "none"
    magnetometer: Literal["none", "LIS3MDL"] = "LIS3MDL"
    i2c_bus: Annotated[int, Meta(ge=0)] = 1
    address: Annotated[int, Meta(ge=0x6A, le=0x6B)] = 0x6A
    magnetometer_address: Annotated[int, Meta(ge=0x1C, le=0x1E)] = 0x1C


class DepthConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The depth (pressure) sensor in the pole head, if there is one."""

    sensor: Literal["none", "LPS28DFW"] = "none"
    i2c_bus: Annotated[int, Meta(ge=0)] = 1
    address: Annotated[int, Meta(ge=0x5C, le=0x5D)] = 0x5C


class DetectorConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    window_s: Annotated[float, Meta(ge=0.1, le=10.0)] = 0.5
    update_s: Annotated[float, Meta(ge=0.02, le=2.0)] = 0.05
    mains_Hz: list[float] = field(default_factory=lambda: [50.0, 60.0])


class ServiceConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    socket: str = "/run/earthward/earthward.sock"
    tcp_port: Annotated[int, Meta(ge=1, le=65535)] | None = None
    """A read-only copy on the loopback interface, for tools. Off unless asked for."""
    tcp_token: str = ""
    phone_port: Annotated[int, Meta(ge=1, le=65535)] | None = None
    phone_address: str = "127.0.0.1"
    phone_token: str = ""
    """Needed when the phone page listens beyond this machine: the address then ends in ?token=..."""
    data_dir: str = "/var/lib/earthward"
    record: bool = True
    pool: str = ""
    """Pool file of the present visit."""
    calibration: str = ""
    """Calibration file of this kit: its gain and spacing are used, its digest signs survey and report."""


class SoundConfig(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    volume: Annotated[float, Meta(ge=0.0, le=1.0)] = 0.7
    card: bool = False


class Config(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    adc: AdcConfig = field(default_factory=AdcConfig)
    link: LinkConfig = field(default_factory=LinkConfig)
    pins: PinsConfig = field(default_factory=PinsConfig)
    source: SourceConfig = field(default_factory=SourceConfig)
    pair: PairConfig = field(default_factory=PairConfig)
    orientation: OrientationConfig = field(default_factory=OrientationConfig)
    depth: DepthConfig = field(default_factory=DepthConfig)
    detector: DetectorConfig = field(default_factory=DetectorConfig)
    service: ServiceConfig = field(default_factory=ServiceConfig)
    sound: SoundConfig = field(default_factory=SoundConfig)
    limits: dict[str, float] = field(default_factory=dict)
    """Safety limits, downward only; names as in docs/safety.md."""
    units: Literal["si", "us"] = "si"

    @property
    def head(self) -> Head:
        """A second chip makes a crossed pair, whatever else is said."""
        return "crossed" if self.adc.crossed_address is not None else self.pair.head

    @property
    def conversion_s(self) -> float | None:
        """How long one conversion lasts where it is shorter than the time from sample to sample, because pairs that
        share a chip are read in turn; else None."""
        return 1.0 / self.adc.rate if self.channels > 1 and self.adc.crossed_address is None else None

    @property
    def channels(self) -> int:
        """How many pairs are read at once."""
        return {"single": 1, "crossed": 2, "three-axis": 3}[self.head]


def parse(text: str, where: str = "configuration") -> Config:
    """Configuration from TOML text. Raises InputError naming `where` and the key."""
    config = from_toml(text, Config, where)
    check(config, where)
    return config


def check(config: Config, where: str = "configuration") -> None:
    """What must hold beyond each key by itself. Raises InputError naming `where` and the key."""
    check_finite(config, where)
    for mains_Hz in config.detector.mains_Hz or [0.0]:
        if not MAINS_HZ[0] <= mains_Hz <= MAINS_HZ[1]:
            raise InputError(
                f"{where}: detector.mains_Hz names the supplies to be expected, {MAINS_HZ[0]:g} to {MAINS_HZ[1]:g} Hz "
                "each and at least one; write [50.0], [60.0] or both"
            )
    if config.pair.head == "three-axis" and config.adc.crossed_address is not None:
        raise InputError(
            f"{where}: pair.head is three-axis, which takes all inputs of one converter, and adc.crossed_address names "
            "a second one; leave one of the two out"
        )
    if config.detector.update_s > config.detector.window_s:
        raise InputError(
            f"{where}: detector.update_s ({config.detector.update_s:g}) is longer than detector.window_s "
            f"({config.detector.window_s:g}); samples between two windows would be left out, so make it shorter"
        )
    for key in ("socket", "data_dir"):
        path = getattr(config.service, key)
        if not path or "\0" in path:
            raise InputError(f"{where}: service.{key} is no path; give one, such as {getattr(ServiceConfig(), key)}")


def load(path: str | Path) -> Config:
    """Configuration from a file. Raises InputError."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"configuration {path} cannot be read ({error}); give the path of a TOML file") from error
    return parse(text, f"configuration {path}")
