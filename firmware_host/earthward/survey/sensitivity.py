"""Is the instrument able to find a leak here, today, with these settings?

Pure functions of numbers; the daemon and the guided survey call them and keep what they return.

*Sensitivity test*: a small artificial leak (a bare wire end or a capped tube with a known hole, joined to earth) hangs
in the water at a known distance. Readings with it connected and disconnected must differ by at least three times the
background noise before the survey counts. The idea, and the ratio of 3, are those of ASTM D7007 for water-covered
liners (known to us from excerpts); the noise measure is our own: the band that holds 95 % of background readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from earthward.errors import InputError
from earthward.inversion.compare import BAND
from earthward.record.reading import KeptReading

#: least ratio of test-leak signal to background (ASTM D7007)
LEAST_RATIO = 3.0
#: a sensitivity test holds for the working day
TEST_AGE_S = 12 * 3600.0
#: how far the square law may be stretched in a pool
FARTHEST_REACH_M = 1.5
#: settings whose change asks for a new sensitivity test
SETTINGS_THAT_COUNT = (
    "spacing_m", "waveform", "frequency_Hz", "window_s", "full_scale_V", "front_end_gain", "current_limit_A",
    "pair", "receiver", "earth_electrode_m",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SensitivityResult:
    """`ratio` = signal / noise band; `reach_m`: where a leak of that current would just reach the ratio 3."""

    ok: bool
    ratio: float
    signal_V: float
    noise_V: float
    reach_m: float
    text: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def judge_sensitivity(
    readings: Sequence[KeptReading], distance_m: float, least_ratio: float = LEAST_RATIO
) -> SensitivityResult:
    """Judge the readings taken at one station, `distance_m` from the test leak.

    Signal: difference of the means with and without the leak. Noise: the 95 % band of a background reading, from the
    larger of the readings' own sigma and their scatter. Needs one reading connected and two disconnected. Of a head
    with several pairs the first counts: it is the one that the test leak hangs ahead of.
    """
    if not distance_m > 0.0:
        raise InputError("the distance to the test leak must be above zero metres: measure it with a tape")
    readings = [r for r in readings if r.channel == 0]
    with_leak = [r for r in readings if r.test_leak == "connected"]
    without = [r for r in readings if r.test_leak == "disconnected"]
    if not with_leak or len(without) < 2:
        raise InputError("the test leak needs at least one reading connected and two disconnected at the same station")
    signal = _mean(with_leak) - _mean(without)
    own = math.sqrt(sum(r.sigma_V**2 for r in without) / len(without))
    mean = _mean(without)
    scatter = math.sqrt(sum((r.value_V - mean) ** 2 for r in without) / (len(without) - 1))
    noise = BAND * max(own, scatter)
    if noise <= 0.0:
        raise InputError("the background readings have no noise at all: the receiver is not measuring")
    ratio = abs(signal) / noise
    ok = ratio >= least_ratio
    # Near a small sink the gradient falls with the square of the distance; floor and surface end that.
    reach = min(FARTHEST_REACH_M, distance_m * math.sqrt(ratio / least_ratio))
    if ok:
        text = (
            f"Test leak seen at {distance_m:.2f} m with {ratio:.1f} times the background (at least {least_ratio:.0f} "
            f"needed): the survey counts, with readings no farther apart than about {2 * reach:.1f} m."
        )
    else:
        text = (
            f"Test leak not seen well enough at {distance_m:.2f} m: {ratio:.1f} times the background, "
            f"{least_ratio:.0f} needed. Wet the earth electrode, cover strong fittings or use a longer window, "
            "then repeat."
        )
    return SensitivityResult(ok, ratio, abs(signal), noise, reach, text)


def sensitivity_wanted(
    settings: Mapping[str, Any],
    proven: Mapping[str, Any] | None,
    proven_ok: bool,
    age_s: float | None,
    age_limit_s: float = TEST_AGE_S,
) -> str | None:
    """Why the test leak has to be read (again) before readings count, or None if the last sensitivity test holds.

    `proven`: the settings that the last sensitivity test was made with; None = never.
    """
    if proven is None or age_s is None:
        return "the test leak has not been read yet"
    if not proven_ok:
        return "the last test leak was not seen well enough"
    if age_s > age_limit_s:
        return f"the test leak was read {age_s / 3600:.0f} h ago: repeat it once a day"
    changed = [key for key in SETTINGS_THAT_COUNT if not _same(settings.get(key), proven.get(key))]
    if changed:
        return f"{', '.join(changed)} changed since the test leak was read: repeat it"
    return None


def _mean(readings: Sequence[KeptReading]) -> float:
    return sum(r.value_V for r in readings) / len(readings)


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(a, b, rel_tol=0.02, abs_tol=1e-12)
    if isinstance(a, (list, tuple)) and isinstance(b, (list, tuple)):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)
