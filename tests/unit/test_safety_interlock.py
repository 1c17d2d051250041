"""The interlock held to its rules by an oracle that knows nothing of its code, and mutants that the oracle must catch.

`Watch` re-derives from raw inputs alone what may be energised; it drives any interlock module, so that the
same properties run over the real machine (hypothesis, stateful), over seeded random walks, and over copies of the
source with one rule taken out.
"""

from __future__ import annotations

import importlib.util
import math
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test
from msgspec import structs

from earthward.record.board import BoardReport, BoardState, Refusal, Trip
from earthward.safety import causes, interlock
from earthward.safety.interlock import Action, Interlock, InterlockState
from earthward.safety.limits import Limits
from earthward.safety.permissives import BoardView, Inputs, Phase, evaluate
from earthward.safety.stray import StrayMeasurement, judge

LIMITS = Limits()
PHASE_ON = Phase("energised", 0.0, confirmed=True)
CLEAN = StrayMeasurement(0.0, 0.001, 0.01, 0.05, 0.2, directions=2)


def stray(t_s: float, mains_V_per_m: float = 0.001) -> Any:
    return judge(replace(CLEAN, t_s=t_s, mains_V_per_m=mains_V_per_m), LIMITS)


class World:
    """Raw facts of a bench, and an honest little source board that does as it is told."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.enable = False
        self.enable_second: bool | None = None
        self.stop_closed = True
        self.stop_second: bool | None = None
        self.link_up = True
        self.board_t_s = 100.0
        self.boot: int | None = 7
        self.restarts = 0
        self.reported = True
        self.board_state = 0
        self.board_trip = 0
        self.obeys = True
        self.board_watches = True
        self.current_A = 0.006
        self.negative_known = True
        self.voltage_V = 10.0
        self.battery_V = 12.5
        self.temperature_C = 30.0
        self.heartbeat = True
        self.water_s: float | None = None
        self.stray: Any = None
        self.adc_up = True
        self.adc_t_s = 100.0
        self.beacon_ok: bool | None = None
        self.stop_request = False
        self.reset = False
        self.refusal: int | None = None

    def tick(self, dt_s: float) -> None:
        self.now_s += dt_s
        if self.link_up:
            self.board_t_s = self.now_s
        if self.adc_up:
            self.adc_t_s = self.now_s

    def obey(self, actions: list[Any]) -> None:
        names = [action.name for action in actions]
        if not (self.link_up and self.obeys):
            return
        if "OUTPUT_OFF" in names and self.board_state == 2:
            self.board_state = 0
        if "OUTPUT_ON" in names and self.board_state in (0, 1) and self.enable and self.stop_closed:
            self.board_state = 2

    def settle_board(self) -> None:
        """What the board does by itself: trips on its own two inputs, unless that part of it has failed."""
        if self.board_trip or not self.board_watches:
            return
        if not self.stop_closed:
            self.board_state, self.board_trip = 3, 4
        elif not self.enable and self.board_state == 2:
            self.board_state, self.board_trip = 3, 5

    def press_reset(self) -> None:
        self.reset = True
        if not self.enable and self.stop_closed:
            self.board_state, self.board_trip = 0, 0

    def inputs(self) -> Inputs:
        on = self.board_state == 2
        current = self.current_A if on else 0.0
        return Inputs(
            restarts=self.restarts,
            board=None
            if not self.reported
            else BoardView(
                boot=self.boot,
                report=BoardReport(
                    received_s=self.board_t_s,
                    state=BoardState(self.board_state),
                    trip=Trip(self.board_trip),
                    emergency_stop_closed=self.stop_closed,
                    enable_held=self.enable,
                    heartbeat_fresh=self.heartbeat,
                    current_positive_A=current,
                    current_negative_A=-current if self.negative_known else math.nan,
                    current_peak_A=current,
                    voltage_positive_V=self.voltage_V if on else 0.0,
                    voltage_negative_V=-self.voltage_V if on else 0.0,
                    battery_V=self.battery_V,
                    temperature_C=self.temperature_C,
                ),
            ),
            refusal=self.refusal,
            water_clear_s=self.water_s,
            stray=self.stray,
            adc_t_s=self.adc_t_s,
            enable_second_held=self.enable_second,
            emergency_stop_second_closed=self.stop_second,
            warning_devices_ok=self.beacon_ok,
            stop_requested=self.stop_request,
            reset_pressed=self.reset,
        )


class Violation(AssertionError):
    """A rule of the interlock was broken."""


class Watch:
    """The oracle: everything it concludes comes from the world's raw facts and the actions it saw."""

    def __init__(self, module: ModuleType, world: World) -> None:
        self.world = world
        self.machine = module.Interlock(LIMITS)
        self.state = self.machine.initial(world.now_s)
        self.names = ["off"]
        self.beacon_since_s: float | None = None
        self.sound_since_s: float | None = None
        self.all_good_since_s: float | None = None
        self.released_since_off = False
        self.last_s = world.now_s
        self.reset_seen_s: float | None = None
        self.reset_was = False
        self.energised_count = 0
        self.trips = 0
        self.steps = 0
        self.codes: list[str] = []

    def must_not_run(self) -> list[str]:
        """Reasons, from raw facts, why the output may not be on now."""
        w = self.world
        reasons = []
        if not w.stop_closed or w.stop_second is False:
            reasons.append("emergency stop")
        if not w.enable or w.enable_second is False:
            reasons.append("enable")
        if not w.now_s - w.board_t_s <= 1.0 or not w.heartbeat or w.boot is None or not w.reported:
            reasons.append("link")
        if w.board_trip:
            reasons.append("board trip")
        if w.water_s is None or not w.now_s - w.water_s <= 300.0:
            reasons.append("water")
        if w.stray is None or not w.stray.passed or not w.now_s - w.stray.t_s <= 1800.0:
            reasons.append("stray")
        if w.board_state == 2 and not (abs(w.current_A) <= 0.012 and w.negative_known):
            reasons.append("current")
        if w.board_state == 2 and not abs(w.voltage_V) <= 10.8:
            reasons.append("voltage")
        lowest_V = 10.5 if self.state.name == "energised" else 11.0
        if not lowest_V <= w.battery_V <= 15.0 or not w.temperature_C <= 60.0:
            reasons.append("battery")
        if not w.now_s - w.adc_t_s <= 1.0:
            reasons.append("adc")
        if w.beacon_ok is False:
            reasons.append("beacon")
        if w.stop_request:
            reasons.append("stop request")
        return reasons

    def step(self) -> None:
        w = self.world
        w.settle_board()
        before, boot_before, restarts_before = self.state, self.state.boot, self.state.restarts
        reasons = self.must_not_run()
        gap_s = w.now_s - self.last_s
        self.steps += 1
        new, actions, events = self.machine.step(self.state, w.inputs(), w.now_s)
        names = [action.name for action in actions]
        old_name, new_name = before.name, new.name
        self.codes += [event.code for event in events]

        def require(ok: bool, text: str) -> None:
            if not ok:
                raise Violation(f"{text}: {old_name} -> {new_name}, {names}, {reasons}, at {w.now_s:.2f}")

        # What the oracle tracks by itself.
        if reasons:
            self.all_good_since_s = None
        elif self.all_good_since_s is None or gap_s > 1.0:
            # What held while nobody looked does not count: it holds from now on.
            self.all_good_since_s = w.now_s
        if not w.enable and w.enable_second is not True and w.now_s - w.board_t_s <= 1.0 and w.reported:
            self.released_since_off = True
        if w.reset and not self.reset_was:
            self.reset_seen_s = w.now_s
        self.reset_was = w.reset

        require(not (new_name == "energised" and reasons), "energised with a condition false")
        require(new.output == (new_name == "energised"), "output wanted outside energised")
        if "OUTPUT_ON" in names:
            self.energised_count += 1
            require(old_name == "ready" and new_name == "energised", "output on from elsewhere than ready")
            require(self.names[-2:] == ["checking", "ready"], "energised without checking")
            require(self.beacon_since_s is not None, "no beacon before output")
            require(self.sound_since_s is not None, "no sound before output")
            warned_s = [t_s for t_s in (self.beacon_since_s, self.sound_since_s) if t_s is not None]
            require(w.now_s - max(warned_s) >= 3.0 - 1e-9, "warning too short")
            require(
                self.all_good_since_s is not None and w.now_s - self.all_good_since_s >= 4.0 - 1e-9,
                "conditions did not hold through checking and warning",
            )
            require(self.released_since_off, "enable not released before this start")
            self.released_since_off = False
        elif old_name != "energised":
            require(new_name != "energised", "energised without saying so")
        if old_name == "energised" and new_name != "energised":
            require("OUTPUT_OFF" in names, "output not taken off at once")
            require(new_name in ("off", "tripped"), "left energised to a state that is not off")
        if old_name == "energised" and set(reasons) & {
            "emergency stop",
            "link",
            "current",
            "voltage",
            "battery",
            "adc",
        }:
            require(new_name == "tripped", "a failure did not trip")
        if old_name == "energised" and gap_s > 1.0:
            require(new_name == "tripped", "ran on after standing still")
        seen = w.reported and None not in (boot_before, w.boot) and w.boot != boot_before
        seen = seen or restarts_before not in (None, w.restarts)
        if old_name in ("ready", "energised") and seen:
            require(new_name == "tripped", "board restart did not trip")
            require("board restarted" in [event.code for event in events], "board restart not named")
        if old_name == "tripped":
            require(new_name in ("tripped", "off"), "a trip was left to elsewhere than off")
            if new_name == "off":
                require(self.reset_seen_s is not None and w.now_s - self.reset_seen_s <= 2.5, "trip left without reset")
                require(
                    not w.enable and w.stop_closed and not w.board_trip, "reset with enable held, stop open or trip"
                )
                require(new.trip is None, "reset kept the trip")
        if new_name == "tripped":
            require(new.trip is not None and bool(new.trip.cause) and bool(new.trip.remedy), "trip without words")
            if old_name != "tripped":
                self.trips += 1
                self.reset_seen_s = None
        if w.board_state == 2 and new_name != "energised" and w.reported:
            require("OUTPUT_OFF" in names or new.off_asked_s == w.now_s, "board on, nobody told it to be off")
        if new_name in ("ready", "energised"):
            require(new.beacon, "beacon dark")

        # Beacon and sound as an onlooker perceives them.
        if gap_s > 1.0:
            self.beacon_since_s = self.beacon_since_s and w.now_s
            self.sound_since_s = self.sound_since_s and w.now_s
        if "BEACON_ON" in names:
            self.beacon_since_s = w.now_s
        if "BEACON_OFF" in names:
            self.beacon_since_s = None
        if "SOUND_WARNING" in names:
            self.sound_since_s = w.now_s
        elif any(name.startswith("SOUND_") for name in names):
            self.sound_since_s = None
        if new_name != self.names[-1]:
            self.names.append(new_name)
        self.state, self.last_s = new, w.now_s
        w.obey(actions)
        w.reset = False
        w.stop_request = False

    def run(self, seconds: float, dt_s: float = 0.2) -> None:
        for _ in range(round(seconds / dt_s)):
            self.world.tick(dt_s)
            self.step()

    def prepare(self) -> None:
        """Bring the world to where only the enable is missing."""
        self.world.water_s = self.world.now_s
        self.world.stray = stray(self.world.now_s)

    def energise(self) -> None:
        self.prepare()
        self.run(0.4)
        self.world.enable = True
        self.run(6.0)
        assert self.state.name == "energised", self.machine.view(self.state, self.world.inputs(), self.world.now_s)


