"""The source-board link against the emulated board, over a real pseudo-terminal and the unmodified pyserial.

Real threads and ptys in slow motion (a bench second lasts four), so that a busy machine is not a fault; exact times
are checked in virtual time by the protocol's conformance suite.
"""

from __future__ import annotations

import errno
import fcntl
import struct
import termios
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
import serial

from earthward.clock import ScaledClock
from earthward.devices.source import LinkError, SourceLink, open_port
from earthward.devices.source.transport import Port
from earthward.emulated.board import EmulatedBoard
from earthward.emulated.load import ResistorLoad
from earthward.errors import InputError
from earthward.record.board import BoardState, Refusal, Trip

pytestmark = pytest.mark.realtime

CLOCK = ScaledClock(0.25)


def until(condition: Callable[[], bool], seconds: float = 30.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.01)
    return condition()


@dataclass
class Pair:
    board: EmulatedBoard
    link: SourceLink

    def energise(self) -> None:
        self.board.set_enable(False)
        CLOCK.sleep(0.12)
        self.link.configure("coded", 36.0, 0.010)
        self.link.arm()
        self.board.set_enable(True)
        self.link.energise()

    def codes(self) -> list[str]:
        return [e.code for e in self.link.drain_events()]


@pytest.fixture
def pair() -> Iterator[Pair]:
    with EmulatedBoard(CLOCK, ResistorLoad(600.0)) as board, SourceLink(board.port, CLOCK) as link:
        assert link.wait_connected(8.0)
        yield Pair(board, link)


def test_pyserial_is_on_the_path(pair: Pair) -> None:
    assert isinstance(pair.link._transport.port, serial.Serial)
    with pytest.raises(serial.SerialException, match="exclusively lock"):
        serial.Serial(pair.board.port, exclusive=True)


def test_a_whole_turn(pair: Pair) -> None:
    identity = pair.link.identity
    assert identity is not None
    assert identity.emulated == 1
    assert pair.link.status.emulated
    assert pair.link.phase_reference() is None, "nothing to refer to while off"
    with pytest.raises(LinkError, match="not configured yet"):
        pair.link.arm()
    pair.energise()
    assert until(lambda: (t := pair.link.telemetry) is not None and t.energised and t.current_A > 0.005)
    report = pair.link.telemetry
    assert report is not None
    assert report.current_A == pytest.approx(10.0 / 1800.0, rel=0.01)
    assert report.voltage_V == pytest.approx(10.0 * 600 / 1800, rel=0.01)
    assert report.electrode == "A"
    assert until(lambda: pair.link.phase_reference() is not None)
    reference = pair.link.phase_reference()
    assert reference is not None
    # the board's clock runs 0.3 % fast, so its 36 Hz are 36.108 of ours
    assert reference.frequency_Hz == pytest.approx(36.0 * 1.003, rel=2e-3)
    true_phase = (pair.board.clock.ticks(reference.start_s) - pair.board._first_tick) / report.period_ticks
    assert true_phase - round(true_phase) == pytest.approx(0.0, abs=0.1)
    since = pair.link.select("B")
    assert since is not None
    assert until(lambda: (t := pair.link.telemetry) is not None and t.electrode == "B")
    assert pair.link.off().state is BoardState.OFF
    assert not pair.board.energised
    assert {"link-up", "source-armed", "source-energised", "source-off"} <= set(pair.codes())
    status = pair.link.status
    assert status.ok
    assert (status.errors, status.reconnects, status.restarts) == (0, 0, 0)
    assert status.round_trip_s is not None
    assert status.clock_offset == pytest.approx(0.003, abs=1e-3)


def test_refusals_are_sentences(pair: Pair) -> None:
    pair.link.configure("sine", 20.0, 0.005)
    with pytest.raises(LinkError, match=r"refused to energise\. The source board was not ready") as refused:
        pair.link.energise()
    assert refused.value.reason == Refusal.WRONG_STATE
    pair.link.arm()
    with pytest.raises(LinkError, match="The enable was not held"):
        pair.link.energise()
    pair.link.off()
    pair.board.set_emergency_stop(False)
    assert until(lambda: (t := pair.link.telemetry) is not None and t.trip is Trip.EMERGENCY_STOP)
    with pytest.raises(LinkError, match=r"The source board is tripped\. Press its reset button"):
        pair.link.arm()
    assert "trip-emergency-stop" in pair.codes()
    pair.board.set_emergency_stop(True)
    assert pair.board.press_reset()
    assert until(lambda: (t := pair.link.telemetry) is not None and t.state is BoardState.OFF)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (("triangle", 36.0, 0.005), "no waveform 'triangle'"),
        (("coded", 5000.0, 0.005), "outside"),
        (("coded", 1.0, 0.005), "outside"),
        (("coded", 36.0, 0.050), "outside what the source board allows"),
        (("coded", 36.0, 0.0), "outside what the source board allows"),
        (("coded", float("nan"), 0.005), "outside"),
    ],
)
def test_impossible_configurations(pair: Pair, arguments: tuple[str, float, float], match: str) -> None:
    with pytest.raises(InputError, match=match):
        pair.link.configure(*arguments)  # type: ignore[arg-type]


