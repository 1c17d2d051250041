"""How the instrument is, as clients are told of it: interlock, source, link, converter, recording, pair."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct, field

from earthward.record.board import BoardReport, ElectrodeName
from earthward.record.place import Depth, Orientation


class Permissive(Struct, frozen=True, kw_only=True):
    """One condition that must hold before and while energised. `name` says which, `code` what it is about now."""

    name: str
    code: str = ""
    ok: bool
    text: str
    age_s: float | None = None


class TripInfo(Struct, frozen=True, kw_only=True):
    code: str
    cause: str
    remedy: str
    t_s: float


InterlockName = Literal["off", "checking", "ready", "energised", "tripped"]


class Interlock(Struct, frozen=True, kw_only=True):
    state: InterlockName
    since_s: float
    text: str = ""
    warning_s: float = 0.0
    """Seconds of beacon and sound still to go before the output may come on."""
    permissives: list[Permissive] = field(default_factory=list)
    trip: TripInfo | None = None
    water_clear_left_s: float | None = None


class Source(Struct, frozen=True, kw_only=True):
    """The source: what was asked of it, and what the board last measured of itself (None: no board has reported)."""

    report: BoardReport | None = None
    waveform: str = "coded"
    frequency_Hz: float | None = None
    current_limit_A: float | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def energised(self) -> bool:
        return self.report is not None and self.report.energised

    @property
    def electrode(self) -> ElectrodeName:
        return "A" if self.report is None else self.report.electrode

    @property
    def open_circuit(self) -> bool:
        """On, and next to no current flows."""
        return self.report is not None and self.report.energised and self.report.open_circuit

    @property
    def current_A(self) -> float | None:
        """Amplitude of the injected current; 0 while off."""
        return None if self.report is None else abs(self.report.current_A) if self.energised else 0.0

    @property
    def voltage_V(self) -> float | None:
        """Amplitude between the electrodes; 0 while off."""
        return None if self.report is None else abs(self.report.voltage_V) if self.energised else 0.0

    @property
    def battery_V(self) -> float | None:
        return None if self.report is None else self.report.battery_V

    @property
    def temperature_C(self) -> float | None:
        return None if self.report is None else self.report.temperature_C


class LinkHealth(Struct, frozen=True, kw_only=True):
    ok: bool
    text: str
    port: str = ""
    firmware: str = ""
    errors: int = 0
    retries: int = 0
    timeouts: int = 0
    reconnects: int = 0
    round_trip_s: float | None = None
    clock_offset: float | None = None
    """Relative rate error of the board's clock against the host's."""
    clock_error_s: float | None = None
    clock_age_s: float | None = None


class AdcHealth(Struct, frozen=True, kw_only=True):
    ok: bool
    text: str
    rate_Hz: float | None = None
    lost_fraction: float = 0.0
    repeats: int = 0
    full_scale_V: float | None = None
    saturated: bool = False
    mains_Hz: float | None = None
    mains_V: float | None = None
    noise_V: float | None = None


class Recording(Struct, frozen=True, kw_only=True):
    ok: bool
    text: str
    path: str = ""
    bytes: int = 0


class PairInfo(Struct, frozen=True, kw_only=True):
    spacing_m: float = 0.3
    front: str = "one ring"
    back: str = "two rings"
    crossed: bool = False


class HeadHealth(Struct, frozen=True, kw_only=True):
    """The orientation sensor in the pole head. ok: lean and bearing are known; else `text` says what is missing."""

    ok: bool
    text: str
    told: Orientation | None = None
    """None: it cannot say how the head is held, and people's own word counts."""


class DepthHealth(Struct, frozen=True, kw_only=True):
    """The depth sensor in the pole head. ok: it tells the depth; else `text` says why not."""

    ok: bool
    text: str
    told: Depth | None = None
    """None: it cannot say how deep the head is, and people's own word counts."""