def cable_back(world: World) -> None:
    world.link_up, world.boot, world.reported = True, world.boot or 7, True


def cable_seen_out(world: World) -> None:
    world.link_up, world.boot = False, None


DISTURBANCES: dict[str, Callable[[World], object]] = {
    "stop opened": lambda w: setattr(w, "stop_closed", False),
    "stop closed": lambda w: setattr(w, "stop_closed", True),
    "enable released": lambda w: setattr(w, "enable", False),
    "enable held": lambda w: setattr(w, "enable", True),
    "cable pulled": lambda w: setattr(w, "link_up", False),
    "cable back": cable_back,
    "cable seen out": cable_seen_out,
    "host unheard": lambda w: setattr(w, "heartbeat", False),
    "host heard": lambda w: setattr(w, "heartbeat", True),
    "water withdrawn": lambda w: setattr(w, "water_s", None),
    "water stated": lambda w: setattr(w, "water_s", w.now_s),
    "stray found": lambda w: setattr(w, "stray", stray(w.now_s, 0.5)),
    "stray checked": lambda w: setattr(w, "stray", stray(w.now_s)),
    "current high": lambda w: setattr(w, "current_A", 0.014),
    "current no number": lambda w: setattr(w, "current_A", float("nan")),
    "current right": lambda w: setattr(w, "current_A", 0.006),
    "one phase no number": lambda w: setattr(w, "negative_known", False),
    "one phase right": lambda w: setattr(w, "negative_known", True),
    "voltage high": lambda w: setattr(w, "voltage_V", 12.3),
    "voltage right": lambda w: setattr(w, "voltage_V", 10.0),
    "battery low": lambda w: setattr(w, "battery_V", 10.4),
    "battery worn": lambda w: setattr(w, "battery_V", 10.8),
    "battery right": lambda w: setattr(w, "battery_V", 12.5),
    "hot": lambda w: setattr(w, "temperature_C", 75.0),
    "cool": lambda w: setattr(w, "temperature_C", 30.0),
    "converter dead": lambda w: setattr(w, "adc_up", False),
    "converter back": lambda w: setattr(w, "adc_up", True),
    "beacon broken": lambda w: setattr(w, "beacon_ok", False),
    "beacon works": lambda w: setattr(w, "beacon_ok", True),
    "stop asked": lambda w: setattr(w, "stop_request", True),
    "reset pressed": lambda w: w.press_reset(),
    "second enable open": lambda w: setattr(w, "enable_second", False),
    "second enable gone": lambda w: setattr(w, "enable_second", None),
    "second stop open": lambda w: setattr(w, "stop_second", False),
    "second stop gone": lambda w: setattr(w, "stop_second", None),
    "statement old": lambda w: setattr(w, "water_s", w.now_s - 301.0),
    "stray check old": lambda w: setattr(w, "stray", stray(w.now_s - 1801.0)),
    "board blind": lambda w: setattr(w, "board_watches", False),
    "board on alone": lambda w: setattr(w, "board_state", w.board_state if w.board_trip else 2),
}