def test_frames_that_the_board_drops_count_too(pair: Pair) -> None:
    port = pair.link._transport.port
    assert port is not None
    with pair.link._transport.write_lock:
        for _ in range(5):
            port.write(b"\x05garbage\0")
    assert until(lambda: pair.link.status.errors >= 5)
    assert pair.link.request_status().bad_frames >= 5


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"limits_crc_error": 1}, "limits do not match their checksum"),
        ({"max_current_uA": 25_000}, "are not those that the instrument allows"),
        ({"max_voltage_mV": 13_000}, "are not those that the instrument allows"),
        ({"deadman_ms": 2000}, "are not those that the instrument allows"),
        ({"deadman_ms": 0}, "are not those that the instrument allows"),
        ({"protocol": 2}, "speaks protocol 2"),
        ({"tick_Hz": 0}, "claims a clock of 0 Hz"),
    ],
)
def test_a_board_that_is_not_what_it_should_be_is_never_armed(change: dict[str, int], match: str) -> None:
    from dataclasses import replace

    board = EmulatedBoard(CLOCK, ResistorLoad(600.0))
    if "limits_crc_error" in change:
        board.limits_crc_error = change["limits_crc_error"]
    else:
        board._identity = replace(board._identity, **change)
    with board, SourceLink(board.port, CLOCK) as link:
        assert until(lambda: link.status.connected)
        assert not link.status.may_arm
        assert match in link.status.text
        with pytest.raises((LinkError, InputError)):
            link.configure("coded", 36.0, 0.005)
            link.arm()
        assert until(lambda: "identity-refused" in [e.code for e in link.drain_events()])
        assert board.state is BoardState.OFF


def test_real_and_emulated_boards_are_not_mixed_up() -> None:
    with EmulatedBoard(CLOCK, ResistorLoad(1.0)) as board, SourceLink(board.port, CLOCK, expect_emulated=False) as link:
        assert until(lambda: link.status.connected)
        assert "told to expect the other kind" in link.status.text
        assert not link.status.may_arm


def test_unplugged_and_back(pair: Pair) -> None:
    pair.energise()
    pair.codes()
    pair.board.unplug()
    assert until(lambda: not pair.link.status.connected)
    assert until(lambda: "plug the cable in" in pair.link.status.text or "unplugged" in pair.link.status.text)
    with pytest.raises(LinkError):
        pair.link.off()
    # The board is on its own and stops by itself.
    assert until(lambda: pair.board.trip is Trip.HEARTBEAT_LOST)
    assert "link-lost" in pair.codes()
    pair.board.replug()
    plugged = CLOCK.now()
    assert until(lambda: pair.link.status.connected)
    assert CLOCK.now() - plugged < 3.0
    assert until(lambda: (t := pair.link.telemetry) is not None and t.state is BoardState.TRIPPED)
    status = pair.link.status
    assert status.reconnects == 1
    assert status.restarts == 0
    assert pair.link.configuration is None, "nothing is armed again by itself"
    pair.board.set_enable(False)
    assert pair.board.press_reset()
    pair.energise()
    assert pair.board.energised


def test_an_unexpected_restart_is_named_and_nothing_is_armed_again(pair: Pair) -> None:
    pair.energise()
    pair.codes()
    pair.board.restart()
    assert until(lambda: pair.link.status.restarts == 1)
    events = pair.link.drain_events()
    texts = [e.text for e in events if e.code == "board-restarted"]
    assert texts == ["The source board restarted by itself (its watchdog); its output is off."]
    CLOCK.sleep(0.5)
    assert not pair.board.energised
    assert pair.link.configuration is None
    assert until(lambda: pair.link.status.clock_ready), "a new clock map for the new ticks"


def test_a_restart_while_unplugged_is_noticed(pair: Pair) -> None:
    pair.board.unplug()
    pair.board.restart()
    CLOCK.sleep(0.3)
    pair.board.replug()
    assert until(lambda: pair.link.status.connected)
    assert pair.link.status.restarts == 1


