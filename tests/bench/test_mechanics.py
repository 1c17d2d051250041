"""The printed parts' figures: fits, walls, sizes. Read from the sheet that the build wrote; the library that makes the
parts is not needed here, `make -C hardware mechanics` runs it."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "hardware" / "mechanics"
SHEET = json.loads((FOLDER / "sheet.json").read_text(encoding="utf-8"))
#: A common printer's bed (own choice of the smallest).
BED_MM = (220.0, 220.0, 220.0)
#: Three lines of a 0.4 mm nozzle (common practice, no source).
LEAST_WALL_MM = 1.2


def test_the_sheet_is_of_these_parts() -> None:
    digest = hashlib.sha256((FOLDER / "parts.py").read_bytes()).hexdigest()
    assert SHEET["sha256_of_parts"] == digest, "run make -C hardware mechanics"


@pytest.mark.parametrize("name", SHEET["parts"])
def test_a_part_can_be_printed(name: str) -> None:
    part = SHEET["parts"][name]
    assert part["valid"] and part["solids"] == 1
    assert all(size < bed for size, bed in zip(part["size_mm"], BED_MM, strict=True))
    assert part["on_bed_mm"] == pytest.approx(0.0, abs=0.01)
    assert part["thinnest_mm"] >= LEAST_WALL_MM
    assert part["overhang_mm2"] == 0.0


@pytest.mark.parametrize("name", SHEET["fits"])
def test_what_goes_in_fits_without_touching_or_rattling(name: str) -> None:
    """A gap all round: parts go together by hand, and none is so wide that it rattles; boards lie on their posts."""
    fit = SHEET["fits"][name]
    assert fit["overlap_mm3"] == 0.0
    if name in ("board on the insert", "front end in the case"):
        assert fit["clearance_mm"] < 20.0
    else:
        assert 0.1 <= fit["clearance_mm"] <= 0.4


def test_the_head_sinks_and_is_light_enough_for_a_hand() -> None:
    """Solid PETG is heavier than water, so a head that fills through its holes does not float up."""
    head = [SHEET["parts"][n] for n in ("hub_single", "ring_seat", "end_front", "end_back")]
    assert all(part["weight_in_water_g"] > 0 for part in head)
    assert sum(part["mass_g"] for part in head) < 500


def test_the_conduits_make_the_spacing() -> None:
    """Hub's half, visible conduit, end piece up to the rod: half of 300 mm (written out apart from the model)."""
    socket, rod, ring = 30.0, 6.0, 50.0
    visible = SHEET["conduit_length_mm"] - 2 * socket
    assert ring / 2 + socket + visible + socket + rod == pytest.approx(150.0)