#: What a careful person does before a start: everything right again.
PUT_RIGHT = ("closed", "back", "heard", "stated", "checked", "right", "cool", "works", "gone")


def put_right(world: World) -> None:
    for name, change in DISTURBANCES.items():
        if name.split()[-1] in PUT_RIGHT:
            change(world)


def restart(world: World) -> None:
    world.boot = (world.boot or 0) + 1
    world.board_state, world.board_trip = 0, 0


def restart_counted(world: World) -> None:
    """The link heard the boot frame; the first report is still to come."""
    restart(world)
    world.restarts += 1
    world.reported = False


def board_trips(world: World, code: int) -> None:
    if not world.board_trip:
        world.board_state, world.board_trip = 3, code


#: The walks in which the sound machine must break no rule and every mutant must break one.
WALKS, WALK_STEPS = 30, 1200


def walk(module: ModuleType, seed: int, steps: int) -> Watch:
    """A seeded random walk: calm spells in which a person starts the source (now and then something is overlooked, or
    goes wrong for a moment), then disturbances, some of them two or three at a time. Raises Violation."""
    dice = random.Random(seed)
    world = World()
    watch = Watch(module, world)
    names = list(DISTURBANCES)
    calm, hitch = 0, False
    for _ in range(steps):
        luck = dice.random()
        if calm:
            calm -= 1
            world.enable = True
            if luck < 0.08:
                hitch = True
                DISTURBANCES[dice.choice(names)](world)
            elif hitch:
                hitch = False
                put_right(world)
                world.enable = True
        elif luck < 0.25:
            for _ in range(dice.choice((1, 1, 1, 2, 3))):
                DISTURBANCES[dice.choice(names)](world)
        elif luck < 0.27:
            dice.choice((restart, restart_counted))(world)
        elif luck < 0.29:
            board_trips(world, dice.randrange(1, 14))
        elif luck < 0.40:
            put_right(world)
            world.enable = False
            world.board_watches = world.board_watches or dice.random() < 0.3
            for _ in range(dice.choice((0, 1))):
                # One thing is overlooked.
                DISTURBANCES[dice.choice(names)](world)
            if dice.random() < 0.7:
                world.press_reset()
            if dice.random() < 0.8:
                calm = dice.randrange(9, 30)
        elif luck < 0.55:
            world.enable = True
        world.tick(dice.choice((0.0, 0.01, 0.2, 0.5, 0.9, 0.9, 0.9, 1.3 if dice.random() < 0.1 else 0.9)))
        watch.step()
    return watch


