"""Texts that must be in front of a person: on the screen, in the report, in the documents. One place.

No text here calls anything safe, and none advises anyone to defeat bonding, earthing or protection.
"""

from __future__ import annotations

CODES = (
    "Local electrical codes and licensed electricians decide. Nothing this instrument shows replaces either, and no"
    " rule quoted here holds everywhere."
)
WATER = (
    "Nobody in the water, nobody reaching into it, while the source is energised. Somebody watches the pool the whole"
    " time."
)
TINGLE = "Anybody who feels a tingle: everybody out of the water and away from metal, and call a licensed electrician."
BONDING = (
    "Bonding, earthing and protective devices stay as they are: this work never asks to remove, lift or bypass one."
)
MAINS = (
    "The source and the receiver run on batteries only. No charger and no mains-powered computer is connected while in"
    " use."
)
FALL = "Wet decks are slippery, poles are long: keep the pole away from overhead lines."
LOW_READING = (
    "A low reading does not mean that the water is harmless: faults come and go with pumps, lights and neighbours."
)
OWN_LEVELS = (
    "The levels of this check are Earthward's own choice: no standard known to the project gives an action level for"
    " pools."
)
ONE_AXIS = "Measured along one direction only: turn the pole a quarter turn and hold it upright as well."
PAIR_OFFSET = (
    "The two electrodes of the pair differ by themselves by up to some ten millivolts: turn the pair end for end to"
    " tell their offset from a field in the water."
)
TROUBLE = (
    "Stop here. Keep everybody out of the water and away from metal that touches it. Cut the power at the disconnect if"
    " it can be reached dry; do not touch anything else. Call a licensed electrician."
)
METAL = "While energised, do not bridge the water and metal outside it, or the two electrode cables, with your hands."
NO_CLAIM = "No safety integrity level or performance level is claimed for any part of this instrument."
DAMAGED = "A damaged cable, plug or case, or water inside: do not use it."

THUNDER = (
    "Thunder or lightning: off, out of the water, away from poles and cables until half an hour after the last thunder."
)
RESCUE = (
    "Somebody in trouble in the water: emergency stop, cut the power at the disconnect if it can be reached dry, throw"
    " or reach with something dry that does not conduct, do not go in, call for help."
)
#: What a person reads before a visit begins.
BEFORE_WORK: tuple[str, ...] = (WATER, TINGLE, BONDING, MAINS, FALL, DAMAGED, THUNDER, RESCUE, CODES)
#: What is shown while the output is on.
WHILE_ENERGISED: tuple[str, ...] = (WATER, METAL, TINGLE)
#: What goes with every stray-voltage check.
STRAY_CHECK: tuple[str, ...] = (LOW_READING, OWN_LEVELS, TINGLE, CODES)
#: What every report ends with.
REPORT: tuple[str, ...] = (LOW_READING, BONDING, NO_CLAIM, CODES)
