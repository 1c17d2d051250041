"""The parts' own words about themselves, as the messages that clients get. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from earthward.daemon import protocol as m
from earthward.daemon.parts import DepthSense, HeadSense
from earthward.daemon.recorder import Recorder
from earthward.devices.ads1115 import AdcStatus
from earthward.devices.source import LinkStatus
from earthward.record.board import BoardReport
from earthward.record.place import Head, Orientation
from earthward.safety.interlock import View
from earthward.signal.detector import Detector

if TYPE_CHECKING:
    from earthward.daemon.life import Daemon


def interlock(view: View, now_s: float) -> m.Interlock:
    trip = view.trip
    return m.Interlock(
        state=view.state,
        since_s=max(0.0, now_s - view.since_s),
        text=view.text,
        warning_s=view.warning_left_s,
        permissives=[
            m.Permissive(name=p.name, code=p.code, ok=p.ok, text=p.text, age_s=p.age_s) for p in view.permissives
        ],
        trip=None if trip is None else m.TripInfo(code=trip.code, cause=trip.cause, remedy=trip.remedy, t_s=trip.t_s),
        water_clear_left_s=view.water_clear_left_s,
    )


def played_interlock(report: BoardReport | None) -> m.Interlock:
    """While a recording is played."""
    on = report is not None and report.energised
    return m.Interlock(
        state="energised" if on else "off", since_s=0.0, text="Replay of a recording: nothing is driven."
    )


def link(status: LinkStatus) -> m.LinkHealth:
    return m.LinkHealth(
        ok=status.ok,
        text=status.text,
        port=status.port,
        firmware=status.firmware,
        errors=status.errors,
        retries=status.retries,
        timeouts=status.timeouts,
        reconnects=status.reconnects,
        round_trip_s=status.round_trip_s,
        clock_offset=status.clock_offset,
        clock_error_s=status.clock_error_s,
        clock_age_s=status.clock_age_s,
    )


def source(report: BoardReport | None, waveform: str, frequency_Hz: float, limit_A: float) -> m.Source:
    """`waveform` is the one wanted: the board's own word counts once it speaks."""
    if report is None:
        return m.Source(
            waveform=waveform, frequency_Hz=frequency_Hz, current_limit_A=limit_A, notes=["Source board not found."]
        )
    notes = []
    if report.energised and report.open_circuit:
        notes.append("Open circuit: next to no current flows. Check the earth electrode and both leads.")
    voltage = abs(report.voltage_V)
    if report.energised and report.current_limiting:
        notes.append(
            f"Current at its limit, water only {voltage:.1f} V above earth. Source off first; then cover or plug the"
            " strongest fitting."
        )
    return m.Source(
        report=report, waveform=report.waveform, frequency_Hz=frequency_Hz, current_limit_A=limit_A, notes=notes
    )


#: An open input picks up mains as no electrode in the water does: so much at least, and so many times as much as the
#: pair with least. (Pick-up in the water above a quarter of that ends the visit as a stray voltage.)
DRY_V, DRY_TIMES = 6e-3, 5.0
#: Head -> inputs of its electrodes, one pair a line: the channel's own, then the one that it may share.
ELECTRODES: dict[Head, tuple[tuple[str, str], ...]] = {
    "crossed": (("front", "back"), ("left", "right")),
    "three-axis": (("rear", "the nose"), ("right", "the nose"), ("upper", "the nose")),
}


def dry_electrode(head: Head, mains_V: Sequence[float]) -> str:
    """Which electrode has lost the water, by the mains that each pair picks up; empty if none has, or none can be
    told: with all pairs open alike the head is out of the water or their common electrode is."""
    if head not in ELECTRODES or len(mains_V) != len(ELECTRODES[head]):
        return ""
    least = min(mains_V)
    open_ = [v > DRY_V and (v > DRY_TIMES * least or least > DRY_V) for v in mains_V]
    if all(open_):
        nose = "the electrode at the nose is dry or the head is" if head == "three-axis" else "the head is"
        return f"No pair touches the water: {nose} out of it. Lower the pole; turn it to let trapped air out."
    names = [ELECTRODES[head][k] for k, is_open in enumerate(open_) if is_open]
    if not names:
        return ""
    if head == "three-axis":
        which = " and ".join(own for own, _ in names)
        return f"The {which} electrode is dry: lower the pole, and turn it to let trapped air out."
    return f"The {names[0][0]} or {names[0][1]} electrode is dry: lower the pole, and turn it to let trapped air out."


