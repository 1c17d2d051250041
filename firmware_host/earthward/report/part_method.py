"""The report's method, limits and cautions."""

from __future__ import annotations

from earthward.report.blocks import (
    Block,
    Bullets,
    Heading,
    Paragraph,
)
from earthward.survey.contents import Contents

METHOD = (
    "A battery-powered source drives a small, charge-balanced, current-limited alternating current from an electrode "
    "in the water to one in the soil. A sound vinyl liner insulates, so the current leaves the water only where the "
    "liner has a hole or where a fitting joins water to earth. A pair of electrodes on a pole measures the direction "
    "and strength of the current in the water at many stations; a model of the pool's field turns all readings "
    "together into the places where current leaves, each with a region of 90 % probability."
)
LIMITS = [
    "The method sees where current leaves the water. It does not see leaks in pipes, and a fitting may take current "
    "without losing water: only a dye test that draws dye makes a finding a leak.",
    "A hole over a dry void or dry soil carries no current and stays unseen. The reading of a test leak on the day "
    "shows that the instrument could see one, not that there is none elsewhere.",
    "Hole sizes and flows follow from the electrical strength only within wide intervals, because the soil behind "
    "the liner is not known.",
    "Positions are as good as the tape and the pole: about 0.1 m per station goes into the stated regions.",
    "Intervals of water loss hold 95 % and carry reading error, the spread of published evaporation methods, and "
    "exposure; the tables say what was assumed.",
]
CAUTIONS = [
    "Nobody may be in the water while the source is energised.",
    "Do not remove, lift or bypass bonding, earthing or protective devices. Any tingle, or a voltage found in the "
    "water with the source off, means: out of the water and call a licensed electrician.",
    "Local electrical codes and licensed electricians decide; this report replaces neither.",
]


def method(record: Contents) -> list[Block]:
    blocks: list[Block] = [Heading("Method and limits"), Paragraph(METHOD), Bullets(LIMITS)]
    if record.settings:
        number, last = sorted(record.settings.items())[-1]
        text = ", ".join(f"{k} {'automatic' if v is None else v}" for k, v in last.items())
        blocks.append(Paragraph(f"Measuring settings (no. {number}): {text}.", "small"))
    blocks += [Heading("Cautions", 2), *[Paragraph(c, "caution") for c in CAUTIONS]]
    return blocks
