"""What goes into the search for sinks and what comes out. Plain data; SI units, named."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import msgspec

from earthward.record.base import Point
from earthward.record.finding import CurrentBudget, Finding
from earthward.record.finding import Verdict as Verdict
from earthward.record.place import HEADS as HEADS
from earthward.record.place import Head as Head
from earthward.record.place import Station

#: Dye let go at a place and moved about there says that no leak is within so much of it. Common practice, no source.
NO_DYE_WITHIN_M = 0.2


@dataclass(frozen=True, slots=True)
class FloatingSink:
    """Something that takes current and is not in the pool file, such as a finding that drew no dye. sigma_m: how well
    its place is known, along the liner, per axis. no_dye_within_m: so near to it no dye was drawn in, so there may be
    nothing at all there and the leak elsewhere (`no_dye`); 0: it surely takes current."""

    name: str
    position_m: Point
    sigma_m: float = 0.15
    no_dye_within_m: float = 0.0


@dataclass(frozen=True, slots=True)
class EarlierCovers:
    """Readings of one search that were taken with other fittings covered than now: which, and the mean current that
    each injection electrode, by its source_id, put into the water then."""

    covered: frozenset[str]
    current_A: tuple[tuple[int, float], ...]


@dataclass(frozen=True, slots=True)
class LocateSettings:
    """How well the person and the instrument knew things: one standard deviation each.

    position_sigma_m and depth_sigma_m: a station's place, shared by all its turns; the first per horizontal axis.
    bearing_sigma_deg, tilt_sigma_deg, shift_sigma_m (per axis): each turn of the pole at a station by itself. head: one
    pair turned by hand, or a rigid array that reads several directions in one turn. electrode_sigma_m (per axis) and
    electrode_depth_sigma_m: the injection electrodes' places. depth_offset_sigma_m: what all depths are off by
    together (the water stood otherwise, the mark on the pole sits wrong), while depth_sigma_m is each station's own.
    lean_sigma_deg: by how much every pole leans toward the nearest wall, where whoever holds it stands, while
    tilt_sigma_deg is each turn's own.
    wide_share: so many of all places and turns are worse than stated, by wide_factor.
    fitting_sigma_m: along the liner, per axis. current_sigma: the source board's current, relative. gain_sigma:
    everything that scales all readings alike (conductivity, spacing, gain). share_sigma: by how much a
    fitting's current may differ between placements. model_error: relative, of each contribution to a reading.
    detection_threshold: the detection threshold, log evidence (nats) a sink must gain to be declared.
    """

    position_sigma_m: float = 0.1
    depth_sigma_m: float = 0.05
    depth_offset_sigma_m: float = 0.07
    lean_sigma_deg: float = 3.0
    bearing_sigma_deg: float = 10.0
    tilt_sigma_deg: float = 4.0
    shift_sigma_m: float = 0.03
    head: Head = "single"
    electrode_sigma_m: float = 0.15
    electrode_depth_sigma_m: float = 0.05
    fitting_sigma_m: float = 0.1
    wide_share: float = 0.05
    wide_factor: float = 3.0
    current_sigma: float = 0.01
    gain_sigma: float = 0.05
    share_sigma: float = 0.10
    model_error: float = 0.005
    noise_floor_V: float = 2e-7
    cell_m: float = 0.1
    max_leaks: int = 3
    detection_threshold: float = 4.0
    water_voltage_V: float | None = 10.0
    """Water against earth, for the hole's size; None if not known."""
    soil_resistivity_ohm_m: tuple[float, float] = (20.0, 300.0)
    liner_thickness_m: float = 0.0005
    floating: tuple[FloatingSink, ...] = ()
    """What takes current beside the pool's fittings."""
    earlier: tuple[EarlierCovers, ...] = ()
    """Other states of the covers that some of the readings are from."""


@dataclass(frozen=True, slots=True)
class CoverageCell:
    """A patch of liner and the largest sink still possible there: as current, and as a round hole in middling soil
    (None: any hole, or the water's voltage is not known)."""

    position_m: Point
    size_m: float
    limit_A: float
    limit_hole_mm: float | None

    @property
    def detectable_A(self) -> float:
        """What would have shown, had it been there."""
        return self.limit_A


