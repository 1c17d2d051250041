"""A stand-in for the daemon: a Unix socket that says what a script tells it to. Of our own invention throughout.

`python -m tests.display.fake_feed SOCKET` serves an endless visit, to look at the dashboard alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec

from earthward.daemon.protocol import (
    AdcHealth,
    BeginSpot,
    Cell,
    EventMessage,
    FromClient,
    Hello,
    Interlock,
    Kept,
    LinkHealth,
    Message,
    MoveTo,
    Permissive,
    Plan,
    PressKeep,
    ReadingMessage,
    Recording,
    SetStage,
    Source,
    SourceOff,
    Spot,
    SpotTurn,
    State,
    StepDone,
    Steps,
    TripInfo,
    WaterClear,
    WriteReport,
    encode,
    from_client,
)
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.finding import CurrentBudget, Finding, FindingStage, FittingShare, Stage, WaterBudget
from earthward.record.place import Fitting, Station
from earthward.record.reading import KeptReading
from earthward.record.step import Step
from earthward.survey.pair import pair_ends


def reading(number: int = 1, value_V: float | None = 123e-6, sigma_V: float | None = 2.6e-6, **more: object) -> ReadingMessage:  # fmt: skip  # noqa: E501
    given: dict[str, object] = {
        "number": number,
        "t_s": number * 0.05,
        "age_s": 0.01,
        "window_s": 0.5,
        "value_V": value_V,
        "quadrature_V": 0.0,
        "sigma_V": sigma_V,
        "snr": abs(value_V) / sigma_V if value_V is not None and sigma_V else None,
        "p_sign": 0.99,
        "lost_fraction": 0.0,
        "flags": (),
        "current_A": 0.010,
        "gradient_V_per_m": value_V / 0.3 if value_V is not None else None,
        "transfer_ohm": value_V / 0.010 if value_V is not None else None,
    }
    return ReadingMessage(**(given | more))  # type: ignore[arg-type]


PLACE = Station(position_m=(2.4, 0.3, 0.5), bearing_deg=270.0, name="s7", text="deck 2.40 m from corner 1")
NEXT = Station(position_m=(6.2, 2.5, 1.1), bearing_deg=0.0, name="s8", text="6.2 m along, middle, pole along the pool")

PERMISSIVES = [
    Permissive(name="emergency stop", ok=True, text="the emergency stop is released"),
    Permissive(name="enable", ok=False, text="hold the enable at the pool side"),
    Permissive(name="water clear", ok=False, text="state that nobody is in the water"),
    Permissive(name="stray voltage", ok=True, text="no mains gradient or DC in the water"),
]


def interlock(state: str = "energised", **more: object) -> Interlock:
    given: dict[str, object] = {"state": state, "since_s": 10.0}
    if state == "energised":
        given["water_clear_left_s"] = 220.0
    if state in ("off", "checking"):
        given["permissives"] = PERMISSIVES
    if state == "tripped":
        given["trip"] = TripInfo(
            code="emergency_stop",
            cause="the emergency stop was pressed",
            remedy="find out why, release the stop, then press reset at the pool side",
            t_s=12.0,
        )
    return Interlock(**(given | more))  # type: ignore[arg-type]


def board(on: bool, **more: object) -> BoardReport:
    """What the board says: 10 mA at 9.4 V while on."""
    given: dict[str, object] = {
        "received_s": 100.0,
        "state": BoardState.ENERGISED if on else BoardState.OFF,
        "trip": Trip.NONE,
        "emergency_stop_closed": True,
        "enable_held": on,
        "heartbeat_fresh": True,
        "current_positive_A": 0.01002 if on else 0.0,
        "current_negative_A": -0.01002 if on else 0.0,
        "voltage_positive_V": 9.4 if on else 0.0,
        "voltage_negative_V": -9.4 if on else 0.0,
        "battery_V": 12.6,
        "temperature_C": 31.0,
    }
    return BoardReport(**(given | more))  # type: ignore[arg-type]


def held(place: Station, value_V: float = 123e-6, sigma_V: float = 2e-6, row: int = 1) -> KeptReading:
    """A reading kept at a place with a pair of 0.3 m."""
    aimed = place if place.bearing_deg is not None else msgspec.structs.replace(place, bearing_deg=0.0)
    front, back = pair_ends(aimed, 0.3)
    return KeptReading(
        front_m=front, back_m=back, value_V=value_V, sigma_V=sigma_V, station=place.name, row=row, time_s=1.7e9
    )


def kept(place: Station, value_V: float = 123e-6, sigma_V: float = 2e-6, row: int = 1) -> Kept:
    return Kept(**msgspec.structs.asdict(held(place, value_V, sigma_V, row)), place=place)


def state(lock: str | Interlock = "energised", **more: object) -> State:
    lock = interlock(lock) if isinstance(lock, str) else lock
    on = lock.state == "energised"
    given: dict[str, object] = {
        "t_s": 100.0,
        "emulated": True,
        "interlock": lock,
        "source": Source(report=board(on), waveform="coded", frequency_Hz=35.7, current_limit_A=0.010),
        "link": LinkHealth(ok=True, text="answers", port="/dev/source", firmware="1.0", round_trip_s=0.0042),
        "adc": AdcHealth(
            ok=True, text="samples flow", rate_Hz=859.4, lost_fraction=0.002, full_scale_V=0.256,
            mains_Hz=50.0, mains_V=41e-6, noise_V=9e-6,
        ),
        "recording": Recording(ok=True, text="recording", bytes=123456),
        "stations": 7,
        "place": PLACE,
        "next_station": NEXT,
    }  # fmt: skip
    return State(**(given | more))  # type: ignore[arg-type]


def staged(stage: Stage) -> tuple[FindingStage, ...]:
    return (FindingStage(stage="suspected", time_s=1.7e9), FindingStage(stage=stage, time_s=1.7e9))


OUTLINE = [(0.0, 0.0), (10.0, 0.0), (10.0, 5.0), (0.0, 5.0)]


def plan(revision: int = 1, outline: list[tuple[float, float]] | None = None, **more: object) -> Plan:
    """A box pool with a light, a ladder, kept stations and a suspected leak near (7.1, 4.4)."""
    outline = outline or OUTLINE
    x1, y1 = max(p[0] for p in outline), max(p[1] for p in outline)
    spot = (0.71 * x1, 0.88 * y1)
    cells = []
    size = 0.25
    for i in range(int(x1 / size)):
        for j in range(int(y1 / size)):
            x, y = (i + 0.5) * size, (j + 0.5) * size
            r2 = (x - spot[0]) ** 2 + ((y - spot[1]) * 1.5) ** 2
            far = max(0.0, x - 4.0)
            cells.append(Cell(position_m=(x, y, 1.5), size_m=size, probability=math.exp(-r2 / 0.5)))
            seen = None if far > 5 else 0.2e-3 * math.exp(far * 0.7)
            cells.append(Cell(position_m=(x, y, 1.5), size_m=size, detectable_A=seen))
    readings = []
    for k in range(7):
        place = Station(position_m=(0.5 + 1.2 * k, 0.3, 0.5), bearing_deg=270.0 if k % 2 else 20.0, name=f"s{k}")
        readings.append(held(place, (40 - 9 * k) * 1e-6, row=k + 1))
    given: dict[str, object] = {
        "revision": revision,
        "name": "Maple Street",
        "outline_m": outline,
        "sources": [(1.0, 1.0, 0.5)],
        "fittings": [
            Fitting(name="light", kind="light", position_m=(0.5 * x1, 0.0, 0.6), time_s=1.7e9),
            Fitting(name="ladder socket", kind="ladder", position_m=(x1, 0.5 * y1, 0.0), covered=True,
                    time_s=1.7e9),
        ],
        "kept": readings,
        "cells": cells,
        "findings": [
            Finding(number=1, position_m=(*spot, 1.5), radius_m=0.18, current_A=0.41e-3,
                    current_interval_A=(0.33e-3, 0.52e-3), hole_diameter_mm=(0.8, 2.9), time_s=1.7e9),
            Finding(number=2, position_m=(0.2 * x1, 0.5 * y1, 1.2), radius_m=0.3, current_A=0.22e-3,
                    current_interval_A=(0.1e-3, 0.4e-3), time_s=1.7e9, history=staged("dye not drawn")),
        ],
        "p_leak_count": {"0": 0.02, "1": 0.9, "2": 0.08},
        "budget": CurrentBudget(
            injected_A=0.01002, findings_A=0.63e-3, unexplained_A=3.3e-3, unexplained_interval_A=(2.6e-3, 3.9e-3),
            fittings=(FittingShare(name="light", current_A=6.1e-3, interval_A=(5.6e-3, 6.6e-3)),),
            text="A third of the current is not explained: cover the light",
        ),
        "water": WaterBudget(
            loss=(250.0, 370.0), explained=(40.0, 520.0), unexplained=(-270.0, 330.0), verdict="undetermined",
            by="size", text="what holes of this size may pass is not known well enough",
        ),
        "next_station": NEXT,
        "further": [Station(position_m=(0.6 * x1, 0.8 * y1, 0.6)), Station(position_m=(0.9 * x1, 0.4 * y1, 0.6))],
        "coverage_fraction": 0.63,
    }  # fmt: skip
    return Plan(**(given | more))  # type: ignore[arg-type]


STEPS = [
    Step(key="loss", title="Is it leaking, and how much", status="done", text="310 L/day, 250 to 370"),
    Step(key="safe", title="Is it safe to work here", status="done", text="0.02 V AC, 0.1 V DC: below limits"),
    Step(key="set up", title="Electrodes placed, instrument healthy", status="done", text=""),
    Step(key="water clear", title="Nobody in the water", status="now", text="Look, then say so. Renewed every 5 min."),
    Step(key="proof", title="Test leak seen", status="to do", text=""),
    Step(key="survey", title="Walls, floor and fittings read", status="to do", text="light niche not covered"),
    Step(key="locate", title="Found where the current leaves", status="to do", text=""),
    Step(key="dye", title="Dye at each finding", status="to do", text=""),
    Step(key="repair", title="Repaired, read again", status="to do", text=""),
    Step(key="account", title="Current and water accounted for", status="to do", text=""),
    Step(key="report", title="Report written", status="to do", text=""),
]


def events() -> list[EventMessage]:
    rows = [
        ("info", "daemon_ready", "The daemon is ready.", ""),
        ("info", "link_up", "The source board answers: firmware 1.0, limits agree.", ""),
        ("caution", "clock_old", "The clock map is 12 s old.", "check the cable to the source board"),
        (
            "alarm",
            "tripped",
            "The source was taken off: current above its limit.",
            "look at the electrodes",
        ),
        ("info", "kept", "Kept station s7: +123 µV.", ""),
    ]
    return [
        EventMessage(time_s=1.7e9, number=i, t_s=float(i), severity=s, code=c, text=t, remedy=r)  # type: ignore[arg-type]
        for i, (s, c, t, r) in enumerate(rows)
    ]


def spot(phase: str = "hold") -> Spot:
    """A spot in its second direction."""
    turns = [SpotTurn(name="along", status="kept"), SpotTurn(name="across", status="to do")]
    turns.append(SpotTurn(name="upright", status="to do"))
    waiting = "steady, 1 s" if phase == "hold" else ""
    return Spot(station="s7", turns=turns, at=1, phase=phase, waiting=waiting, electrodes=2, electrodes_read=1)  # type: ignore[arg-type]


class FakeDaemon:
    """Serves any number of clients on a Unix socket; everything that they send is in `heard`."""

    def __init__(self, path: Path | str, greeting: list[Message] | None = None) -> None:
        self.path = Path(path)
        self.greeting = greeting if greeting is not None else [state(), plan(), Steps(steps=STEPS)]
        self.heard: list[FromClient] = []
        self.on_message: Callable[[FromClient], None] | None = None
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(self._serve, self.path)

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in list(self._writers):
            writer.close()
        self.path.unlink(missing_ok=True)
        await asyncio.sleep(0)

    @property
    def clients(self) -> int:
        return len(self._writers)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        writer.write(encode(Hello(version="0.1.0", emulated=True)))
        for message in self.greeting:
            writer.write(encode(message))
        try:
            while line := await reader.readline():
                message = from_client.decode(line)
                self.heard.append(message)
                if self.on_message is not None:
                    self.on_message(message)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            self._writers.discard(writer)
            writer.close()

    def say(self, message: Message) -> None:
        for writer in self._writers:
            writer.write(encode(message))


class Visit:
    """Answers a display as a daemon would, well enough to walk a whole visit: steps, spots, keeping, stages."""

    def __init__(self, daemon: FakeDaemon) -> None:
        self.daemon = daemon
        self.place: Station | None = None
        self.steps = list(STEPS)
        self.plan = plan(kept=[], findings=[])
        self.lock = interlock("checking", permissives=PERMISSIVES)
        self.kept: list[Kept] = []
        self.stages: list[tuple[int, str]] = []
        self.turn = 3
        self.spots_read = 0
        self.leak_read = 0
        self.spots = [
            Station(position_m=(1.0 + k, 1.0, 0.6), bearing_deg=0.0, name=f"g{k}", text=f"place {k}") for k in range(20)
        ]
        daemon.greeting = [self.state(), self.plan, Steps(steps=self.steps)]
        daemon.on_message = self.hear

    def state(self) -> State:
        spot = None
        if self.place is not None:
            names = ("along", "across", "upright")
            turns = [SpotTurn(name=n, status="kept" if k < self.turn else "to do") for k, n in enumerate(names)]  # type: ignore[arg-type]
            phase = "done" if self.turn == 3 else "turn"
            spot = Spot(station=self.place.name, turns=turns, at=min(self.turn, 2), phase=phase, electrodes=2)  # type: ignore[arg-type]
        return state(
            self.lock,
            place=self.place,
            next_station=self.spots[self.spots_read],
            stations=self.spots_read,
            spot=spot,
            test_leak=self.leak_read,
        )

    def energise(self) -> None:
        """A hand at the pool side did."""
        self.lock = interlock("energised")
        self.daemon.say(self.state())
        self.daemon.say(reading())

    def let_go(self) -> None:
        self.lock = interlock("off", permissives=[p for p in PERMISSIVES if p.name != "water clear"])
        self.daemon.say(self.state())

    def find(self) -> None:
        """The search has found the first place."""
        self.plan = plan(self.plan.revision + 1)
        self.plan = plan(self.plan.revision + 1, findings=self.plan.findings[:1])
        self.daemon.say(self.plan)

    def _keep(self) -> None:
        assert self.place is not None
        answer = kept(self.place, sigma_V=2.6e-6, row=len(self.kept) + 1)
        self.kept.append(answer)
        self.daemon.say(answer)

    def hear(self, message: FromClient) -> None:
        say = self.daemon.say
        match message:
            case SourceOff():
                self.lock = interlock("off")
            case WaterClear():
                if self.lock.state == "checking":
                    self.lock = interlock("checking", permissives=[p for p in PERMISSIVES if p.name != "water clear"])
                self._done("water clear")
            case StepDone(key=key):
                self._done(key)
            case WriteReport():
                self._done("report")
            case BeginSpot(test_leak=str()):
                # As the daemon does: the third reading is judged with the two before it.
                self.leak_read += 1
                if self.leak_read == 3:
                    self._done("proof")
            case BeginSpot(place=place):
                self.place, self.turn = place, 1
                self.spots_read += 1
                self._keep()
            case PressKeep():
                self.turn += 1
                self._keep()
            case MoveTo(place=place):
                self.place = place
            case SetStage(finding=number, stage=stage):
                self.stages.append((number, stage))
                changed = [
                    msgspec.structs.replace(x, history=staged(stage)) if x.number == number else x
                    for x in self.plan.findings
                ]
                self.plan = plan(self.plan.revision + 1, kept=self.plan.kept, findings=changed)
                say(self.plan)
            case _:
                pass
        say(self.state())

    def _done(self, key: str) -> None:
        titles = [step.key for step in self.steps]
        at = titles.index(key)
        fresh = []
        for i, step in enumerate(self.steps):
            status = "done" if i <= at else ("now" if i == at + 1 else step.status)
            fresh.append(Step(key=step.key, title=step.title, status=status, text=step.text))
        self.steps = fresh
        self.daemon.say(Steps(steps=self.steps))


async def endless(path: str, rate_Hz: float = 20.0, seconds: float | None = None) -> None:
    """Readings that grow, shrink and change side, with noise; now and then an event."""
    daemon = FakeDaemon(path)
    await daemon.start()
    for event in events():
        daemon.greeting.append(event)
    rng, n, start = random.Random(1), 0, time.monotonic()
    try:
        while seconds is None or time.monotonic() - start < seconds:
            n += 1
            t = n / rate_Hz
            value = 150e-6 * math.sin(t / 4) + rng.gauss(0, 2.6e-6)
            daemon.say(reading(n, value))
            if n % max(1, round(rate_Hz / 5)) == 0:
                daemon.say(state())
            await asyncio.sleep(max(0.0, start + n / rate_Hz - time.monotonic()))
    finally:
        await daemon.stop()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(endless(sys.argv[1], *(float(a) for a in sys.argv[2:4])))
