"""What the display knows, frozen: one immutable picture, replaced as lines arrive from the daemon."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from earthward.daemon.protocol import FromDaemon, Hello, Kept, Lost, Plan, Problem, ReadingMessage, State, Steps
from earthward.record.event import Event

TREND_S = 20.0
EVENTS_KEPT = 200


@dataclass(frozen=True, slots=True)
class Received:
    """A message and the local moment at which it came."""

    message: ReadingMessage
    at_s: float

    def age_s(self, now_s: float) -> float:
        """Age of the newest sample in the reading."""
        return self.message.age_s + max(0.0, now_s - self.at_s)


@dataclass(frozen=True, slots=True)
class Point:
    """One reading of the trend: local time of its newest sample."""

    t_s: float
    value_V: float
    sigma_V: float


@dataclass(frozen=True, slots=True)
class Snapshot:
    connected: bool = False
    changed_s: float = 0.0
    """When `connected` last changed."""
    address: str = ""
    hello: Hello | None = None
    state: State | None = None
    state_s: float = 0.0
    readings: dict[int, Received] = field(default_factory=dict)
    """Newest reading per channel. Never altered in place."""
    trend: tuple[Point, ...] = ()
    plan: Plan | None = None
    steps: Steps | None = None
    events: tuple[tuple[float, Event], ...] = ()
    """Newest last, each with the local moment at which it came."""
    kept: Kept | None = None
    lost: int = 0
    kept_s: float = -1e9
    problem: str = ""
    """What the daemon refused last, and when it said so."""
    problem_s: float = -1e9

    @property
    def emulated(self) -> bool:
        return bool((self.state and self.state.emulated) or (self.hello and self.hello.emulated))


def updated(snapshot: Snapshot, message: FromDaemon, now_s: float) -> Snapshot:
    """The picture after one more message."""
    match message:
        case ReadingMessage():
            readings = {**snapshot.readings, message.channel: Received(message, now_s)}
            trend = snapshot.trend
            if message.channel == 0 and message.value_V is not None and message.sigma_V is not None:
                point = Point(now_s - message.age_s, message.value_V, message.sigma_V)
                first = 0
                while first < len(trend) and trend[first].t_s < point.t_s - TREND_S:
                    first += 1
                trend = (*trend[first:], point)
            return replace(snapshot, readings=readings, trend=trend)
        case State():
            return replace(snapshot, state=message, state_s=now_s)
        case Event():
            return replace(snapshot, events=(*snapshot.events[-(EVENTS_KEPT - 1) :], (now_s, message)))
        case Plan():
            return replace(snapshot, plan=message)
        case Steps():
            return replace(snapshot, steps=message)
        case Kept():
            return replace(snapshot, kept=message, kept_s=now_s)
        case Lost():
            return replace(snapshot, lost=snapshot.lost + message.readings)
        case Problem():
            return replace(snapshot, problem=message.text, problem_s=now_s)
        case Hello():
            return replace(snapshot, hello=message)
        case _:
            return snapshot


def connection(snapshot: Snapshot, connected: bool, now_s: float) -> Snapshot:
    """The picture when the line to the daemon comes or goes. What was known stays, with its age."""
    if connected == snapshot.connected and snapshot.changed_s:
        return snapshot
    return replace(snapshot, connected=connected, changed_s=now_s)
