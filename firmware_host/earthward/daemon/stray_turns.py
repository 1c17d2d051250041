"""The stray-voltage check in three holds: the pair along, across, and along again end for end.

Turning across shows gradients that the first hold does not see. Turning end for end changes the sign of a field in the
water, not of the electrodes' own offset, so the two are told apart. Pure: told of presses and measurements.

The verdict that the interlock goes by stays that of every second, offset and all: whoever presses without turning the
pair must not talk a voltage away.
"""

from __future__ import annotations

from dataclasses import dataclass

from earthward.safety.stray import StrayMeasurement, dc_from_turned_pair

HOLDS = 3


@dataclass(frozen=True, slots=True)
class Held:
    """One hold: the measurement, and the signed DC of the pair along the pole."""

    measurement: StrayMeasurement
    dc_V: float


class StrayTurns:
    """`press` when the pair is held as asked; `take` every measurement."""

    def __init__(self) -> None:
        self._held: list[Held] = []
        self._since_s: float | None = None

    @property
    def done(self) -> int:
        return len(self._held)

    @property
    def holding(self) -> bool:
        """A hold is being measured."""
        return self._since_s is not None

    def press(self, now_s: float) -> None:
        if self.done < HOLDS and not self.holding:
            self._since_s = now_s

    def interrupted(self) -> None:
        """The source came on: the present hold counts for nothing."""
        self._since_s = None

    def take(
        self, measurement: StrayMeasurement, dc_V: float, window_s: float, spacing_m: float
    ) -> StrayMeasurement | None:
        """The outcome once the third hold is measured; None before."""
        if self._since_s is None or measurement.t_s - window_s < self._since_s:
            return None
        self._since_s = None
        self._held.append(Held(measurement, dc_V))
        return self._outcome(spacing_m) if self.done == HOLDS else None

    def _outcome(self, spacing_m: float) -> StrayMeasurement:
        along, across, turned = self._held
        gradient, offset_V = dc_from_turned_pair(along.dc_V, turned.dc_V, spacing_m)
        sideways = (across.dc_V - offset_V) / spacing_m
        last = turned.measurement
        return StrayMeasurement(
            t_s=last.t_s,
            mains_V_per_m=max(h.measurement.mains_V_per_m or 0.0 for h in self._held),
            dc_V_per_m=max(abs(gradient), abs(sideways)),
            electrode_ac_V=last.electrode_ac_V,
            electrode_dc_V=last.electrode_dc_V,
            directions=2,
            saturated=any(h.measurement.saturated for h in self._held),
        )
