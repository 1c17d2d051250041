"""Is the instrument able to find a leak here, today, with these settings? And: is a patched leak gone?

Pure functions of numbers; the daemon and the guided survey call them and keep what they return.

*Test-leak proof*: a small artificial leak (a bare wire end or a capped tube with a known hole, joined to earth) hangs
in the water at a known distance. Readings with it connected and disconnected must differ by at least three times the
background noise before the survey counts. The idea, and the ratio of 3, are those of ASTM D7007 for water-covered
liners (known to us from excerpts); the noise measure is our own: the band that holds 95 % of background readings.

*Re-measurement*: the same stations before and after the repair, with the rest of the current redistributed as charge
conservation demands. (The drop of the injected current itself: `earthward.survey.compare.current_drop`.)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from earthward.errors import InputError

#: least ratio of test-leak signal to background (ASTM D7007)
LEAST_RATIO = 3.0
#: a proof holds for the working day
PROOF_AGE_S = 12 * 3600.0
#: how far the square law may be stretched in a pool
FARTHEST_REACH_M = 1.5
#: half-width of the 95 % band in standard errors
BAND = 1.96
#: relative error of what the field model says about the sink (its located position is not exact)
MODEL_SHARE = 0.08
#: a rest of the signature that the model of the field cannot tell from none
NEGLIGIBLE = 0.05
#: settings whose change asks for a new proof
SETTINGS_THAT_COUNT = (
    "spacing_m", "waveform", "frequency_Hz", "window_s", "full_scale_V", "front_end_gain", "current_limit_A",
    "pair", "receiver", "earth_electrode_m",
)  # fmt: skip

Outcome = Literal["gone", "smaller", "still there", "cannot tell"]


@dataclass(frozen=True, slots=True)
class ProofReading:
    """One reading at the test leak. `connected`: the test leak was joined to earth."""

    value_V: float
    sigma_V: float
    connected: bool


@dataclass(frozen=True, slots=True)
class ProofResult:
    """`ratio` = signal / noise band; `reach_m`: where a leak of that current would just reach the ratio 3."""

    ok: bool
    ratio: float
    signal_V: float
    noise_V: float
    reach_m: float
    text: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def judge_proof(readings: Sequence[ProofReading], distance_m: float, least_ratio: float = LEAST_RATIO) -> ProofResult:
    """Judge the readings taken at one station, `distance_m` from the test leak.

    Signal: difference of the means with and without the leak. Noise: the 95 % band of a background reading, from the
    larger of the readings' own sigma and their scatter. Needs one reading connected and two disconnected.
    """
    if not distance_m > 0.0:
        raise InputError("the distance to the test leak must be above zero metres: measure it with a tape")
    with_leak = [r for r in readings if r.connected]
    without = [r for r in readings if not r.connected]
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
    return ProofResult(ok, ratio, abs(signal), noise, reach, text)


def proof_wanted(
    settings: Mapping[str, Any],
    proven: Mapping[str, Any] | None,
    proven_ok: bool,
    age_s: float | None,
    age_limit_s: float = PROOF_AGE_S,
) -> str | None:
    """Why the test leak has to be read (again) before readings count, or None if the last proof holds.

    `proven`: the settings that the last proof was made with; None = never.
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


@dataclass(frozen=True, slots=True)
class StationPair:
    """One pair position before and after a repair, volts per injected ampere (transfer resistance, ohm).

    `sink_ohm`: what the pair would read there per ampere if all of the current went from the injection electrode to
    this sink (the field model at the located position). `strength_ohm`: size of the field at that station, the root of
    the sum of squares of its readings on all axes: a pole turned by some degrees mixes one axis into the other.
    """

    before_ohm: float
    before_sigma_ohm: float
    after_ohm: float
    after_sigma_ohm: float
    sink_ohm: float
    strength_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class RemeasureResult:
    """`left`: the sink's share of the current afterwards over its share before (1 unchanged, 0 gone)."""

    outcome: Outcome
    left: float
    left_sigma: float
    left_interval: tuple[float, float]
    chi_square_per_dof: float | None
    text: str

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "left_interval": list(self.left_interval)}


def judge_remeasure(
    pairs: Sequence[StationPair], share: float, pose_share: float = 0.12, gone_below: float = 0.25
) -> RemeasureResult:
    """Is the sink gone? Needs no model of the fittings: what they do at each station is taken from the first reading.

    With s the sink's share of the current before, F what the rest does at a station and g = `sink_ohm`: before =
    (1 - s) F + s g, after = (1 - l s) F + l s g. F drops out and l, what is left, follows by weighted least squares.
    `pose_share`: error from holding the pole a little differently, relative to the field at the station. *Gone*: the
    95 % interval of l ends below `gone_below` and reaches a negligible rest; *still there*: it holds 1 and stays above
    `gone_below`; *smaller*: neither none nor all of it can be left; else *cannot tell*.
    """
    if not pairs:
        raise InputError("nothing to compare: read at least one of the earlier stations again after the repair")
    if not 0.0 < share < 1.0:
        raise InputError(f"the sink's share of the current must lie between 0 and 1, not {share:g}")
    rows = []
    for p in pairs:
        rest = (p.before_ohm - share * p.sink_ohm) / (1.0 - share)
        slope = share * (p.sink_ohm - rest)
        own = p.after_sigma_ohm**2 + (p.before_sigma_ohm / (1.0 - share)) ** 2
        size = max(abs(p.before_ohm), p.strength_ohm)
        variance = own + 2.0 * (pose_share * size) ** 2 + (MODEL_SHARE * slope) ** 2
        if not variance > 0.0:
            raise InputError("a reading without uncertainty cannot be compared")
        rows.append((p.after_ohm - rest, slope, variance))
    information = sum(g * g / v for _, g, v in rows)
    if information <= 0.0:
        raise InputError("the stations read again do not see this sink: choose stations close to the finding")
    left = sum(d * g / v for d, g, v in rows) / information
    sigma = 1.0 / math.sqrt(information)
    dof = len(rows) - 1
    chi = sum((d - left * g) ** 2 / v for d, g, v in rows) / dof if dof else None
    if chi is not None and chi > 1.0:
        sigma *= math.sqrt(chi)
    low, high = left - BAND * sigma, left + BAND * sigma
    percent = [f"{100 * max(0.0, v):.0f}" for v in (left, low, high)]
    amount = f"{percent[0]} % of the signal is left ({percent[1]} to {percent[2]} %)"
    outcome: Outcome
    if low <= NEGLIGIBLE and high < gone_below:
        outcome, text = "gone", f"The sink is gone: {amount}."
    elif low <= 1.0 <= high and low > gone_below:
        outcome, text = "still there", f"The sink is still there: {amount}."
    elif low > NEGLIGIBLE and high < 1.0:
        outcome, text = "smaller", f"The sink is smaller but not gone: {amount}. A second hole, or a poor patch?"
    elif low >= 1.0:
        outcome, text = "still there", f"The sink is still there: {amount}."
    else:
        outcome = "cannot tell"
        text = f"Cannot tell whether the sink is gone: {amount}. Read more stations within half a metre of it."
    return RemeasureResult(outcome, left, sigma, (low, high), chi, text)


def _mean(readings: Sequence[ProofReading]) -> float:
    return sum(r.value_V for r in readings) / len(readings)


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(a, b, rel_tol=0.02, abs_tol=1e-12)
    if isinstance(a, (list, tuple)) and isinstance(b, (list, tuple)):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)
