"""With the source off: the stray-voltage check once a second, and the band scan when one is wanted."""

from __future__ import annotations

from collections.abc import Callable

from earthward.daemon.detection import Detection
from earthward.daemon.parts import Wiring
from earthward.daemon.source_off import STRAY_WINDOW_S, SourceOffMonitor
from earthward.daemon.stray_turns import StrayTurns
from earthward.daemon.supervisor import Supervisor
from earthward.daemon.telling import Teller
from earthward.record.event import Severity
from earthward.safety.limits import Limits
from earthward.safety.stray import StrayVerdict, judge

_SEVERITY: dict[str, Severity] = {"nothing found": "info", "caution": "caution", "trouble": "alarm"}


class StrayWatch:
    """`look` once a second, in the loop's thread. The verdict is the interlock's."""

    def __init__(
        self,
        wiring: Wiring,
        detection: Detection,
        source_off: SourceOffMonitor,
        supervisor: Supervisor,
        teller: Teller,
        limits: Limits,
        spacing_m: float,
        on_frequency: Callable[[float], None],
        on_verdict: Callable[[StrayVerdict], None],
    ) -> None:
        self._wiring = wiring
        self._detection = detection
        self._source_off = source_off
        self._supervisor = supervisor
        self._teller = teller
        self._limits = limits
        self._spacing_m = spacing_m
        self._on_frequency = on_frequency
        self._on_verdict = on_verdict

    def look(self, frequency_Hz: float) -> None:
        """`frequency_Hz`: the present repetition frequency."""
        report = self._wiring.board.telemetry
        if self._detection.source.energised or report is None or report.energised:
            return
        choice = self._source_off.scan(frequency_Hz)
        if choice is not None:
            if choice.changed:
                self._on_frequency(choice.frequency_Hz)
            self._teller.event("info", "band scan", choice.text)
        measurement = self._source_off.measure(report, self._wiring.clock.now())
        if measurement is None:
            return
        verdict = judge(self._source_off.remember(measurement), self._limits)
        before = self._supervisor.stray
        self._supervisor.set_stray(verdict)
        if before is None or before.level != verdict.level:
            severity = _SEVERITY.get(verdict.level, "caution")
            self._teller.event(severity, "stray voltage", verdict.text, verdict.remedy)
            self._on_verdict(verdict)
        monitor = self._source_off
        turned = monitor.turns.take(measurement, monitor.dc_V, STRAY_WINDOW_S, self._spacing_m)
        if turned is not None:
            verdict = judge(turned, self._limits)
            text = f"Turned along, across and end for end: {verdict.text}"
            self._teller.event(_SEVERITY.get(verdict.level, "caution"), "stray voltage", text, verdict.remedy)
            self._on_verdict(verdict)

    @property
    def turns(self) -> StrayTurns:
        return self._source_off.turns
