"""What daemon and clients say to each other: JSON lines, one typed message per line, validated on both sides.

docs/client-protocol.md is the text. Unknown fields are ignored, unknown types are answered with `Problem`.
Every message has a `type`. Units are in the names; SI. No message energises the source: only a hand at the
pool side does.
"""

from __future__ import annotations

from typing import Literal

import msgspec
from msgspec import Struct, field

PROTOCOL = 1

Point = tuple[float, float, float]


class Message(Struct, tag_field="type", frozen=True, kw_only=True, omit_defaults=False):
    """Base of all messages."""


# ---- daemon to client -------------------------------------------------------------------------------------


class Hello(Message, tag="hello", frozen=True, kw_only=True):
    """First line of every connection."""

    name: str = "earthward"
    version: str
    protocol: int = PROTOCOL
    capabilities: list[str] = field(default_factory=list)
    emulated: bool = False
    read_only: bool = False


class ReadingMessage(Message, tag="reading", frozen=True, kw_only=True):
    """One lock-in result. `age_s` is the age of its newest sample when the daemon sent it."""

    number: int
    t_s: float
    age_s: float
    window_s: float
    value_V: float | None
    quadrature_V: float | None
    sigma_V: float | None
    snr: float | None
    p_sign: float | None
    lost_fraction: float
    flags: list[str]
    channel: int = 0
    source_id: int = 0
    spacing_m: float = 0.3
    current_A: float | None = None
    """Injected current, positive-phase peak, that this reading belongs to."""
    gradient_V_per_m: float | None = None
    transfer_ohm: float | None = None


class Permissive(Struct, frozen=True, kw_only=True):
    """One condition that must hold before and while energised."""

    name: str
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
    """The source board as last measured by itself."""

    energised: bool
    electrode: Literal["A", "B"] = "A"
    waveform: str = "coded"
    frequency_Hz: float | None = None
    current_A: float | None = None
    current_limit_A: float | None = None
    voltage_V: float | None = None
    battery_V: float | None = None
    temperature_C: float | None = None
    idle_dc_V: float | None = None
    idle_ac_V: float | None = None
    notes: list[str] = field(default_factory=list)


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


class State(Message, tag="state", frozen=True, kw_only=True):
    """Everything about the instrument itself, five times a second and at once after a change."""

    t_s: float
    emulated: bool
    interlock: Interlock
    source: Source
    link: LinkHealth
    adc: AdcHealth
    recording: Recording
    pair: PairInfo = field(default_factory=PairInfo)
    detector: str = ""
    listening: str = ""
    stations: int = 0
    survey: str = ""
    place: Station | None = None
    next_station: Station | None = None


class Station(Struct, frozen=True, kw_only=True):
    """A place with the pair's bearing; `text` says it in a deck person's words."""

    position_m: Point
    bearing_deg: float | None = None
    vertical: bool = False
    name: str = ""
    text: str = ""


class Event(Message, tag="event", frozen=True, kw_only=True):
    """Something happened. Never dropped, always recorded."""

    number: int
    t_s: float
    severity: Literal["info", "caution", "alarm"]
    code: str
    text: str
    remedy: str = ""


class Kept(Message, tag="kept", frozen=True, kw_only=True):
    """A reading was written to the survey, durably, before this line was sent."""

    row: int
    station: str
    place: Station
    value_V: float
    sigma_V: float
    source_id: int = 0
    channel: int = 0


class Lost(Message, tag="lost", frozen=True, kw_only=True):
    """This client was too slow: so many readings were left out since the last `lost`."""

    readings: int


SwitchName = Literal["keep", "map", "next", "off"]


class SwitchPressed(Message, tag="switch", frozen=True, kw_only=True):
    """A pool-side switch was pressed. Sent only to the newest client whose `Subscribe` claims the switches.

    With no such client the daemon acts by itself: "keep" keeps at the present place, the others do nothing.
    "off" has already been obeyed by the daemon when this is sent.
    """

    name: SwitchName
    t_s: float


class Problem(Message, tag="problem", frozen=True, kw_only=True):
    """A client's line could not be used. One sentence."""

    text: str


class Fitting(Struct, frozen=True, kw_only=True):
    name: str
    kind: str
    position_m: Point
    covered: bool = False
    current_A: float | None = None
    interval_A: tuple[float, float] | None = None


class Mark(Struct, frozen=True, kw_only=True):
    """A point on the deck that tapes are hooked to."""

    name: str
    position_m: tuple[float, float]


class Finding(Struct, frozen=True, kw_only=True):
    number: int
    position_m: Point
    radius_m: float | None = None
    current_A: float | None = None
    current_interval_A: tuple[float, float] | None = None
    hole_diameter_mm: tuple[float, float] | None = None
    stage: str = "suspected"
    """suspected, dye drawn, dye not drawn, repaired, re-measured"""
    text: str = ""


class KeptPoint(Struct, frozen=True, kw_only=True):
    place: Station
    value_V: float
    sigma_V: float
    source_id: int = 0