def test_spoilt_frames_are_counted_and_got_over(pair: Pair) -> None:
    pair.board.corrupt_fraction = 0.3
    done = 0
    for _ in range(24):
        try:
            pair.link.request_status()
            done += 1
        except LinkError as error:
            assert "did not answer" in str(error)
    # three tries each: 2.7 % are expected to fail
    assert done >= 19
    status = pair.link.status
    assert status.errors >= 3
    assert status.retries >= 2
    pair.board.corrupt_fraction = 0.0
    assert pair.link.request_status().state is BoardState.OFF


def test_a_silent_board_is_warned_about_and_found_again(pair: Pair) -> None:
    pair.codes()
    pair.board.silent = True
    assert until(lambda: "silent" in pair.link.status.text)
    assert not pair.link.status.ok
    assert until(lambda: "link-silent" in pair.codes() or not pair.link.status.connected)
    pair.board.silent = False
    assert until(lambda: pair.link.status.ok)


def test_a_hung_supervisor_stops_the_output() -> None:
    """Heartbeats are proof of the whole daemon, not of one thread."""
    with EmulatedBoard(CLOCK, ResistorLoad(600.0)) as board, SourceLink(board.port, CLOCK, supervised_s=0.5) as link:
        assert link.wait_connected(8.0)
        pair = Pair(board, link)
        link.feed()
        pair.energise()
        for _ in range(12):
            link.feed()
            CLOCK.sleep(0.05)
        assert board.energised
        assert until(lambda: board.trip is Trip.HEARTBEAT_LOST), "nobody feeds any more"
        assert "supervisor-silent" in pair.codes()


def test_late_answers_do_not_spoil_the_clock_map(pair: Pair) -> None:
    pair.board.stall_fraction = 0.2
    assert until(lambda: (m := pair.link.clock_map) is not None and m.ready and m.pings > 14)
    now = CLOCK.now()
    mapped = pair.link.host_time(pair.board.clock.ticks(now))
    assert mapped is not None
    assert mapped - now == pytest.approx(0.0, abs=3e-3)


def test_a_missing_port_is_a_sentence() -> None:
    with SourceLink("/dev/earthward-nowhere", CLOCK) as link:
        assert until(lambda: "cannot be opened" in link.status.text)
        assert "it is not there" in link.status.text
        with pytest.raises(LinkError, match="cannot be opened"):
            link.arm()


def test_a_port_that_another_program_holds_is_a_sentence(pair: Pair) -> None:
    with SourceLink(pair.board.port, CLOCK) as second:
        assert until(lambda: "another program has it open" in second.status.text)


@pytest.mark.parametrize("error", [OSError(errno.EIO, "Input/output error"), serial.SerialException("gone")])
def test_every_kind_of_port_error_leads_to_a_reconnect(error: Exception) -> None:
    """pyserial lets three kinds through: SerialException, OSError (`take`), termios.error (`flush`)."""
    opened: list[Failing] = []

    class Failing:
        def __init__(self, inner: Port) -> None:
            self._inner = inner
            self._reads = 0

        def take(self) -> bytes:
            self._reads += 1
            if len(opened) == 1 and self._reads > 5:
                raise error
            return self._inner.take()

        def write(self, data: bytes) -> int | None:
            return self._inner.write(data)

        def close(self) -> None:
            self._inner.close()

        def fileno(self) -> int:
            return int(self._inner.fileno())

    def opener(name: str, timeout_s: float) -> Failing:
        opened.append(Failing(open_port(name, timeout_s)))
        return opened[-1]

    with EmulatedBoard(CLOCK, ResistorLoad(1.0)) as board, SourceLink(board.port, CLOCK, opener=opener) as link:
        assert until(lambda: link.status.reconnects == 1)
        assert until(lambda: link.status.ok)


def test_opening_the_port_raises_no_modem_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """On many boards DTR pulls the reset pin: pyserial must be told to leave both lines low before it opens."""
    raised: list[int] = []
    lowered: list[int] = []
    real = fcntl.ioctl

    def watched(fd: int, request: int, *rest: Any) -> Any:
        if request in (termios.TIOCMBIS, termios.TIOCMBIC):
            (lines,) = struct.unpack("I", rest[0])
            (raised if request == termios.TIOCMBIS else lowered).append(lines)
            return 0  # a pseudo-terminal has no modem lines
        return real(fd, request, *rest)

    monkeypatch.setattr(serial.serialposix.fcntl, "ioctl", watched)
    with EmulatedBoard(CLOCK, ResistorLoad(1.0)) as board:
        open_port(board.port, 0.01).close()
    assert raised == []
    assert set(lowered) == {termios.TIOCM_DTR, termios.TIOCM_RTS}