# ---- the machine itself -----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_random_walks_break_no_rule(seed: int) -> None:
    watch = walk(interlock, seed, 1500)
    # The walk must have been where it matters, or it proves nothing.
    assert watch.energised_count >= 3
    assert watch.trips >= 10


class InterlockRules(RuleBasedStateMachine):
    """Hypothesis looks for a sequence of events that breaks a rule, and shrinks it."""

    module: ModuleType = interlock

    def __init__(self) -> None:
        super().__init__()
        self.watch = Watch(self.module, World())

    @rule(name=st.sampled_from(sorted(DISTURBANCES)), dt_s=st.sampled_from((0.0, 0.05, 0.2, 0.5, 0.9, 1.2)))
    def disturb(self, name: str, dt_s: float) -> None:
        DISTURBANCES[name](self.watch.world)
        self.watch.world.tick(dt_s)
        self.watch.step()

    @rule(n=st.integers(1, 8), dt_s=st.sampled_from((0.1, 0.5, 0.95)))
    def wait(self, n: int, dt_s: float) -> None:
        for _ in range(n):
            self.watch.world.tick(dt_s)
            self.watch.step()

    @rule(code=st.integers(1, 14))
    def board_trips(self, code: int) -> None:
        board_trips(self.watch.world, code)
        self.watch.world.tick(0.1)
        self.watch.step()

    @rule(counted=st.booleans())
    def board_restarts(self, counted: bool) -> None:
        (restart_counted if counted else restart)(self.watch.world)
        self.watch.world.tick(0.1)
        self.watch.step()

    @rule()
    def set_right(self) -> None:
        for name in ("stop closed", "cable back", "host heard", "water stated", "stray checked", "current right",
                     "voltage right", "battery right", "cool", "converter back", "beacon works",
                     "second enable gone", "second stop gone", "enable released"):  # fmt: skip
            DISTURBANCES[name](self.watch.world)
        self.watch.run(0.4)
        self.watch.world.press_reset()
        self.watch.run(0.4)

    @precondition(lambda self: self.watch.state.name == "off")
    @rule()
    def start(self) -> None:
        self.watch.world.enable = True
        self.watch.run(6.0, 0.5)

    @rule(minutes=st.integers(1, 35))
    def long_time(self, minutes: int) -> None:
        for _ in range(minutes * 2):
            # Statements go stale while the machine keeps stepping; 30 s of steps are folded into a few.
            self.watch.run(0.9, 0.9)
            self.watch.world.water_s = self.watch.world.water_s and self.watch.world.water_s - 29.0
            if self.watch.world.stray is not None:
                self.watch.world.stray = replace(self.watch.world.stray, t_s=self.watch.world.stray.t_s - 29.0)


def test_hypothesis_finds_no_way_around() -> None:
    run_state_machine_as_test(
        InterlockRules,
        settings=settings(
            max_examples=15,
            stateful_step_count=30,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            database=None,
        ),
    )


@pytest.mark.slow
def test_hypothesis_finds_no_way_around_in_ten_thousand_steps() -> None:
    """Hypothesis' own runs, counted in steps of the machine."""
    total = [0]

    class Counted(InterlockRules):
        def teardown(self) -> None:
            total[0] += self.watch.steps

    run_state_machine_as_test(
        Counted,
        settings=settings(
            max_examples=250,
            stateful_step_count=60,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            database=None,
        ),
    )
    print(f"{total[0]} steps of the interlock")
    assert total[0] >= 10_000


