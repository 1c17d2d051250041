"""Pull, kill, freeze, stick on the emulated bench, in real time: the output goes off, and the cause is named.

The stated times are those of tests/benchmarks/bench_faults.py, which measures and prints them. Here the margins are
wide, so that only an output that *stays* on fails, never a machine that is slow. One bring-up serves several faults:
after each the board is reset by its button and energised again, the whole way.

Everything runs twice: against the emulated board (the slow run) and against the real firmware on the virtual chip.
"""

from __future__ import annotations

import importlib.util
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from tests.support.board_rig import build_or_skip

pytestmark = pytest.mark.realtime

SCRIPT = Path(__file__).parents[1] / "benchmarks" / "bench_faults.py"
PATIENCE_S = 20.0


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_faults", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_faults"] = module
    spec.loader.exec_module(module)
    return module


faults = _load()
CASES = {case.name: case for case in faults.CASES}


@pytest.fixture(scope="module", params=[pytest.param("emulated", marks=pytest.mark.slow), "firmware"])
def bench(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    firmware = build_or_skip(tmp_path_factory.mktemp("board-build")) if request.param == "firmware" else None
    with faults.FaultBench(firmware=firmware) as one:
        yield one


#: What a machine that is too slow looks like, after the interlock had come as far as its warning.
BUSY = {"host stalled", "receiver dead", "link lost", "heartbeat lost"}


def only_too_busy(states: list[dict[str, Any]]) -> bool:
    """Whether the interlock did start and only the machine's slowness took the output off again."""
    begun = any(told["state"] in ("ready", "energised") for told in states)
    tripped = [told["code"] for told in states if told["state"] == "tripped"]
    return begun and bool(tripped) and set(tripped) <= BUSY


def test_an_interlock_that_never_starts_is_no_busy_machine() -> None:
    off, ready = {"state": "off", "code": ""}, {"state": "ready", "code": ""}
    assert not only_too_busy([])
    assert not only_too_busy([off, {"state": "checking", "code": ""}])
    assert not only_too_busy([off, ready, {"state": "tripped", "code": "over-current"}])
    assert not only_too_busy([off, {"state": "tripped", "code": "link lost"}])
    assert only_too_busy([off, ready, {"state": "tripped", "code": "host stalled"}])


def _energise(bench: Any) -> None:
    try:
        bench.energise()
    except faults.NotReady as problem:
        if not only_too_busy(bench.states):
            pytest.fail(f"the interlock did not start: {problem}")
        pytest.skip(f"this machine is too busy to keep the bench energised: {problem}")


@pytest.mark.parametrize(
    ("name", "codes"),
    [
        pytest.param("emergency stop, board's contact only", {"emergency stop"}, marks=pytest.mark.slow),
        ("emergency stop, host's contact only", {"emergency stop"}),
        pytest.param("enable released", {"released"}, marks=pytest.mark.slow),
        ("enable released, board's contact stuck held", {"released"}),
        ("board restarts (watchdog)", {"board restarted", "watchdog"}),
        pytest.param("water-clear statement withdrawn", {"water not stated clear"}, marks=pytest.mark.slow),
    ],
)
def test_output_goes_off_and_the_cause_is_named(bench: Any, name: str, codes: set[str]) -> None:
    _energise(bench)
    case = CASES[name]
    at_s = time.monotonic()
    case.do(bench)
    assert bench.wait_off(at_s, PATIENCE_S) is not None
    told = bench.wait_state(case.state, PATIENCE_S, at_s)
    assert told is not None
    assert told["code"] in codes
    # Right again for the next one.
    bench.board.set_emergency_stop(True)
    bench.tell("unstop")


def test_a_hanging_program_is_ended_by_its_watchdog_and_named(bench: Any) -> None:
    """Interrupts off, in the middle of a period: the board restarts, says so, and nobody switches it on again."""
    if isinstance(bench.board, faults.EmulatedBoard):
        pytest.skip("the emulated board has no program that could hang")
    _energise(bench)
    at_s = time.monotonic()
    bench.board.hang(interrupts_live=False)
    assert bench.wait_off(at_s, PATIENCE_S) is not None
    told = bench.wait_state("tripped", PATIENCE_S, at_s)
    assert told is not None and told["code"] in {"board restarted", "watchdog"}
    time.sleep(1.0)
    assert not bench.board.energised


def test_an_enable_that_stays_closed_starts_nothing(bench: Any) -> None:
    _energise(bench)
    at_s = time.monotonic()
    bench.tell("off")
    assert bench.wait_off(at_s, PATIENCE_S) is not None
    for _ in range(25):
        bench.tell("prepare")
        time.sleep(0.2)
        assert not bench.board.energised


def test_a_pulled_cable_takes_the_output_off(bench: Any) -> None:
    _energise(bench)
    at_s = time.monotonic()
    bench.board.unplug()
    assert bench.wait_off(at_s, PATIENCE_S) is not None
    told = bench.wait_state("tripped", PATIENCE_S, at_s)
    assert told is not None and told["code"] == "link lost"
    bench.board.replug()


def test_a_frozen_daemon_takes_the_output_off_and_does_not_go_on_when_it_thaws(bench: Any) -> None:
    _energise(bench)
    at_s = time.monotonic()
    bench.process.send_signal(signal.SIGSTOP)
    try:
        assert bench.wait_off(at_s, PATIENCE_S) is not None
        time.sleep(1.5)
    finally:
        bench.process.send_signal(signal.SIGCONT)
    told = bench.wait_state("tripped", PATIENCE_S, at_s)
    assert told is not None
    time.sleep(1.0)
    assert not bench.board.energised


def test_a_dead_converter_takes_the_output_off(bench: Any) -> None:
    _energise(bench)
    at_s = time.monotonic()
    bench.tell("adc")
    assert bench.wait_off(at_s, PATIENCE_S) is not None
    told = bench.wait_state("tripped", PATIENCE_S, at_s)
    assert told is not None and told["code"] == "receiver dead"
    bench.tell("adc back")


def test_a_killed_daemon_takes_the_output_off(bench: Any) -> None:
    """Last: the bench is gone after it."""
    _energise(bench)
    at_s = time.monotonic()
    bench.process.kill()
    assert bench.wait_off(at_s, PATIENCE_S) is not None
