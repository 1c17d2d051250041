"""What `Survey.update` tells at once beside what a full search then finds: times, and where they differ."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np

from earthward.inversion.locate import Survey

#: An update with one more reading should be ready by then.
UPDATE_S = 0.25
#: A place told at once is another one if it lies farther than this from the full search's, and outside its own radius.
GAP_M = 0.1


@dataclass
class Updates:
    """Surveys with one station more, each answered twice. CPU seconds of this process."""

    label: str
    update_s: list[float] = field(default_factory=list)
    full_s: list[float] = field(default_factory=list)
    quick: list[bool] = field(default_factory=list)
    gap_m: list[float] = field(default_factory=list)
    """Between the strongest findings."""
    otherwise: list[str] = field(default_factory=list)
    """Of the quick ones, those that say something else than the full search."""

    def add(self, seed: int, survey: Survey) -> None:
        begin = time.process_time()
        told = survey.update()
        self.update_s.append(time.process_time() - begin)
        begin = time.process_time()
        full = survey.result()
        self.full_s.append(time.process_time() - begin)
        self.quick.append(told.provisional)
        if not told.provisional:
            return
        gap, radius = 0.0, GAP_M
        if told.findings and full.findings:
            gap = float(np.linalg.norm(np.subtract(told.findings[0].position_m, full.findings[0].position_m)))
            radius = max(GAP_M, told.findings[0].radius_m or 0.0)
            self.gap_m.append(gap)
        if told.verdict != full.verdict or len(told.findings) != len(full.findings) or gap > radius:
            self.otherwise.append(f"seed {seed}: {told.verdict}, then {full.verdict}, {gap:.2f} m apart")

    def lines(self) -> list[tuple[str, list[str]]]:
        """Names and figures to print."""
        afresh = 1e3 * np.quantile(self.full_s, (0.5, 0.9))
        told = 1e3 * np.array(self.update_s)
        tenths = ", ".join(f"{v:.0f}" for v in np.quantile(told, (0.1, 0.5, 0.9, 0.95)))
        within = f"within {1e3 * UPDATE_S:.0f} ms {100 * np.mean(told <= 1e3 * UPDATE_S):.0f} % of {len(told)}"
        result = [
            (f"update at {self.label}", [f"tenth, half, nine tenths, 95 %: {tenths} ms", within]),
            (
                "  looked for afresh",
                [f"median {afresh[0]:.0f} ms", f"nine tenths {afresh[1]:.0f} ms"],
            ),
            ("  told at once", [f"{sum(self.quick)} of {len(told)}", f"then otherwise in {len(self.otherwise)}"]),
        ]
        if self.gap_m:
            result.append(
                ("  places apart", [f"median {np.median(self.gap_m):.3f} m", f"worst {max(self.gap_m):.2f} m"])
            )
        return result + [("    otherwise", [one]) for one in self.otherwise]