# ---- mutants: the properties must bite --------------------------------------------------------------------

# (file, what is there, what the mutant has instead). Each takes one rule out.
MUTANTS = {
    "emergency stop ignored": (
        "permissives",
        "ok = board is not None and board.report.emergency_stop_closed and",
        "ok = board is not None and",
    ),
    "second stop contact ignored": (
        "permissives",
        "emergency_stop_closed and second is not False",
        "emergency_stop_closed",
    ),
    "enable ignored": (
        "permissives",
        "first = board is not None and board.report.enable_held",
        "first = board is not None",
    ),
    "second enable contact ignored": ("permissives", "ok = first and second is not False", "ok = first"),
    "old reports believed": (
        "permissives",
        "ok = board is not None and known and heard and",
        "ok = board is not None and known and",
    ),
    "lost heartbeat ignored": ("permissives", "heard and board.report.heartbeat_fresh", "heard"),
    "water statement never ages": (
        "permissives",
        "ok = fresh(t_s, limits.water_clear_s, now_s)",
        "ok = t_s is not None",
    ),
    "water statement not needed": ("permissives", "ok = fresh(t_s, limits.water_clear_s, now_s)", "ok = True"),
    "stray verdict ignored": ("permissives", "if not verdict.passed:", "if False:"),
    "stray check never ages": ("permissives", "if not fresh(verdict.t_s, limits.stray_check_s, now_s):", "if False:"),
    "over-current ignored": ("permissives", "elif not largest <= limits.current_trip_A:", "elif False:"),
    "no number taken for small": ("permissives", "\n    if not known:", "\n    if False:"),
    "over-voltage ignored": ("permissives", "elif not volts <= limits.voltage_trip_V:", "elif False:"),
    "battery ignored": (
        "permissives",
        "if not lowest_V <= board.report.battery_V <= limits.battery_max_V:",
        "if False:",
    ),
    "battery may be worn at the start": (
        "permissives",
        'if phase.name != "energised":\n        lowest_V',
        "if False:\n        lowest_V",
    ),
    "heat ignored": ("permissives", "if not board.report.temperature_C <= limits.temperature_max_C:", "if False:"),
    "dead converter ignored": ("permissives", "ok = alive and inputs.adc_ok", "ok = True"),
    "broken beacon ignored": ("permissives", "ok = inputs.warning_devices_ok is not False", "ok = True"),
    "no warning": ("interlock", "if now_s - state.since_s >= self.limits.warning_s:", "if True:"),
    "half a warning": ("interlock", ">= self.limits.warning_s:", ">= self.limits.warning_s / 2:"),
    "no checking": ("interlock", "if now_s - good_since_s >= self.limits.checking_s:", "if True:"),
    "checking forgives a break": ("interlock", "return replace(state, good_since_s=None)", "return state"),
    "warning forgives a break": (
        "interlock",
        'return _enter(state, "checking", now_s)\n            return replace(state, good',
        "return state\n            return replace(state, good",
    ),
    "off straight to ready": (
        "interlock",
        'return _enter(state, "checking", now_s)\n            return state\n        if not held',
        'return _enter(state, "ready", now_s)\n            return state\n        if not held',
    ),
    "stuck enable starts again": ("interlock", "if held and state.released:", "if held:"),
    "stop request ignored": (
        "interlock",
        'if inputs.stop_requested:\n            return _stop(state, "stop asked for"',
        'if False:\n            return _stop(state, "stop asked for"',
    ),
    "stop request ignored before energised": (
        "interlock",
        'if inputs.stop_requested and state.name != "off":',
        "if False:",
    ),
    "failures only stop": (
        "interlock",
        'serious = [check for check in failing if check.on_loss == "trip"]',
        "serious: list[Permissive] = []",
    ),
    "failures do nothing": (
        "interlock",
        "failing = [check for check in checks if not check.ok]",
        "failing: list[Permissive] = []",
    ),
    "trip does not latch": (
        "interlock",
        "return self._reset(state, inputs, now_s, events)",
        'return _enter(state, "off", now_s)',
    ),
    "reset with the enable held": (
        "interlock",
        "if inputs.enable_second_held or board.report.enable_held:",
        "if False:",
    ),
    "reset with the stop open": (
        "interlock",
        "if inputs.emergency_stop_second_closed is False or not board.report.emergency_stop_closed:",
        "if False:",
    ),
    "reset into checking": (
        "interlock",
        'replace(_enter(state, "off", now_s), trip=None',
        'replace(_enter(state, "checking", now_s), trip=None',
    ),
    "reset over a board trip": (
        "interlock",
        "if board.report.state in (BoardState.ENERGISED, BoardState.TRIPPED) or board.report.trip is not Trip.NONE:",
        "if False:",
    ),
    "cable out unseen": ("permissives", "known = board is not None and board.boot is not None", "known = True"),
    "board restart unseen": ("interlock", "if counted or (new.boot is not None and known != new.boot):", "if False:"),
    "restart counted by the link unseen": (
        "interlock",
        "counted = new.restarts is not None and inputs.restarts != new.restarts",
        "counted = False",
    ),
    "standing still unseen": ("interlock", "elif now_s - state.last_s > self.limits.step_gap_s:", "elif False:"),
    "output stays on": (
        "interlock",
        "if new.off_asked_s is not None:\n        actions.append(Action.OUTPUT_OFF)",
        "if False:\n        pass",
    ),
    "found on, left on": ("interlock", "return replace(state, off_asked_s=now_s)", "return state"),
    "no beacon": ("interlock", "if old.beacon != new.beacon:", "if False:"),
    "no sound": ("interlock", "if old.name != new.name and _SOUNDS", "if False and _SOUNDS"),
}