class Cell(Struct, frozen=True, kw_only=True):
    """A patch of liner: its share of the posterior, and the smallest sink the readings would have shown."""

    position_m: Point
    size_m: float
    probability: float = 0.0
    detectable_A: float | None = None


class Budget(Struct, frozen=True, kw_only=True):
    """How much is explained. Current in ampere, water in litres per day; None = not known."""

    injected_A: float | None = None
    fittings_A: float | None = None
    findings_A: float | None = None
    unexplained_A: float | None = None
    unexplained_interval_A: tuple[float, float] | None = None
    loss_L_per_day: float | None = None
    loss_interval_L_per_day: tuple[float, float] | None = None
    explained_L_per_day: tuple[float, float] | None = None
    text: str = ""


class Plan(Message, tag="plan", frozen=True, kw_only=True):
    """The pool with everything known about it; sent when it changes."""

    revision: int
    name: str
    outline_m: list[tuple[float, float]]
    depth_text: str = ""
    sources: list[Point] = field(default_factory=list)
    fittings: list[Fitting] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    """Empty = the first two corners of the outline."""
    kept: list[KeptPoint] = field(default_factory=list)
    cells: list[Cell] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    p_leak_count: dict[str, float] = field(default_factory=dict)
    budget: Budget = field(default_factory=Budget)
    next_station: Station | None = None
    coverage_fraction: float | None = None
    text: str = ""


class Step(Struct, frozen=True, kw_only=True):
    """One step of the visit with what was measured."""

    key: str
    title: str
    status: Literal["to do", "now", "done", "failed", "skipped"]
    text: str = ""


class Steps(Message, tag="steps", frozen=True, kw_only=True):
    steps: list[Step]


FromDaemon = Hello | ReadingMessage | State | Event | Kept | Lost | Problem | Plan | Steps | SwitchPressed

# ---- client to daemon -------------------------------------------------------------------------------------


class Subscribe(Message, tag="subscribe", frozen=True, kw_only=True):
    """Which messages to send; events and problems always come. Without it: everything."""

    topics: list[Literal["reading", "state", "kept", "plan", "steps"]]
    max_rate_Hz: float = 20.0
    switches: bool = False
    """This client is the display beside the pool-side switches: `SwitchPressed` goes to the newest such client."""


class SourceOff(Message, tag="source_off", frozen=True, kw_only=True):
    """Take the output off, now. Always obeyed."""


class WaterClear(Message, tag="water_clear", frozen=True, kw_only=True):
    """`by` states that nobody is in the water and the pool is watched. Renewed every few minutes."""

    by: str


class Keep(Message, tag="keep", frozen=True, kw_only=True):
    """Keep the present reading at this station (default: the place last told by `MoveTo`)."""

    place: Station | None = None
    note: str = ""
    purpose: Literal["survey", "test leak", "re-measure"] = "survey"
    finding: int | None = None
    """With purpose "re-measure": which finding was repaired."""


class TestLeak(Message, tag="test_leak", frozen=True, kw_only=True):
    """Judge the readings kept with purpose "test leak" (notes "connected" and "disconnected")."""

    distance_m: float
    """From the pair's middle to the test leak."""


class MoveTo(Message, tag="move_to", frozen=True, kw_only=True):
    """Where the pole is now."""

    place: Station


class SelectElectrode(Message, tag="select_electrode", frozen=True, kw_only=True):
    electrode: Literal["A", "B"]


class SetStage(Message, tag="set_stage", frozen=True, kw_only=True):
    """Move a finding on: dye drawn, dye not drawn, repaired, re-measured."""

    finding: int
    stage: str
    note: str = ""


class SetCovered(Message, tag="set_covered", frozen=True, kw_only=True):
    """A fitting was covered or plugged, or uncovered again."""

    fitting: str
    covered: bool


class StepDone(Message, tag="step_done", frozen=True, kw_only=True):
    key: str
    note: str = ""


class Note(Message, tag="note", frozen=True, kw_only=True):
    text: str


class SetSound(Message, tag="set_sound", frozen=True, kw_only=True):
    """Volume of the cue, 0 to 1, and the dead band in sigma (never below 2). None = leave as it is."""

    volume: float | None = None
    dead_band_sigma: float | None = None


class Listen(Message, tag="listen", frozen=True, kw_only=True):
    """Source off: hear what the water carries and take the quietest repetition frequency; an event says why."""


class Ask(Message, tag="ask", frozen=True, kw_only=True):
    """Send one message of this kind now."""

    what: Literal["state", "plan", "steps"]


FromClient = (
    Subscribe
    | SourceOff
    | WaterClear
    | Keep
    | TestLeak
    | MoveTo
    | SelectElectrode
    | SetStage
    | SetCovered
    | StepDone
    | Note
    | SetSound
    | Listen
    | Ask
)

_encoder = msgspec.json.Encoder()
from_daemon: msgspec.json.Decoder[FromDaemon] = msgspec.json.Decoder(FromDaemon)
from_client: msgspec.json.Decoder[FromClient] = msgspec.json.Decoder(FromClient)


def encode(message: Message) -> bytes:
    """One line, newline included."""
    return _encoder.encode(message) + b"\n"
