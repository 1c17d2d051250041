"""What daemon and clients say to each other: JSON lines, one typed message per line, validated on both sides.

docs/client-protocol.md is the text. Unknown fields are ignored, unknown types are answered with `Problem`.
Every message has a `type`. Units are in the names; SI. No message energises the source: only a hand at the
pool side does. What a message is about is the record's own Struct (`earthward.record`): it has no form of its own here.
"""

from __future__ import annotations

from typing import Literal

import msgspec
from msgspec import Struct, field

from earthward.config import SwitchName as SwitchName
from earthward.daemon.instrument import AdcHealth as AdcHealth
from earthward.daemon.instrument import DepthHealth as DepthHealth
from earthward.daemon.instrument import HeadHealth as HeadHealth
from earthward.daemon.instrument import Interlock as Interlock
from earthward.daemon.instrument import InterlockName as InterlockName
from earthward.daemon.instrument import LinkHealth as LinkHealth
from earthward.daemon.instrument import PairInfo as PairInfo
from earthward.daemon.instrument import Permissive as Permissive
from earthward.daemon.instrument import Recording as Recording
from earthward.daemon.instrument import Source as Source
from earthward.daemon.instrument import TripInfo as TripInfo
from earthward.record.base import Point
from earthward.record.bench import BenchStepName
from earthward.record.board import ElectrodeName
from earthward.record.event import Event
from earthward.record.finding import CurrentBudget, Finding, Stage, Verdict, WaterBudget
from earthward.record.place import Fitting, Mark, Station
from earthward.record.reading import KeptReading, Purpose, Reading, TestLeakState
from earthward.record.step import Step

PROTOCOL = 2


class Message(Struct, tag_field="type", frozen=True, kw_only=True):
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


class ReadingMessage(Reading, Message, tag="reading", frozen=True, kw_only=True):
    """One lock-in result. `age_s` is the age of its newest sample when the daemon sent it."""

    number: int
    age_s: float
    source_id: int = 0
    spacing_m: float = 0.3
    current_A: float | None = None
    """Injected current, positive-phase peak, that this reading belongs to."""
    gradient_V_per_m: float | None = None
    transfer_ohm: float | None = None


TurnName = Literal["along", "across", "upright"]
TurnStatus = Literal["to do", "kept", "skipped"]
SpotPhase = Literal["turn", "hold", "done"]


class SpotTurn(Struct, frozen=True, kw_only=True):
    name: TurnName
    status: TurnStatus


class Spot(Struct, frozen=True, kw_only=True):
    """How far the reading spot is that the pole is at. phase "turn": the pole is to be turned as turns[at] says, then
    `PressKeep`; "hold": it is being read, `waiting` says for what; "done": on to the next."""

    station: str
    turns: list[SpotTurn]
    at: int
    phase: SpotPhase
    doubt: bool = False
    """The pair does not seem to be in the water: it is kept only if a person presses keep."""
    waiting: str = ""
    electrodes: int = 1
    electrodes_read: int = 0
    auto: bool = True
    purpose: Purpose = "survey"


class State(Message, tag="state", frozen=True, kw_only=True):
    """Everything about the instrument itself, five times a second (twice while the source is on, unless the head has
    sensors) and at once after a change."""

    t_s: float
    emulated: bool
    interlock: Interlock
    source: Source
    link: LinkHealth
    adc: AdcHealth
    recording: Recording
    pair: PairInfo = field(default_factory=PairInfo)
    depth: DepthHealth | None = None
    """None: there is no depth sensor in the head."""
    head: HeadHealth | None = None
    """None: there is no orientation sensor in the head."""
    detector: str = ""
    stations: int = 0
    survey: str = ""
    place: Station | None = None
    next_station: Station | None = None
    next_finding: int | None = None
    """The next station is one that was read before this finding was repaired: read it again."""
    spot: Spot | None = None
    """The reading spot under way, or the last one."""
    auto_keep: bool = True
    """A spot keeps by itself when the value has been steady for a second."""
    can_undo: str = ""
    """What `Undo` would take back."""
    test_leak: int = 0
    """Readings of the test leak so far: parted, joined, parted."""
    stray_turns: int = 0
    """Holds of the stray-voltage check so far: along, across, end for end."""
    stray_holding: bool = False
    """One of them is being measured."""
    busy: str = ""
    """What the daemon is working on for a person: a search, a report."""


class EventMessage(Event, Message, tag="event", frozen=True, kw_only=True):
    """Something happened. Never dropped, always recorded. `number` counts the daemon's events."""


class Kept(KeptReading, Message, tag="kept", frozen=True, kw_only=True):
    """A reading was written to the survey, durably, before this line was sent."""

    place: Station


class Lost(Message, tag="lost", frozen=True, kw_only=True):
    """This client was too slow: so many readings were left out since the last `lost`."""

    readings: int


class Done(Message, tag="done", frozen=True, kw_only=True):
    """A request of yours that has no other answer is carried out, and durable where it is for the record."""

    request: str