def receiver(status: AdcStatus, detectors: Sequence[Detector], head: Head = "single") -> m.AdcHealth:
    """The converter's health, with the mains that the lock-in finds in its samples."""
    detector = detectors[0]
    strongest = max(detector.mains, key=lambda x: x.amplitude_V, default=None)
    dry = dry_electrode(head, [max((x.amplitude_V for x in d.mains), default=0.0) for d in detectors])
    return m.AdcHealth(
        ok=status.ok and not dry,
        text=dry if status.ok and dry else status.text,
        rate_Hz=status.rate_Hz,
        lost_fraction=status.lost_fraction,
        repeats=status.repeats,
        full_scale_V=status.full_scale_V,
        saturated=status.saturated,
        mains_Hz=None if strongest is None else strongest.frequency_Hz,
        mains_V=None if strongest is None else strongest.amplitude_V,
        noise_V=detector.noise_V,
    )


def head(sense: HeadSense | None) -> m.HeadHealth | None:
    """The orientation sensor's own words."""
    if sense is None:
        return None
    told, text = sense.now(), sense.text
    if told is None:
        return m.HeadHealth(ok=False, text=text or "The orientation sensor has not yet seen the head at rest.")
    return m.HeadHealth(ok=told.bearing_sigma_deg is not None and not text, text=text, told=told)


def depth(sense: DepthSense | None, held: Orientation | None) -> m.DepthHealth | None:
    """The depth sensor's own words. `held`: how the head is held, if a sensor tells."""
    if sense is None:
        return None
    told, text = sense.now(held), sense.text
    return m.DepthHealth(ok=told is not None, text=text, told=told)


def recording(recorder: Recorder | None) -> m.Recording:
    if recorder is None:
        return m.Recording(ok=True, text="Not recording.")
    lost = f"{recorder.chunks_lost} pieces lost" if recorder.chunks_lost else "Recording."
    return m.Recording(
        ok=recorder.ok, text=recorder.problem or lost, path=str(recorder.folder), bytes=recorder.bytes_written
    )


def state(daemon: Daemon) -> m.State:
    """Everything about the instrument itself."""
    wiring, config, visiting = daemon.wiring, daemon.config, daemon.visiting
    now_s = wiring.clock.now()
    report = wiring.board.telemetry
    return m.State(
        t_s=now_s,
        emulated=wiring.emulated,
        interlock=played_interlock(report) if wiring.playback else interlock(daemon.supervisor.view(), now_s),
        source=source(report, config.source.waveform, daemon.measuring.frequency_Hz, daemon.measuring.current_limit_A),
        link=link(wiring.board.status),
        adc=receiver(wiring.receiver.status, daemon.detection.detectors, config.head),
        recording=recording(daemon.recorder),
        pair=m.PairInfo(
            spacing_m=config.pair.spacing_m,
            front=config.pair.front,
            back=config.pair.back,
            crossed=wiring.channels > 1,
        ),
        head=head(wiring.head),
        depth=depth(wiring.depth, None if wiring.head is None else wiring.head.now()),
        detector=daemon.measuring.in_words(),
        stations=0 if visiting is None else visiting.visit.stations,
        stray_turns=daemon.stray.turns.done,
        stray_holding=daemon.stray.turns.holding,
        survey="" if visiting is None else str(visiting.visit.store.path),
        place=None if visiting is None else visiting.place,
        next_station=None if visiting is None else visiting.visit.next_station(),
    )
