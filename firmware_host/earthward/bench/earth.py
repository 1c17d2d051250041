"""The earth electrode's resistance by fall of potential: three places of the potential probe on one line.

Current is sent from the electrode under test to an auxiliary electrode at distance D; a probe between them at x reads
R(x) = V/I. With hemispheres in even ground the true resistance stands at x/D = 0.618 (G. F. Tagg, Earth Resistances,
1964; IEEE Std 81, both from memory): the root of 1/x + 1/D = 1/(D - x). Readings a tenth of D to either side tell
whether there is a plateau: without one the auxiliary electrode is too near, and the value means nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from earthward.bench.bands import Band
from earthward.errors import InputError

#: x/D at which hemispheres show their true resistance: (sqrt(5) - 1) / 2.
TRUE_AT = (math.sqrt(5.0) - 1.0) / 2.0
PLACES = (TRUE_AT - 0.1, TRUE_AT, TRUE_AT + 0.1)

BANDS = (
    Band("earth_ohm", "ohm", (0.0, 300.0), (0.0, 1000.0), "at 0.618 of the distance",
         "above 300 ohm it takes more than a fifth of the source's voltage", "drive it deeper, wet the ground round "
         "it, or join a second one 2 m away"),
    Band("plateau", "", (-0.05, 0.05), (-0.10, 0.10), "slope of the three readings over their mean",
         "readings that differ by more than 5 % are no plateau: the electrodes' own fields overlap",
         "set the auxiliary electrode farther out, to ten times the driven depth, and measure again"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EarthResult:
    """earth_ohm: at 61.8 %; plateau: half the difference of the outer readings over the mean."""

    earth_ohm: float
    plateau: float

    @property
    def values(self) -> dict[str, float | None]:
        return {"earth_ohm": self.earth_ohm, "plateau": self.plateau}


def fall_of_potential(distance_m: float, probe_m: tuple[float, ...], ohm: tuple[float, ...]) -> EarthResult:
    """From three probe places in line and the ohms read there. InputError where they are not what the rule wants."""
    if len(probe_m) != 3 or len(ohm) != 3:
        raise InputError("three places of the probe and three readings are wanted")
    if not distance_m > 0 or not all(0 < x < distance_m for x in probe_m) or list(probe_m) != sorted(probe_m):
        raise InputError("the probe's places must lie between the two electrodes, in rising order, in metres")
    wanted = [share * distance_m for share in PLACES]
    if any(abs(x - w) > 0.03 * distance_m for x, w in zip(probe_m, wanted, strict=True)):
        raise InputError(
            f"set the probe at {wanted[0]:.2f}, {wanted[1]:.2f} and {wanted[2]:.2f} m for {distance_m:g} m between the "
            "electrodes"
        )
    if min(ohm) <= 0:
        raise InputError("a resistance of zero or less: front and back of the pair are exchanged, or nothing flows")
    return EarthResult(ohm[1], 0.5 * (ohm[2] - ohm[0]) / (sum(ohm) / 3))
