"""What a reading says to a person: which side, how much, how sure, steady or not, or why there is no number.

Pure. One place decides, and arrow, words, number and bar all show its answer; the cue decides by the same rule and a
test holds the two together.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from earthward import units
from earthward.daemon.protocol import ReadingMessage
from earthward.display import words
from earthward.display.snapshot import Point, Snapshot

Side = Literal["front", "back", "none"]

#: Below this many sigma no direction is claimed: noise alone passes it in 4.6 % of readings.
CLAIM_SIGMA = 2.0
#: The same false-claim rate for two axes together: sqrt of the 95 % point of chi-square with 2 degrees of freedom.
CLAIM_SIGMA_2D = 2.4477
#: Number off when its newest sample is this old. A little under a second, so that it is gone within one second.
STALE_S = 0.8
#: 95 % of a normal distribution lies within this many sigma.
BAND_SIGMA = 1.96
#: Readings with these flags claim no direction.
NO_SIGN_FLAGS = frozenset({"acquiring", "saturated", "no sign"})
STEADY_S = 2.0


@dataclass(frozen=True, slots=True)
class Meaning:
    blank: str = ""
    """Why there is no number, in capitals; empty = there is one."""
    help: str = ""
    side: Side = "none"
    angle_deg: float = 0.0
    """Direction on the screen: 0 = front (right), 180 = back, anything between with a crossed pair."""
    off_axis_deg: float | None = None
    """Crossed pair only: degrees left (+) or right (-) of the front, -180..180."""
    value_V: float | None = None
    sigma_V: float | None = None
    number: str = ""
    """Magnitude, three digits and at most one point."""
    unit: str = ""
    band: str = ""
    steady: bool = False
    why: str = ""
    age_s: float | None = None
    reading: ReadingMessage | None = None


def side_of(reading: ReadingMessage) -> Side:
    """front, back or none. Below two sigma, saturated or unlocked: none."""
    if reading.value_V is None or not reading.sigma_V or NO_SIGN_FLAGS & set(reading.flags):
        return "none"
    if not math.isfinite(reading.value_V) or abs(reading.value_V) < CLAIM_SIGMA * reading.sigma_V:
        return "none"
    return "front" if reading.value_V > 0 else "back"


def steadiness(trend: tuple[Point, ...], flags: Sequence[str], now_s: float) -> tuple[bool, str]:
    """(steady over the last two seconds?, why not, or what to know all the same).

    Overlapping windows make neighbours alike, so only the spread counts. Pick-up and the like do not make a reading
    unsteady: the detector has put them into its sigma; they are told beside it.
    """
    known = [flag for flag in words.FLAGS if flag in flags]
    for flag in ("saturated", "motion"):
        if flag in known:
            return False, words.FLAGS[flag]
    recent = [p for p in trend[-60:] if p.t_s >= now_s - STEADY_S]
    if len(recent) >= 3:
        values = [p.value_V for p in recent]
        sigma = statistics.median(p.sigma_V for p in recent)
        spread = max(values) - min(values)
        # Six sigma of range is rare for noise; a fifth of the value is what a hand can hold.
        if spread > 6 * sigma and spread > 0.2 * max(abs(v) for v in values):
            return False, words.FLAGS["transient"] if "transient" in known else words.POLE_MOVING
    notes = [flag for flag in known if flag not in ("no sign", "acquiring")]
    return True, words.FLAGS[notes[0]] if notes else ""


def meaning_of(snapshot: Snapshot, now_s: float) -> Meaning:
    """What may be claimed now."""
    if not snapshot.connected:
        gone = max(0.0, now_s - snapshot.changed_s)
        return Meaning(
            blank=words.DISCONNECTED.format(gone), help=words.DISCONNECTED_HELP.format(_short(snapshot.address))
        )
    received = snapshot.readings.get(0)
    if received is None:
        return Meaning(blank=words.NEVER_READ, help=words.NO_SIGNAL_HELP)
    reading, age = received.message, received.age_s(now_s)
    if age > STALE_S:
        return Meaning(blank=words.OLD_DATA.format(max(1.0, age)), help=words.OLD_HELP, age_s=age)
    if reading.value_V is None or reading.sigma_V is None or not math.isfinite(reading.value_V):
        if "saturated" in reading.flags:
            return Meaning(blank=words.SATURATED, help=words.SATURATED_HELP, age_s=age, reading=reading)
        return Meaning(blank=words.ACQUIRING, help=words.NO_SIGNAL_HELP, age_s=age, reading=reading)
    value, sigma = reading.value_V, reading.sigma_V
    side, angle, off_axis = side_of(reading), 0.0, None
    across = snapshot.readings.get(1)
    if snapshot.state is not None and snapshot.state.pair.crossed and across is not None:
        other = across.message
        if across.age_s(now_s) <= STALE_S and other.value_V is not None and other.sigma_V:
            side, angle = _vector_side(reading, other)
            off_axis = angle if side != "none" else None
            sigma = math.hypot(value * sigma, other.value_V * other.sigma_V) / max(
                math.hypot(value, other.value_V), 1e-300
            )
            value = math.copysign(math.hypot(value, other.value_V), value)
    elif side == "back":
        angle = 180.0
    steady, why = steadiness(snapshot.trend, reading.flags, now_s)
    number, unit, band = units.value_and_band(abs(value), BAND_SIGMA * sigma)
    return Meaning(
        side=side,
        angle_deg=angle,
        off_axis_deg=off_axis,
        value_V=value,
        sigma_V=sigma,
        number=number,
        unit=unit,
        band=band,
        steady=steady,
        why=why,
        age_s=age,
        reading=reading,
    )


def _vector_side(along: ReadingMessage, across: ReadingMessage) -> tuple[Side, float]:
    """The horizontal vector, claimed when the two axes together stand out. Channel 1 > 0 = left of front."""
    assert along.value_V is not None and across.value_V is not None
    if (NO_SIGN_FLAGS & (set(along.flags) | set(across.flags))) or not along.sigma_V or not across.sigma_V:
        return "none", 0.0
    if math.hypot(along.value_V / along.sigma_V, across.value_V / across.sigma_V) < CLAIM_SIGMA_2D:
        return "none", 0.0
    angle = math.degrees(math.atan2(across.value_V, along.value_V))
    return ("front" if along.value_V >= 0 else "back"), round(angle / 5) * 5.0


def direction_words(meaning: Meaning, front: str, back: str) -> str:
    """The direction said in words, by the names of the pole's ends."""
    if meaning.side == "none":
        return words.NO_DIRECTION
    if meaning.off_axis_deg is None or abs(meaning.off_axis_deg) in (0.0, 180.0):
        return words.TOWARD.format((front if meaning.side == "front" else back).upper())
    angle = meaning.off_axis_deg
    # Always counted from the front end: "30° left of two rings" could be read from either end.
    template = words.OFF_AXIS_LEFT if angle > 0 else words.OFF_AXIS_RIGHT
    return template.format(abs(angle), front.upper())


def _short(address: str) -> str:
    return address if len(address) <= 40 else "..." + address[-37:]
