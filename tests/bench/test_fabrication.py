"""What goes to the maker is read back and compared; what is made anew is compared with what is kept. Here the readers
on files that a person wrote, and on planted differences; the real files are made and read by `make -C hardware`.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from hardware import again
from hardware.boards import fab_reader, schematic
from hardware.boards.model import HERE
from hardware.boards.reader import Copper, PadOnBoard, Track, Via

COPPER = Copper(
    pads=(
        PadOnBoard("R1", "1", "a", 10.0, 10.0, 1.0, 1.0, 0.0, False, 0.0, frozenset({0})),
        PadOnBoard("R1", "2", "0", 13.0, 10.0, 1.0, 1.0, 0.0, False, 0.8, frozenset({0, 1})),
    ),
    tracks=(Track("a", 0, 10.0, 10.0, 10.0, 14.0, 0.3),), vias=(Via("a", 10.0, 14.0, 0.8),), areas=(), places={},
    footprints={"R1": "some:thing"},
)  # fmt: skip
PAD_2 = "%TO.P,R1,2*%\n%TO.N,GND*%\nX53000000Y-50000000D03*\n%TD*%\n"
TOP = (
    "%TO.P,R1,1*%\n%TO.N,a*%\nX50000000Y-50000000D03*\n" + PAD_2 + "%TO.N,a*%\nX50000000Y-54000000D02*\n"
    "X50000000Y-50000000D01*\n%TD*%\nG36*\nX1Y1D02*\nX2Y2D01*\nG37*\n"
)
DRILLS = "T1C0.400\nT2C0.800\n%\nT1\nX50.0Y-54.0\nT2\nX53.0Y-50.0\nM30\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "b-F_Cu.gbr").write_text(TOP, encoding="utf-8")
    (tmp_path / "b-B_Cu.gbr").write_text(PAD_2, encoding="utf-8")
    (tmp_path / "b-PTH.drl").write_text(DRILLS, encoding="utf-8")
    (tmp_path / "b-NPTH.drl").write_text("M30\n", encoding="utf-8")
    (tmp_path / "b_positions.csv").write_text("ref\nR1\n", encoding="utf-8")
    return tmp_path


def test_files_that_are_the_boards_agree(folder: Path) -> None:
    assert fab_reader.compare("b", folder, COPPER) == []


@pytest.mark.parametrize(
    "name, old, new, words",
    [
        ("b-F_Cu.gbr", "%TO.N,a*%\nX50000000Y-50000000D03", "%TO.N,b*%\nX50000000Y-50000000D03", "pads of F.Cu"),
        ("b-F_Cu.gbr", "X50000000Y-50000000D03", "X50010000Y-50000000D03", "pads of F.Cu"),
        ("b-F_Cu.gbr", "X50000000Y-50000000D01*\n", "", "tracks of F.Cu"),
        ("b-B_Cu.gbr", PAD_2, "", "pads of B.Cu"),
        ("b-PTH.drl", "T2C0.800", "T2C0.900", "holes"),
        ("b-PTH.drl", "X50.0Y-54.0\n", "", "holes: 1 are missing"),
        ("b_positions.csv", "R1", "R2", "positions: R1 is missing"),
    ],
)
def test_a_planted_difference_is_found(folder: Path, name: str, old: str, new: str, words: str) -> None:
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text
    (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    assert any(words in said for said in fab_reader.compare("b", folder, COPPER))


def test_values_made_anew_may_differ_in_the_last_digit_only() -> None:
    kept = {"size_mm": [110.0, 50.0], "mass_g": 135.8, "valid": True}
    assert again._values_differ(kept, {"size_mm": [110.0, 50.01], "mass_g": 135.8, "valid": True}) == []
    assert again._values_differ(kept, {"size_mm": [110.0, 51.0], "mass_g": 135.8, "valid": True})
    assert again._values_differ(kept, {"size_mm": [110.0, 50.0], "mass_g": 140.0, "valid": True})
    assert again._values_differ(kept, {"size_mm": [110.0, 50.0], "mass_g": 135.8})


@pytest.mark.parametrize("what", ["wire", "name", "supply"])
def test_a_sheet_that_lost_something_is_found(tmp_path: Path, what: str) -> None:
    """The reader joins as KiCad does: what hangs in the air has no net, or another one."""
    path = tmp_path / "bridge.kicad_sch"
    shutil.copy(HERE / "source" / "bridge.kicad_sch", path)
    whole = schematic.nets_of(path)
    text = path.read_text(encoding="utf-8")
    pattern = {
        "wire": r"\n  \(wire\n.*?\n  \)",
        "name": r"\n  \(global_label\n?.*?\n  \)",
        "supply": r'\n  \(symbol\n    \(lib_id "earthward:power_GND"\).*?\n  \)',
    }[what]
    changed = re.sub(pattern, "", text, count=1, flags=re.S)
    assert changed != text
    path.write_text(changed, encoding="utf-8")
    try:
        assert schematic.nets_of(path) != whole
    except ValueError as wrong:
        assert "is joined to" in str(wrong)
