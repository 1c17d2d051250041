"""Current and voltage before and after a cover or a patch: the share follows, with no model of the field."""

from __future__ import annotations

import pytest

from earthward.record.board import BoardReport, BoardState, Trip
from earthward.record.visit import CurrentStep
from earthward.survey.current_steps import CurrentLog

SOURCE_V, SERIES_OHM = 10.0, 1000.0


def report(t_s: float, outside_ohm: float, state: BoardState = BoardState.ENERGISED) -> BoardReport:
    """What the board says of a load: 10 V behind 1 kohm (docs/build-source.md)."""
    current = SOURCE_V / (SERIES_OHM + outside_ohm)
    volts = current * outside_ohm
    return BoardReport(
        received_s=t_s, state=state, trip=Trip.NONE, emergency_stop_closed=True, enable_held=True,
        heartbeat_fresh=True, open_circuit=current < 15e-6, current_limiting=False, electrode="A",
        waveform="coded", period_ticks=1, cycles=1, cycle_tick=0, current_positive_A=current,
        current_negative_A=-current, voltage_positive_V=volts, voltage_negative_V=-volts,
        battery_V=12.5, temperature_C=25.0, idle_dc_V=0.0, idle_ac_V=0.0, current_peak_A=current,
    )  # fmt: skip


def step(electrodes_ohm: float, rest_ohm: float, sink_ohm: float) -> CurrentStep:
    """A sink beside the rest is taken away; the source is off in between."""
    log = CurrentLog()
    both = 1.0 / (1.0 / rest_ohm + 1.0 / sink_ohm)
    t = 0.0
    found: list[CurrentStep] = []
    for ohm in (electrodes_ohm + both, electrodes_ohm + rest_ohm):
        for _ in range(30):
            t += 0.1
            found += log.add(report(t, ohm))
        t += 5.0
        found += log.add(report(t, ohm, BoardState.OFF))
        if not found:
            log.done("cover", fitting="light")
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize("electrodes_ohm", [60.0, 150.0, 290.0])
@pytest.mark.parametrize(("rest_ohm", "sink_ohm"), [(9000.0, 600.0), (600.0, 20_000.0), (4000.0, 4000.0)])
def test_the_share_is_in_its_interval_however_stiff_the_source(
    electrodes_ohm: float, rest_ohm: float, sink_ohm: float
) -> None:
    """Truth by Kirchhoff: conductances in parallel share the current."""
    made = step(electrodes_ohm, rest_ohm, sink_ohm)
    truth = (1 / sink_ohm) / (1 / sink_ohm + 1 / rest_ohm)
    low, high = made.share_interval
    assert low <= truth <= high
    assert abs(made.share - truth) < abs(made.drop_A / made.before_A - truth), "nearer than the fall of the current"


def test_without_the_voltage_the_fall_of_the_current_is_all_there_is() -> None:
    old = CurrentStep(
        kind="cover", fitting="light", before_A=8e-3, before_sigma_A=1e-5, after_A=6e-3, after_sigma_A=1e-5
    )
    assert old.share == pytest.approx(0.25)
    assert old.share_interval[0] == pytest.approx(0.25 - 1.96 * old.share_sigma)


def test_a_last_sink_leaves_an_open_circuit() -> None:
    made = step(150.0, 1e7, 9000.0)
    assert made.share > 0.99 and made.after_A < 15e-6


def test_a_report_is_taken_once_and_the_first_moments_not_at_all() -> None:
    log = CurrentLog()
    for _ in range(40):
        log.add(report(1.0, 1000.0))
    assert log.steady() == {}
    log.done("cover", fitting="light")
    for k in range(40):
        assert log.add(report(2.0 + 0.1 * k, 1000.0)) == [], "nothing was steady before, so there is no before"


@pytest.mark.parametrize("after_A", [2e-6, 0.0, -1e-6])
def test_next_to_no_current_has_an_error_like_any_other(after_A: float) -> None:
    made = CurrentStep(
        kind="patch", finding=1, before_A=4e-4, before_sigma_A=1e-6, after_A=after_A, after_sigma_A=1e-6,
        before_V=9.0, after_V=9.98,
    )  # fmt: skip
    assert made.share == pytest.approx(1.0, abs=0.01) and made.share_sigma < 0.01
    low, high = made.share_interval
    assert 0.98 < low <= high <= 1.0


def after(done: list[tuple[str, str, int | None]]) -> list[CurrentStep]:
    """What the log says when all this was done while the source was off."""
    log = CurrentLog()
    for k in range(30):
        log.add(report(0.1 * k, 500.0))
    log.add(report(4.0, 500.0, BoardState.OFF))
    for kind, fitting, finding in done:
        log.done(kind, fitting=fitting, finding=finding)  # type: ignore[arg-type]
    return [s for k in range(30) for s in log.add(report(10.0 + 0.1 * k, 5000.0))]


def test_two_covers_at_once_are_one_step_of_both() -> None:
    (made,) = after([("cover", "light", None), ("cover", "drain", None)])
    assert made.fitting == "light, drain"


def test_a_cover_and_a_patch_at_once_say_nothing_of_either() -> None:
    """Else a patch that holds nothing would seem to have closed what the cover did."""
    assert after([("cover", "light", None), ("patch", "", 1)]) == []
    assert after([("patch", "", 1), ("patch", "", 2)]) == []
    assert [s.finding for s in after([("patch", "", 1)])] == [1]