@dataclass(frozen=True, slots=True)
class Coverage:
    """What the kept readings and the current balance still allow, per patch of liner, at that confidence; a sink of
    twice a patch's limit is meant to be declared with that power (docs/method-location.md says how often it is).
    fraction_at_reference: share of the liner whose limit is below reference_A; limit_A: the largest limit away from
    fittings and findings."""

    confidence: float
    power: float
    cells: tuple[CoverageCell, ...]
    reference_A: float
    fraction_at_reference: float
    median_limit_A: float
    limit_A: float
    text: str = ""
    hidden_text: str = ""
    """The part of `text` that says what could still hide."""


@dataclass(frozen=True, slots=True)
class PosteriorCell:
    position_m: Point
    probability: float


@dataclass(frozen=True, slots=True)
class SuspectReading:
    row: int
    station: str
    reason: str


@dataclass(frozen=True, slots=True)
class Result:
    """Everything one look at the kept readings says."""

    findings: tuple[Finding, ...]
    p_leak_count: dict[str, float]
    budget: CurrentBudget
    coverage: Coverage | None
    next_station: Station | None
    suspect_readings: tuple[SuspectReading, ...]
    posterior: tuple[PosteriorCell, ...]
    verdict: Verdict
    text: str
    advice: tuple[str, ...] = ()
    gain: float = 1.0
    """Fitted over stated scale of the readings."""
    stations: int = 0
    readings: int = 0
    extra: dict[str, float] = field(default_factory=dict)
    further: tuple[Station, ...] = ()
    """Where to go after `next_station`, by what is believed now."""
    cover_next: str | None = None
    """The fitting that is to be covered or plugged before more is read, if more is to be found."""
    provisional: bool = False
    """Gone on from the result before by the readings since: a full search has to follow."""

    def to_json(self, *, cells: bool = True) -> dict[str, Any]:
        """The JSON object of `earthward locate`. Positions as lists, metres; currents in ampere."""
        coverage: dict[str, Any] = {}
        if self.coverage is not None:
            coverage = {
                "confidence": self.coverage.confidence,
                "power": self.coverage.power,
                "reference_A": self.coverage.reference_A,
                "fraction_at_reference": self.coverage.fraction_at_reference,
                "median_limit_A": self.coverage.median_limit_A,
                "limit_A": self.coverage.limit_A,
                "text": self.coverage.text,
            }
            if cells:
                coverage["cells"] = [
                    {
                        "position_m": list(c.position_m),
                        "size_m": c.size_m,
                        "limit_A": c.limit_A,
                        "limit_hole_mm": c.limit_hole_mm,
                        "detectable_A": c.detectable_A,
                    }
                    for c in self.coverage.cells
                ]
        return {
            "verdict": self.verdict,
            "text": self.text,
            "advice": list(self.advice),
            "cover_next": self.cover_next,
            "findings": [
                {
                    "position_m": list(f.position_m),
                    "current_A": f.current_A,
                    "current_interval_A": list(f.current_interval_A or ()),
                    "hole_diameter_mm": None if f.hole_diameter_mm is None else list(f.hole_diameter_mm),
                    "region": msgspec.to_builtins(f.region),
                    "radius_m": f.radius_m,
                    "strength": f.strength,
                    "certain": f.certain,
                    "text": f.text,
                }
                for f in self.findings
            ],
            "p_leak_count": self.p_leak_count,
            "budget": {
                "injected_A": self.budget.injected_A,
                "fittings": [
                    {"name": s.name, "current_A": s.current_A, "interval_A": list(s.interval_A)}
                    for s in self.budget.fittings
                ],
                "findings_A": self.budget.findings_A,
                "findings_interval_A": list(self.budget.findings_interval_A),
                "unexplained_A": self.budget.unexplained_A,
                "unexplained_interval_A": list(self.budget.unexplained_interval_A),
                "text": self.budget.text,
            },
            "coverage": coverage,
            "next_station": None
            if self.next_station is None
            else {
                "position_m": list(self.next_station.position_m),
                "bearing_deg": self.next_station.bearing_deg,
                "text": self.next_station.text,
            },
            "suspect_readings": [s.row for s in self.suspect_readings],
            "suspect_reasons": [
                {"row": s.row, "station": s.station, "reason": s.reason} for s in self.suspect_readings
            ],
            "posterior": [{"position_m": list(c.position_m), "probability": c.probability} for c in self.posterior],
            "gain": self.gain,
            "stations": self.stations,
            "readings": self.readings,
        }