class SwitchPressed(Message, tag="switch", frozen=True, kw_only=True):
    """A pool-side switch was pressed. Sent only to the newest client whose `Subscribe` claims the switches.

    With no such client the daemon acts by itself: "keep" keeps at the present place, the others do nothing.
    "off" has already been obeyed by the daemon when this is sent.
    """

    name: SwitchName
    t_s: float


class Problem(Message, tag="problem", frozen=True, kw_only=True):
    """A client's line could not be used. One sentence; `code` for programs, where there is something that they can do
    about it (`InputError.code`)."""

    text: str
    code: str = ""


class Cell(Struct, frozen=True, kw_only=True):
    """A patch of liner: its share of the posterior, and the smallest sink the readings would have shown."""

    position_m: Point
    size_m: float
    probability: float = 0.0
    detectable_A: float | None = None


class Plan(Message, tag="plan", frozen=True, kw_only=True):
    """The pool with everything known about it; sent when it changes. None: not known yet."""

    revision: int
    name: str
    outline_m: list[tuple[float, float]]
    depth_text: str = ""
    sources: list[Point] = field(default_factory=list)
    fittings: list[Fitting] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    """All that the pool names; distances are taped from the two that `record.place.tape_marks` chooses."""
    kept: list[KeptReading] = field(default_factory=list)
    cells: list[Cell] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    """Those in the record, then what the newest search only suspects (number 0). Regions are in `cells`."""
    p_leak_count: dict[str, float] = field(default_factory=dict)
    verdict: Verdict | None = None
    """What the newest search says."""
    budget: CurrentBudget | None = None
    water: WaterBudget | None = None
    next_station: Station | None = None
    further: list[Station] = field(default_factory=list)
    """Where to go after that, as far as can be told now."""
    coverage_fraction: float | None = None
    text: str = ""


class Steps(Message, tag="steps", frozen=True, kw_only=True):
    steps: list[Step]


FromDaemon = Hello | ReadingMessage | State | EventMessage | Kept | Done | Lost | Problem | Plan | Steps | SwitchPressed

# ---- client to daemon -------------------------------------------------------------------------------------


Topic = Literal["reading", "state", "kept", "plan", "steps"]
TOPICS: tuple[Topic, ...] = ("reading", "state", "kept", "plan", "steps")


class Subscribe(Message, tag="subscribe", frozen=True, kw_only=True):
    """A client's first line: which protocol it speaks and which messages to send; events and problems always come.

    A client of another version is refused with a `Problem`; `SourceOff` is obeyed all the same.
    """

    protocol: int = 1
    """Version 1 had no such field."""
    topics: tuple[Topic, ...] = TOPICS
    max_rate_Hz: float = 20.0
    switches: bool = False
    """This client is the display beside the pool-side switches: `SwitchPressed` goes to the newest such client."""


class SourceOff(Message, tag="source_off", frozen=True, kw_only=True):
    """Take the output off, now. Always obeyed."""


class WaterClear(Message, tag="water_clear", frozen=True, kw_only=True):
    """`by` states that nobody is in the water and the pool is watched. Renewed every few minutes."""

    by: str


class Keep(Message, tag="keep", frozen=True, kw_only=True):
    """Keep the present reading at this station (default: the place last told by `MoveTo`).

    `uid` names this wish: sent again with the same one, after a lost answer, it is kept once. Without a uid a second
    wish for the same reading at the same place is answered with the row that it has.
    """

    place: Station | None = None
    note: str = ""
    purpose: Purpose = "survey"
    finding: int | None = None
    """With purpose "re-measure": which finding was repaired."""
    test_leak: TestLeakState | None = None
    """With purpose "test leak": was it joined to earth?"""
    uid: str = ""
    turn: str = ""
    """Readings of one station with the same word were taken without turning the pole's head."""


class BeginSpot(Message, tag="begin_spot", frozen=True, kw_only=True):
    """The pole is at this place, held along: read it in every direction that the head needs, with every electrode.

    With `finding` the readings are for its re-measurement; with `test_leak` one direction is read for the test of
    sensitivity, which is judged when three are kept, the test leak `distance_m` away."""

    place: Station
    finding: int | None = None
    test_leak: TestLeakState | None = None
    distance_m: float = 0.0


class PressKeep(Message, tag="press_keep", frozen=True, kw_only=True):
    """The keep key in a spot: the pole is turned as asked; or, while it is held, keep now."""


class SkipTurn(Message, tag="skip_turn", frozen=True, kw_only=True):
    """Leave the spot's present direction out."""


class SetAutoKeep(Message, tag="set_auto_keep", frozen=True, kw_only=True):
    on: bool


class Undo(Message, tag="undo", frozen=True, kw_only=True):
    """Take the last action back: a kept direction, a dye test, a cover, a skipped step. The record keeps what was
    withdrawn. Ten actions deep."""


class Levels(Message, tag="levels", frozen=True, kw_only=True):
    """A level log entered by hand, or its file (on the daemon's machine). Falls since the first reading."""

    moment: Literal["before", "after"] = "before"
    path: str = ""
    hours: float | None = None
    pool_fall_mm: float | None = None
    bucket_fall_mm: float | None = None


