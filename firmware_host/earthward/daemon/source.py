"""What the source does, told to the lock-in: on, off, which electrode, since when, with how much current."""

from __future__ import annotations

from collections.abc import Callable

from earthward.daemon.detection import Detection, SourceNow
from earthward.daemon.parts import Wiring
from earthward.daemon.source_off import SourceOffMonitor
from earthward.record.board import BoardReport, ElectrodeName
from earthward.record.visit import CurrentStep
from earthward.survey.current_steps import CurrentLog

#: A report this soon after a switch that the board has announced may still name the old electrode.
ANNOUNCED_S = 0.15


class SourceFollower:
    """Look at the board's newest report with `look`; in the loop's thread."""

    def __init__(
        self,
        wiring: Wiring,
        detection: Detection,
        source_off: SourceOffMonitor,
        wanted_on: Callable[[], bool],
        on_change: Callable[[SourceNow], None],
        on_step: Callable[[CurrentStep], None],
    ) -> None:
        """`wanted_on`: does the interlock want the output on? `on_step`: a fall of the current was measured."""
        self._wiring = wiring
        self._detection = detection
        self._source_off = source_off
        self._wanted_on = wanted_on
        self._on_change = on_change
        self._on_step = on_step
        self.currents = CurrentLog()
        self._looked_at: BoardReport | None = None

    def look(self) -> None:
        """What the board last reported of itself becomes what the lock-in goes by."""
        report = self._wiring.board.telemetry
        if report is not None and report is self._looked_at and self._detection.source.energised and self._wanted_on():
            return  # its current is known already, and it does not say anything else the second time
        self._looked_at = None
        if report is not None:
            for step in self.currents.add(report):
                self._on_step(step)
        if report is None or not report.energised or not self._wanted_on():
            self._look_off(report)
        else:
            self._look_on(report)

    def _look_off(self, report: BoardReport | None) -> None:
        source, now_s = self._detection.source, self._wiring.clock.now()
        if source.energised or report is not None:
            self._source_off.source_is_off(now_s, just_now=source.energised)
        if source.energised:
            self._set(SourceNow(False, now_s, source.electrode))

    def _look_on(self, report: BoardReport) -> None:
        source = self._detection.source
        # Current of the half cycles since the output is on; none has been measured in the first report.
        current = report.current_A if report.current_A > 0 else source.current_A
        announced = source.energised and report.received_s < source.since_s + ANNOUNCED_S
        if source.energised and (source.electrode == report.electrode or announced):
            current = current if source.electrode == report.electrode else source.current_A
            self._detection.set_source(SourceNow(True, source.since_s, source.electrode, current))
            self._looked_at = report
            return
        since_s = None
        if not source.energised:
            since_s = self._wiring.board.host_time(report.cycle_tick - report.cycles * report.period_ticks)
            self._source_off.source_comes_on()
        self._set(SourceNow(True, report.received_s if since_s is None else since_s, report.electrode, None))

    def switched(self, electrode: ElectrodeName, at_s: float) -> None:
        """The board has announced that it switches to this electrode at that host time."""
        if self._detection.source.energised:
            self._set(SourceNow(True, at_s, electrode, None))

    def _set(self, source: SourceNow) -> None:
        self._detection.set_source(source)
        self._on_change(source)
