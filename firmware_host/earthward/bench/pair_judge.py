"""A pair's sheet: limits with their reasons, and the defect that the values together point at.

Limits are this project's own choice unless they say more, from what the lock-in and the search can bear.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from earthward.bench.bands import Band, Line, judge, overall, verdict
from earthward.bench.bands import Verdict as Verdict
from earthward.signal.electrodes import DRIFT_V_PER_MIN, OFFSET_V

Values = Mapping[str, float | None]
INF = math.inf
BANDS: tuple[Band, ...] = (
    Band("polarity", "", (1, INF), (1, INF), "A is clipped to the front electrode, B to the back one",
         "every sign on the screen would be wrong", "exchange pins 1 and 2 of the plug"),
    Band("front_ohm", "ohm", (15, 1000), (15, 5000), "front electrode to ring at the drive nearest 36 Hz",
         "with the converter's 710 kohm, 5 kohm more cost 0.7 % of every reading", "clean the front electrode"),
    Band("back_ohm", "ohm", (15, 1000), (15, 5000), "the same, back electrode",
         "with the converter's 710 kohm, 5 kohm more cost 0.7 % of every reading", "clean the back electrode"),
    Band("match", "", (0.0, 0.5), (0.0, 0.9), "difference of the two over their mean",
         "unlike electrodes turn the water's swing into false signal", "clean both, or pair alike ones"),
    Band("front_F", "F", (15e-6, INF), (4e-6, INF), "double layer, by the part that lags below 45 Hz",
         "20 uF stand for about 1 cm2 of clean metal (10 to 40 uF/cm2, from memory)",
         "sand the front electrode, or replace it by one with more surface"),
    Band("back_F", "F", (15e-6, INF), (4e-6, INF), "the same, back electrode",
         "20 uF stand for about 1 cm2 of clean metal (10 to 40 uF/cm2, from memory)",
         "sand the back electrode, or replace it by one with more surface"),
    Band("offset_V", "V", (0, OFFSET_V[0]), (0, OFFSET_V[1]), "mean with the source off",
         "it takes room of the converter's smallest range, and unlike metals corrode", "pair electrodes of one bar"),
    Band("drift_V_per_min", "V/min", (0, DRIFT_V_PER_MIN[0]), (0, DRIFT_V_PER_MIN[1]), "slope with the source off",
         "an electrode that still moves makes the range change", "let them soak together overnight"),
    Band("allan_V", "V", (0, 100e-6), (0, 400e-6), "Allan deviation at 8 s",
         "so much do two holds of one place differ before the lock-in takes it out", "let them soak, keep the sun off"),
    Band("noise_ratio", "", (0, 1.8), (0, 3.5), "noise of a conversion over the converter's own, inputs joined",
         "each factor in noise costs it in reach", "look for an unlike pair, a damp plug, a lamp or a charger near by"),
    Band("mains_V", "V", (0, 10e-3), (0, 60e-3), "strongest supply, rms", "a tenth of the smallest range",
         "mend the cable's screen at head and plug"),
    Band("steps_per_min", "1/min", (0, 0.5), (0, 2), "jumps of the level while nobody touches it",
         "nothing in still water jumps", "solder the joint in head or plug anew"),
    Band("settle_s", "s", (0, 4), (0, 9), "from a knock until the level stays", "a hold lasts some 5 s",
         "fix the electrodes so that they do not move in their holder, and let bubbles off"),
    Band("gain_ratio", "", (0.985, 1.015), (0.97, 1.03), "known divider at the plug, gain as configured",
         "resistors at 1 %", "run earthward calibrate, or look at R1 to R4"),
    Band("zero_V", "V", (-50e-6, 50e-6), (-150e-6, 150e-6), "inputs joined at the plug", "offset of the converter",
         "clean flux and damp off the inputs"),
    Band("floor_V", "V", (0, 14e-6), (0, 25e-6), "noise with the inputs joined", "8 uV at the smallest range (from "
         "memory), a little more at 860 samples/s", "look at the supply's capacitors and keep the radio away"),
)  # fmt: skip
BY_NAME = {band.name: band for band in BANDS}
DRY_OHM, SILENT_OHM, FILM_OHM = 20e3, 15.0, 1000.0


@dataclass(frozen=True, slots=True)
class Defect:
    """What is wrong, in one phrase. `where`: front, back or empty."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """Lines, the worst verdict, and the defect they point at (None: nothing is wrong)."""

    lines: list[Line]
    verdict: Verdict
    defect: Defect | None


def sheet(values: Values) -> Sheet:
    lines = judge(BANDS, values)
    return Sheet(lines, overall(lines), name_defect(values))


def _out(values: Values, name: str) -> bool:
    return verdict(BY_NAME[name], values.get(name)) in ("watch", "replace")


def _is(values: Values, name: str, wanted: Callable[[float], bool]) -> bool:
    value = values.get(name)
    return value is not None and wanted(value)


def name_defect(values: Values) -> Defect | None:
    """The first that fits, most fundamental first: a broken wire also hums, and hum looks like jumps."""
    for end in ("front", "back"):
        if _is(values, f"{end}_ohm", lambda ohm: ohm > DRY_OHM):
            return Defect(f"{end} electrode dry", f"the {end} electrode does not touch the water, or is all covered")
    silent = [end for end in ("front", "back") if _is(values, f"{end}_ohm", lambda ohm: ohm < SILENT_OHM)]
    if len(silent) == 2:
        return Defect("wires joined", "front and back touch each other, or salt water is inside the plug")
    if silent:
        return Defect(f"{silent[0]} wire open", f"the {silent[0]} electrode does not reach the plug: mend its wire")
    if _is(values, "polarity", lambda sign: sign < 0):
        return Defect("front and back exchanged", f"{BY_NAME['polarity'].why}: {BY_NAME['polarity'].remedy}")
    if _out(values, "gain_ratio"):
        return Defect("wrong gain", BY_NAME["gain_ratio"].remedy)
    if _out(values, "floor_V"):
        return Defect("noisy receiver", "the receiver by itself is noisy, not the pair: " + BY_NAME["floor_V"].remedy)
    if _out(values, "zero_V"):
        return Defect("receiver's zero", BY_NAME["zero_V"].remedy)
    for end in ("front", "back"):
        if _out(values, f"{end}_F") and _is(values, f"{end}_F", lambda farad: farad < BY_NAME["front_F"].good[0]):
            return Defect(f"{end} electrode too small", f"little clean metal is left: {BY_NAME[f'{end}_F'].remedy}")
    for end in ("front", "back"):
        if _is(values, f"{end}_ohm", lambda ohm: ohm > FILM_OHM):
            return Defect(f"{end} electrode fouled", f"a film of grease or lime: clean the {end} electrode")
    return _by_curve(values)


def _by_curve(values: Values) -> Defect | None:
    for name, defect, text in (
        ("mains_V", "screen broken", BY_NAME["mains_V"].remedy),
        ("steps_per_min", "loose contact", "a joint that opens and closes: " + BY_NAME["steps_per_min"].remedy),
        ("drift_V_per_min", "not soaked", "one electrode is still settling: " + BY_NAME["drift_V_per_min"].remedy),
        ("offset_V", "unlike metals", BY_NAME["offset_V"].remedy),
        ("settle_s", "slow after a knock", BY_NAME["settle_s"].remedy),
        ("noise_ratio", "noisy pair", BY_NAME["noise_ratio"].remedy),
        ("allan_V", "wandering", BY_NAME["allan_V"].remedy),
        ("match", "unlike electrodes", BY_NAME["match"].remedy),
    ):
        if _out(values, name):
            return Defect(defect, text)
    return None