class WriteReport(Message, tag="write_report", frozen=True, kw_only=True):
    """Write the survey's report beside it; events say where, or why not."""


class ReadDetails(Message, tag="read_details", frozen=True, kw_only=True):
    """Owner, address, technician and notes from `details.toml`, and new pictures from `photos/`, beside the survey."""


class Withdraw(Message, tag="withdraw", frozen=True, kw_only=True):
    """Take a kept reading back (wrong place, pole knocked). It stays in the record, marked with the reason."""

    row: int
    why: str


class AddPhoto(Message, tag="add_photo", frozen=True, kw_only=True):
    """A picture belongs to the survey. `path`: on the daemon's machine, inside the folder of the survey file."""

    path: str
    caption: str = ""
    finding: int | None = None
    station: str = ""


class KeepTail(Message, tag="keep_tail", frozen=True, kw_only=True):
    """Keep the last 60 s of samples as a recording of their own; an event says where."""


class KeepFlight(Message, tag="keep_flight", frozen=True, kw_only=True):
    """Keep a flight record, as after a trip; the event `flight` says where."""


class TestLeak(Message, tag="test_leak", frozen=True, kw_only=True):
    """Judge the readings kept with purpose "test leak"."""

    distance_m: float
    """From the pair's middle to the test leak."""


class MoveTo(Message, tag="move_to", frozen=True, kw_only=True):
    """Where the pole is now."""

    place: Station


class SelectElectrode(Message, tag="select_electrode", frozen=True, kw_only=True):
    electrode: ElectrodeName


class SetStage(Message, tag="set_stage", frozen=True, kw_only=True):
    """Move a finding on: dye drawn, dye not drawn, repaired, re-measured."""

    finding: int
    stage: Stage
    note: str = ""


class SetCovered(Message, tag="set_covered", frozen=True, kw_only=True):
    """A fitting was covered or plugged, or uncovered again; or a person says that it cannot be covered here."""

    fitting: str
    covered: bool
    coverable: bool = True


class StepDone(Message, tag="step_done", frozen=True, kw_only=True):
    key: str
    note: str = ""


class Note(Message, tag="note", frozen=True, kw_only=True):
    text: str


class SetSound(Message, tag="set_sound", frozen=True, kw_only=True):
    """Volume of the cue, 0 to 1, the dead band in sigma (never below 2), and whether its pitch is stretched about the
    present strength. None = leave as it is."""

    volume: float | None = None
    dead_band_sigma: float | None = None
    zoom: bool | None = None


class ScanBand(Message, tag="scan_band", frozen=True, kw_only=True):
    """Source off: scan the band and take the repetition frequency with least interference; an event says why."""


class StrayTurn(Message, tag="stray_turn", frozen=True, kw_only=True):
    """Source off: the pair is held as the stray-voltage check asks (along, across, end for end): measure."""


class AtWall(Message, tag="at_wall", frozen=True, kw_only=True):
    """The head is held still, its front square against a wall of the pool: its orientation sensor counts bearings from
    here. bearing_deg None: the wall is the one nearest to the place last told."""

    bearing_deg: float | None = None


class Plumb(Message, tag="plumb", frozen=True, kw_only=True):
    """The pole is held plumb and still: what the orientation sensor's accelerometer sees is up. Kept for other days."""


class AtSurface(Message, tag="at_surface", frozen=True, kw_only=True):
    """The pole head is held at the water's surface, or out of the water: its depth sensor counts from here."""


class BenchStep(Message, tag="bench_step", frozen=True, kw_only=True):
    """From here on the recording shows this step of a bench test; `applied_V`: what the known divider puts at the plug.
    Needs a running recording."""

    step: BenchStepName
    applied_V: float | None = None


class Ask(Message, tag="ask", frozen=True, kw_only=True):
    """Send one message of this kind now."""

    what: Literal["state", "plan", "steps"]


FromClient = (
    Subscribe
    | SourceOff
    | WaterClear
    | Keep
    | BeginSpot
    | PressKeep
    | SkipTurn
    | SetAutoKeep
    | Undo
    | Levels
    | WriteReport
    | ReadDetails
    | Withdraw
    | AddPhoto
    | KeepTail
    | KeepFlight
    | TestLeak
    | MoveTo
    | SelectElectrode
    | SetStage
    | SetCovered
    | StepDone
    | Note
    | SetSound
    | ScanBand
    | StrayTurn
    | AtWall
    | Plumb
    | AtSurface
    | BenchStep
    | Ask
)

_encoder = msgspec.json.Encoder()
from_daemon: msgspec.json.Decoder[FromDaemon] = msgspec.json.Decoder(FromDaemon)
from_client: msgspec.json.Decoder[FromClient] = msgspec.json.Decoder(FromClient)


def encode(message: Message) -> bytes:
    """One line, newline included."""
    return _encoder.encode(message) + b"\n"