SAFETY = Path(interlock.__file__).parent


def mutant(name: str) -> Iterator[ModuleType]:
    """The interlock module with one rule taken out, imported under names of its own."""
    file, old, new = MUTANTS[name]
    loaded = []
    try:
        texts = {part: (SAFETY / f"{part}.py").read_text(encoding="utf-8") for part in ("permissives", "interlock")}
        assert texts[file].count(old) == 1, (
            f"mutant {name!r} no longer fits the source: {texts[file].count(old)} places"
        )
        texts[file] = texts[file].replace(old, new)
        texts["interlock"] = texts["interlock"].replace("earthward.safety.permissives", "mutant_permissives")
        for part in ("permissives", "interlock"):
            spec = importlib.util.spec_from_loader(f"mutant_{part}", loader=None)
            assert spec is not None
            module = importlib.util.module_from_spec(spec)
            sys.modules[f"mutant_{part}"] = module
            loaded.append(f"mutant_{part}")
            exec(compile(texts[part], f"mutant of {part}", "exec"), module.__dict__)
        yield sys.modules["mutant_interlock"]
    finally:
        for key in loaded:
            sys.modules.pop(key, None)


def test_the_unchanged_copy_passes_as_a_mutant_would_be_run() -> None:
    """The control: same loading, nothing taken out, no violation in any of the walks that find the mutants."""
    MUTANTS["nothing"] = ("interlock", "RESET_WINDOW_S = 2.0", "RESET_WINDOW_S = 2.0")
    try:
        for module in mutant("nothing"):
            for seed in range(WALKS):
                walk(module, seed, WALK_STEPS)
    finally:
        del MUTANTS["nothing"]


@pytest.mark.long
@pytest.mark.parametrize("name", sorted(MUTANTS))
def test_every_mutant_is_caught(name: str) -> None:
    for module in mutant(name):
        with pytest.raises(Violation):
            for seed in range(WALKS):
                walk(module, seed, WALK_STEPS)


# ---- single behaviours, readable ---------------------------------------------------------------------------


def started() -> Watch:
    watch = Watch(interlock, World())
    watch.energise()
    return watch


def test_the_ordinary_course_and_its_times() -> None:
    watch = Watch(interlock, World())
    watch.prepare()
    watch.run(0.4)
    watch.world.enable = True
    watch.world.tick(0.1)
    watch.step()
    assert watch.state.name == "checking"
    entered: dict[str, float] = {}
    for _ in range(60):
        watch.world.tick(0.1)
        watch.step()
        entered.setdefault(watch.state.name, watch.world.now_s)
    assert watch.names == ["off", "checking", "ready", "energised"]
    assert entered["ready"] - entered["checking"] == pytest.approx(1.0, abs=0.11)
    assert entered["energised"] - entered["ready"] == pytest.approx(3.0, abs=0.11)


def test_letting_go_is_an_ordinary_stop_and_the_next_start_goes_the_whole_way() -> None:
    watch = started()
    watch.world.enable = False
    watch.world.tick(0.05)
    watch.step()
    assert watch.state.name == "off"
    assert watch.state.trip is None
    assert watch.state.stop_code == "released"
    assert "trip" not in watch.state.stop_text.lower()
    watch.run(0.4)
    view = watch.machine.view(watch.state, watch.world.inputs(), watch.world.now_s)
    assert "reset button" in view.text  # the board latched its own trip 5: the text says what to press
    watch.world.press_reset()
    watch.run(0.4)
    watch.names = ["off"]
    watch.energise()
    assert watch.names == ["off", "checking", "ready", "energised"]


def test_an_enable_that_is_already_held_at_power_up_starts_nothing() -> None:
    world = World()
    world.enable = True
    watch = Watch(interlock, world)
    watch.prepare()
    watch.run(20.0)
    assert watch.names == ["off"]
    assert "Let go of the enable once" in watch.machine.view(watch.state, world.inputs(), world.now_s).text


def test_a_worn_battery_ends_a_run_later_than_it_prevents_one() -> None:
    """One set of numbers: 10.5 V is the board's own trip and the host's, 11.0 V is needed to start."""
    watch = Watch(interlock, World())
    watch.world.battery_V = 10.9
    watch.prepare()
    watch.run(0.4)
    watch.world.enable = True
    watch.run(10.0)
    assert "energised" not in watch.names
    watch = started()
    watch.world.battery_V = 10.6
    watch.run(2.0)
    assert watch.state.name == "energised"
    told = [p for p in evaluate(watch.world.inputs(), Limits(), PHASE_ON, watch.world.now_s) if p.code == "battery low"]
    assert [p.text for p in told] == ["Source battery 10.6 V, low: charge it soon."]
    # a board that says that it trips earlier is believed
    board = structs.replace(watch.world.inputs().board, battery_min_V=10.8)  # type: ignore[type-var]
    inputs = structs.replace(watch.world.inputs(), board=board)
    told = [p for p in evaluate(inputs, Limits(), PHASE_ON, watch.world.now_s) if p.code == "battery low"]
    assert [(p.ok, p.text) for p in told] == [(False, "Source battery 10.6 V, allowed 10.8 to 15 V.")]


