"""The byte protocol's tables: the wire's report is the record's report, and docs/protocol.md says the same numbers."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from earthward.devices.protocol import FrameError, pack_report, unpack_report
from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.waveform import WAVEFORMS

TEXT = (Path(__file__).parents[2] / "docs" / "protocol.md").read_text(encoding="utf-8")

#: 64 bytes written down by hand from docs/protocol.md, little-endian
BODY = bytes.fromhex(
    "02 00 17 01 02 05"  # energised, no trip; stop closed, enable, heartbeat, limiting; B, coded, 5 bad frames
    "f1dd0000 0a000000 40e2010000000000"  # 56,817 ticks a period, 10 periods, tick 123,456
    "88130000 79ecffff c012 41ed"  # +5,000 uA, -4,999 uA; +4,800 mV, -4,799 mV
    "d030 1c0c 02ff 0400 ec130000"  # 12,496 mV; 31.00 degC; -254 mV; 4 mV; 5,100 uA
)


def report() -> BoardReport:
    return BoardReport(
        received_s=7.0,
        state=BoardState.ENERGISED,
        trip=Trip.NONE,
        emergency_stop_closed=True,
        enable_held=True,
        heartbeat_fresh=True,
        open_circuit=False,
        current_limiting=True,
        electrode="B",
        waveform="coded",
        period_ticks=56_817,
        cycles=10,
        cycle_tick=123_456,
        current_positive_A=5000e-6,
        current_negative_A=-4999e-6,
        voltage_positive_V=4.8,
        voltage_negative_V=-4.799,
        battery_V=12.496,
        temperature_C=31.0,
        idle_dc_V=-0.254,
        idle_ac_V=0.004,
        current_peak_A=5100e-6,
        bad_frames=5,
    )


def test_a_report_read_from_bytes() -> None:
    seen, want = unpack_report(BODY, 7.0), report()
    for field in structs.fields(BoardReport):
        value, wanted = getattr(seen, field.name), getattr(want, field.name)
        assert value == (pytest.approx(wanted) if isinstance(wanted, float) else wanted), field.name
    assert pack_report(want) == BODY


def test_every_field_of_a_report_is_on_the_wire() -> None:
    """A field that the table forgot would come back with its default."""
    back = unpack_report(pack_report(report()), 7.0)
    defaults = {f.name: f.default for f in structs.fields(BoardReport)}
    assert {name for name in defaults if getattr(back, name) == defaults[name]} <= {"open_circuit", "waveform"}


def test_what_the_wire_cannot_hold_is_cut() -> None:
    big = structs.replace(report(), idle_dc_V=99.0, idle_ac_V=-1.0)
    back = unpack_report(pack_report(big), 7.0)
    assert (back.idle_dc_V, back.idle_ac_V) == (pytest.approx(32.767), 0.0)


@given(st.binary(max_size=80))
def test_no_bytes_are_read_wrongly_or_crash(body: bytes) -> None:
    try:
        seen = unpack_report(body, 0.0)
    except FrameError:
        return
    assert isinstance(seen.state, BoardState)
    assert isinstance(seen.trip, Trip)


def test_a_cause_that_newer_firmware_knows_is_still_a_trip() -> None:
    body = bytes((3, 99)) + BODY[2:]
    assert unpack_report(body, 0.0).trip is Trip.UNKNOWN


def test_the_documents_numbers_are_the_records() -> None:
    (waveforms,) = re.findall(r"waveform u8 \(([^)]*)\), electrode u8 \(0 A, 1 B\), period", TEXT)
    assert waveforms == ", ".join(f"{w.code} {w.name}" for w in WAVEFORMS.values())
    chips = WAVEFORMS["coded"].levels
    assert chips is not None
    assert f"ten chips `{' '.join('+' if chip > 0 else '-' for chip in chips)}`" in TEXT
    trips = {int(n) for n in re.findall(r"^\| (\d+) \|", TEXT.split("| trip | cause |")[1], flags=re.M)}
    assert trips == {int(trip) for trip in Trip} - {Trip.UNKNOWN}