def test_renewing_a_statement_does_not_switch_on_again() -> None:
    watch = started()
    watch.world.water_s = watch.world.now_s - 301.0
    watch.run(0.2)
    assert watch.state.name == "off"
    assert watch.state.stop_code == "water not stated clear"
    watch.world.board_state = watch.world.board_trip = 0
    watch.world.water_s = watch.world.now_s
    watch.run(20.0)
    assert watch.names[-1] == "off"


@pytest.mark.parametrize(
    ("disturbance", "code"),
    [
        ("stop opened", "emergency stop"),
        ("current high", "over-current"),
        ("current no number", "output not measured"),
        ("voltage high", "over-voltage"),
        ("battery low", "battery low"),
        ("hot", "too hot"),
        ("stray found", "stray voltage"),
        ("beacon broken", "no warning"),
        ("host unheard", "link lost"),
        ("cable seen out", "link lost"),
    ],
)
def test_each_failure_trips_at_once_with_its_cause(disturbance: str, code: str) -> None:
    watch = started()
    DISTURBANCES[disturbance](watch.world)
    watch.world.tick(0.01)
    watch.step()
    assert watch.state.trip is not None
    assert watch.state.trip.code == code
    DISTURBANCES["stop closed"](watch.world)
    DISTURBANCES["cable back"](watch.world)
    for name in (
        "current right",
        "voltage right",
        "battery right",
        "cool",
        "stray checked",
        "beacon works",
        "host heard",
    ):
        DISTURBANCES[name](watch.world)
    watch.world.enable = False
    watch.run(5.0)
    assert watch.state.name == "tripped"  # the cause is gone, the latch stays
    watch.world.press_reset()
    watch.run(0.6)
    assert watch.state.name == "off"


@pytest.mark.parametrize(("disturbance", "code"), [("cable pulled", "link lost"), ("converter dead", "receiver dead")])
def test_silence_trips_within_its_age_limit(disturbance: str, code: str) -> None:
    watch = started()
    DISTURBANCES[disturbance](watch.world)
    began_s = watch.world.now_s
    while watch.state.name == "energised" and watch.world.now_s < began_s + 3.0:
        watch.world.tick(0.05)
        watch.step()
    assert watch.state.trip is not None
    assert watch.state.trip.code == code
    assert watch.world.now_s - began_s <= 1.06


def test_a_board_that_does_not_obey_off_is_starved_of_its_heartbeat() -> None:
    watch = started()
    watch.world.obeys = False
    watch.world.stop_request = True
    watch.world.tick(0.01)
    watch.step()
    assert watch.state.name == "off"
    seen: list[str] = []
    for _ in range(10):
        watch.world.tick(0.1)
        new, actions, _ = watch.machine.step(watch.state, watch.world.inputs(), watch.world.now_s)
        seen += [action.name for action in actions]
        watch.state = new
    assert seen.count("OUTPUT_OFF") == 10
    assert "HEARTBEAT_STOP" in seen
    assert watch.state.trip is not None
    assert watch.state.trip.code == "unasked output"


def test_current_while_off_trips() -> None:
    world = World()
    watch = Watch(interlock, world)
    watch.run(2.0)
    inputs = world.inputs()
    assert inputs.board is not None
    report = structs.replace(inputs.board.report, current_positive_A=0.003, current_negative_A=0.003)
    leaking = structs.replace(inputs, board=structs.replace(inputs.board, report=report))
    new, _, events = watch.machine.step(watch.state, leaking, world.now_s)
    assert new.name == "tripped"
    assert events[0].code == "current while off"


def test_a_stuck_second_contact_trips_after_the_skew() -> None:
    world = World()
    world.enable_second = True
    watch = Watch(interlock, world)
    watch.run(0.2)
    assert watch.state.name == "off"
    watch.run(0.6)
    assert watch.state.trip is not None
    assert watch.state.trip.code == "enable contacts disagree"


def test_half_an_hour_without_a_break_stops_and_a_stuck_contact_cannot_go_on() -> None:
    watch = started()
    for _ in range(int(1830 / 0.9)):
        watch.world.tick(0.9)
        watch.prepare()
        watch.step()
    assert watch.state.name == "off"
    assert watch.state.stop_code == "time for a pause"


def test_a_refused_start_trips_unless_the_hand_let_go() -> None:
    for code, name in ((4, "tripped"), (9, "tripped"), (77, "tripped"), (6, "off")):
        watch = Watch(interlock, World())
        watch.world.obeys = False
        watch.prepare()
        watch.run(0.4)
        watch.world.enable = True
        while watch.state.name != "energised":
            watch.run(0.2)
        watch.world.refusal = code
        watch.run(0.2)
        assert watch.state.name == name, code


def test_later_causes_are_added_to_a_trip_not_put_in_its_place() -> None:
    watch = started()
    watch.world.link_up = False
    watch.run(2.0)
    watch.world.link_up = True
    board_trips(watch.world, 3)
    watch.run(0.4)
    assert watch.state.trip is not None
    assert watch.state.trip.code == "link lost"
    assert causes.BOARD_TRIPS[Trip.HEARTBEAT_LOST].cause in watch.state.trip.also


def test_a_reset_pressed_in_the_moment_of_the_trip_does_not_take_it_away_unseen() -> None:
    watch = started()
    watch.world.enable = False
    watch.world.press_reset()
    watch.world.tick(1.3)  # the program stood still: that is a trip
    watch.step()
    assert watch.state.name == "tripped"
    watch.run(0.2)
    watch.world.press_reset()
    watch.run(0.4)
    assert watch.state.name == "off"


def test_a_press_is_forgotten_when_the_conditions_come_good_too_late() -> None:
    watch = started()
    watch.world.link_up = False
    watch.run(2.0)
    watch.world.enable = False
    watch.world.press_reset()
    watch.run(1.8)
    watch.world.link_up = True
    watch.world.board_state = 0
    watch.world.tick(0.9)  # 2.7 s after the press
    watch.step()
    assert watch.state.name == "tripped"
    watch.world.press_reset()
    watch.run(0.4)
    assert watch.state.name == "off"


def test_a_clock_that_runs_back_trips() -> None:
    watch = started()
    new, actions, _ = watch.machine.step(watch.state, watch.world.inputs(), watch.world.now_s - 5.0)
    assert new.name == "tripped"
    assert Action.OUTPUT_OFF in actions


def test_step_is_pure() -> None:
    watch = started()
    inputs, now_s = watch.world.inputs(), watch.world.now_s + 0.1
    assert watch.machine.step(watch.state, inputs, now_s) == watch.machine.step(watch.state, inputs, now_s)


def test_no_input_can_ask_for_the_output() -> None:
    """Holding every condition and every boolean a client could reach leaves it off without the hand."""
    machine = Interlock()
    world = World()
    world.water_s, world.stray, world.beacon_ok = world.now_s, stray(world.now_s), True
    state: InterlockState = machine.initial(world.now_s)
    for turn in range(200):
        world.tick(0.2)
        world.water_s = world.now_s
        state, actions, _ = machine.step(
            state, structs.replace(world.inputs(), reset_pressed=bool(turn % 2)), world.now_s
        )
        assert state.name == "off"
        assert Action.OUTPUT_ON not in actions


def test_every_trip_and_refusal_has_its_words() -> None:
    assert set(causes.BOARD_TRIPS) == set(Trip) - {Trip.NONE}
    assert set(causes.REFUSALS) == set(Refusal)
    assert "does not know" in causes.refusal(99).cause


def stop_pressed(host_lag_s: float, board_lag_s: float, report_every_s: float) -> tuple[Any, list[Any]]:
    """The emergency stop pressed while energised; its two contacts open so long after the hand moved, and the board's
    reports come at their own pace. Returns the last state and the alarms told."""
    watch = Watch(interlock, World())
    watch.world.stop_second = True
    watch.energise()
    world, pressed_s = watch.world, watch.world.now_s
    reported_s, reported = -1.0, watch.world.inputs().board
    alarms = []
    for _ in range(200):
        world.now_s += 0.005
        world.adc_t_s = world.now_s
        world.stop_second = world.now_s - pressed_s < host_lag_s
        world.stop_closed = world.now_s - pressed_s < board_lag_s
        world.settle_board()
        if world.now_s - reported_s >= report_every_s:
            reported_s = world.board_t_s = world.now_s
            reported = world.inputs().board
        inputs = structs.replace(world.inputs(), board=reported)
        watch.state, actions, events = watch.machine.step(watch.state, inputs, world.now_s)
        world.obey(actions)
        alarms += [event for event in events if event.severity == "alarm"]
    return watch.state, alarms


def test_a_press_of_the_emergency_stop_is_one_right_sentence_whatever_its_contacts_travel() -> None:
    rng = random.Random(1)
    for _ in range(100):
        state, alarms = stop_pressed(rng.uniform(0, 0.05), rng.uniform(0, 0.05), rng.choice((0.02, 0.05, 0.1, 0.2)))
        assert [event.text for event in alarms] == ["The emergency stop was pressed."]
        assert state.name == "tripped" and state.trip is not None and state.trip.code == "emergency stop"


@pytest.mark.parametrize("stuck", ["host", "board"])
def test_contacts_that_truly_disagree_are_named(stuck: str) -> None:
    lags = (9.0, 0.0) if stuck == "host" else (0.0, 9.0)
    state, alarms = stop_pressed(*lags, 0.05)
    assert state.name == "tripped" and state.trip is not None
    assert state.trip.cause == ("The two contacts of the emergency stop disagree: one is stuck or its wire is broken.")
    assert alarms[0].text == "The emergency stop was pressed."
