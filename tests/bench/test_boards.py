"""The boards' files: do they join what the circuits join, does the comparison see planted errors, are the rules kept?

KiCad is not needed for most of it: the board files are read as text, and the outcome of KiCad's own check lies beside
each board with the digest of what was checked. Where KiCad is installed, its rules are tried on planted errors too.
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import math
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hardware.boards import boards, compare, packages, parts_list, schematic, sexpr
from hardware.boards.model import HERE, BoardSpec
from hardware.boards.reader import Copper, PadOnBoard, Track, Via
from tests.support.board_files import board_file

ROOT = Path(__file__).parents[2]
KICAD_PYTHON = "/usr/bin/python3"
SYMBOLS = Path("/usr/share/kicad/symbols")
SPECS = boards()


def _has_kicad() -> bool:
    if shutil.which(KICAD_PYTHON) is None:
        return False
    return (
        subprocess.run([KICAD_PYTHON, "-c", "import pcbnew, numpy"], capture_output=True, check=False).returncode == 0
    )


needs_kicad = pytest.mark.skipif(not _has_kicad(), reason="install the Debian packages kicad and kicad-footprints")
needs_symbols = pytest.mark.skipif(not SYMBOLS.exists(), reason="install the Debian package kicad-symbols")


@pytest.mark.long  # two thousand pieces of copper against each other
def test_the_source_board_joins_what_the_circuit_joins(source: Copper) -> None:
    assert compare.compare(SPECS["source"], source) == []


def test_the_front_end_joins_what_the_circuit_joins(small: Copper) -> None:
    assert compare.compare(SPECS["front_end"], small) == []


# ---- ten layout errors, planted -----------------------------------------------------------------------------


def _longest(copper: Copper, net: str) -> Track:
    return max(
        (t for t in copper.tracks if t.net == net), key=lambda t: math.dist((t.x0_mm, t.y0_mm), (t.x1_mm, t.y1_mm))
    )


def _pad(copper: Copper, ref: str, number: str) -> PadOnBoard:
    return next(p for p in copper.pads if (p.ref, p.number) == (ref, number))


def _without(copper: Copper, track: Track) -> Copper:
    return dataclasses.replace(copper, tracks=tuple(t for t in copper.tracks if t is not track))


def _with(copper: Copper, *tracks: Track) -> Copper:
    return dataclasses.replace(copper, tracks=(*copper.tracks, *tracks))


def _renamed(copper: Copper, ref: str, change: dict[str, str]) -> Copper:
    pads = tuple(
        dataclasses.replace(p, number=change[p.number]) if p.ref == ref and p.number in change else p
        for p in copper.pads
    )
    return dataclasses.replace(copper, pads=pads)


def track_lost(c: Copper) -> Copper:
    return _without(c, _longest(c, "sda"))


def track_on_the_other_layer(c: Copper) -> Copper:
    t = _longest(c, "f1")
    return _with(_without(c, t), dataclasses.replace(t, layer=1 - t.layer))


def via_lost(c: Copper) -> Copper:
    net = next(v.net for v in c.vias if v.net != "0")
    return dataclasses.replace(c, vias=tuple(v for v in c.vias if v.net != net))


def short_between_two_nets(c: Copper) -> Copper:
    a, b = _pad(c, "J2", "1"), _pad(c, "J2", "2")
    return _with(c, Track("front", 1, a.x_mm, a.y_mm, b.x_mm, b.y_mm, 0.3))


def via_on_a_foreign_track(c: Copper) -> Copper:
    t = _longest(c, "scl")
    other = _pad(c, "U1", "7")
    x, y = (t.x0_mm + t.x1_mm) / 2, (t.y0_mm + t.y1_mm) / 2
    bridge = Track("ain0", 1 - t.layer, x, y, other.x_mm, other.y_mm, 0.3)
    return dataclasses.replace(_with(c, bridge), vias=(*c.vias, Via("ain0", x, y, 0.8)))


def part_turned_round(c: Copper) -> Copper:
    return _renamed(c, "Z1", {"1": "2", "2": "1"})


def transistor_mirrored(c: Copper) -> Copper:
    return _renamed(c, "Q1", {"1": "2", "2": "1"})


def part_missing(c: Copper) -> Copper:
    return dataclasses.replace(
        c,
        pads=tuple(p for p in c.pads if p.ref != "C1"),
        footprints={ref: name for ref, name in c.footprints.items() if ref != "C1"},
    )


def wrong_footprint(c: Copper) -> Copper:
    return dataclasses.replace(c, footprints=c.footprints | {"R7": packages.PACKAGES["film01"].footprint})


def unused_pin_joined(c: Copper) -> Copper:
    """The two pins that belong to an EEPROM stay free: one of them tied to ground."""
    a, b = _pad(c, "J1", "27"), _pad(c, "J1", "25")
    return _with(c, Track("0", 0, a.x_mm, a.y_mm, b.x_mm, b.y_mm, 0.3))


@pytest.mark.parametrize(
    "error, word",
    [
        (track_lost, "net sda is in 2 pieces"),
        (track_on_the_other_layer, "pieces"),
        (via_lost, "pieces"),
        (short_between_two_nets, "copper joins the nets back, front"),
        (via_on_a_foreign_track, "ain0"),
        (part_turned_round, "Z1 pad"),
        (transistor_mirrored, "Q1 pad"),
        (part_missing, "C1 is in the circuit but not on the board"),
        (wrong_footprint, "R7 has footprint"),
        (unused_pin_joined, "J1 pad 27, which the circuit leaves free"),
    ],
)
def test_a_planted_error_is_found(small: Copper, error: Callable[[Copper], Copper], word: str) -> None:
    said = compare.compare(SPECS["front_end"], error(small))
    assert any(word in sentence for sentence in said), said


# ---- rules --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SPECS)
def test_the_check_beside_a_board_is_of_this_board_and_clean(name: str) -> None:
    told = json.loads((HERE / name / "checked.json").read_text(encoding="utf-8"))
    path = board_file(name)
    together = path.read_bytes() + path.with_suffix(".kicad_dru").read_bytes()
    assert told["sha256"] == hashlib.sha256(together).hexdigest(), "run make -C hardware boards"
    assert told["errors"] == 0


@pytest.mark.parametrize("name", SPECS)
def test_every_rule_of_the_description_is_a_rule_of_the_board(name: str) -> None:
    text = board_file(name).with_suffix(".kicad_dru").read_text(encoding="utf-8")
    project = json.loads(board_file(name).with_suffix(".kicad_pro").read_text(encoding="utf-8"))
    classes = {c["name"]: set(c["nets"]) for c in project["net_settings"]["classes"]}
    for rule in SPECS[name].rules:
        assert f"A.NetClass == '{rule.first}' && B.NetClass == '{rule.second}'" in text
        assert f"(min {rule.clearance_mm:g}mm)" in text
        assert rule.source
    for c in SPECS[name].classes:
        assert classes[c.name] == {"GND" if net == "0" else net for net in c.nets}


@needs_kicad
@pytest.mark.long  # starts KiCad
@pytest.mark.parametrize("apart_mm, errors", [(5.9, True), (6.1, False)])
def test_kicads_rules_catch_a_clearance_below_the_limit(tmp_path: Path, apart_mm: float, errors: bool) -> None:
    """Two tracks, one of the battery's nets and one of an electrode's, under the source board's own rules."""
    program = f"""
import pcbnew, pathlib
from hardware.boards import layout, finish, source_board
spec, path = source_board.spec(), pathlib.Path({str(tmp_path)!r}) / "source.kicad_pcb"
path.with_suffix(".kicad_pro").write_text(layout.project_text(spec))
path.with_suffix(".kicad_dru").write_text(layout.rules_text(spec))
board = pcbnew.NewBoard(str(path))
for net in ("bp", "A"):
    board.Add(pcbnew.NETINFO_ITEM(board, net))
for a, b in (((0, 0), (40, 0)), ((40, 0), (40, 40)), ((40, 40), (0, 40)), ((0, 40), (0, 0))):
    layout._segment(board, a, b)
from hardware.boards.reader import Track
finish.add_copper(board, [Track("bp", 0, 10, 10, 30, 10, 0.5),
                          Track("A", 0, 10, 10.5 + {apart_mm}, 30, 10.5 + {apart_mm}, 0.5)], [])
pcbnew.SaveBoard(str(path), board)
path.with_suffix(".kicad_pro").write_text(layout.project_text(spec))
print("clearance" in finish.findings(finish.rule_report(path)))
"""
    done = subprocess.run(
        [KICAD_PYTHON, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.stdout.split()[-1] == str(errors)


# ---- parts --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SPECS)
def test_the_parts_list_is_the_circuits(name: str) -> None:
    rows = list(csv.reader((HERE / name / "bom.csv").open(encoding="utf-8", newline="")))
    assert tuple(rows[0]) == parts_list.HEAD
    assert [tuple(row) for row in rows[1:]] == parts_list.rows(name)
    listed = {ref for row in rows[1:] for ref in row[0].split() if "(holder)" not in row[0]}
    assert listed == {part.ref for part in SPECS[name].parts}
    assert all(row[4] and row[5] for row in rows[1:])


def test_makers_numbers_carry_the_value() -> None:
    assert parts_list.letters(4.99) == "4R99" and parts_list.letters(1600) == "1K6" and parts_list.letters(1e6) == "1M"
    assert parts_list.digits(274) == "2740" and parts_list.digits(47) == "47R0"
    assert (
        parts_list.farads(100e-9) == "104" and parts_list.farads(22e-12) == "220" and parts_list.farads(10e-6) == "106"
    )


def _pins(library: str, name: str) -> dict[str, str]:
    """Pad -> pin name of a symbol of KiCad's library; a symbol that extends another has its pins."""
    text = (SYMBOLS / f"{library}.kicad_sym").read_text(encoding="utf-8")
    while True:
        start = text.index(f'\n  (symbol "{name}"')
        node = sexpr.parse(text[start : text.index("\n  )", start) + 4])
        parent = sexpr.child(node, "extends")
        if parent is None:
            break
        name = sexpr.text(parent)
    found = {}
    for unit in sexpr.children(node, "symbol"):
        for pin in sexpr.children(unit, "pin"):
            number, label = sexpr.child(pin, "number"), sexpr.child(pin, "name")
            assert number is not None and label is not None
            found[sexpr.text(number)] = sexpr.text(label)
    return found


@needs_symbols
@pytest.mark.long  # KiCad's libraries are large
def test_pads_are_those_of_the_library() -> None:
    """Pin names of KiCad's symbols, a second source beside the data sheets from memory."""
    mcu = _pins("MCU_Microchip_ATmega", "ATmega328P-A")
    for pin, pads in packages.MCU_PADS.items():
        for pad in pads.split("+"):
            assert pin.replace("RESET", "~{RESET}") in mcu[pad].split("/")[0], (pin, pad)
    assert _pins("Transistor_BJT", "BC547") == {"1": "C", "2": "B", "3": "E"}
    assert packages.PACKAGES["npn"].pads == (("1",), ("2",), ("3",))
    for name in ("BSS138", "BSS84"):
        assert _pins("Transistor_FET", name) == {"1": "G", "2": "S", "3": "D"}
    assert packages.PACKAGES["nmos"].pads == (("3",), ("1",), ("2",))
    amplifier = _pins("Amplifier_Current", "INA240A1D")
    assert {amplifier[p] for p in ("8", "1", "6", "7")} == {"+", "-", "V+", "REF1"}
    regulator = _pins("Regulator_Linear", "LP2951-3.0_SOIC")
    assert [regulator[p] for p in ("8", "1", "7", "4", "3")] == ["IN", "OUT", "FEEDBACK", "GND", "SHUTDOWN"]
    quad = _pins("Amplifier_Operational", "MCP6004")
    for pads in packages.QUARTERS.values():
        assert [quad[p] for p in pads.split()][:2] == ["+", "-"]
    assert _pins("Reference_Voltage", "LM4040DBZ-2.5")["1"] == "K"


def test_a_board_has_every_part_that_is_not_in_the_case() -> None:
    spec: BoardSpec = SPECS["source"]
    assert not {part.ref for part in spec.parts} & packages.OFF_BOARD
    assert set(spec.placement()) == {part.ref for part in spec.parts}


# ---- schematic sheets


@pytest.mark.parametrize("name", SPECS)
def test_the_sheets_say_what_the_circuit_says(name: str) -> None:
    """Read back from the files: pins, wires, joints, names and supplies as KiCad joins them."""
    said: dict[tuple[str, str], str] = {}
    for path in sorted((HERE / name).glob("*.kicad_sch")):
        if path.stem != name:
            said |= schematic.nets_of(path)
    assert said == {(part.ref, pad): net for part in SPECS[name].parts for pad, net in part.pads.items()}


@pytest.mark.parametrize("name", SPECS)
def test_the_root_sheet_names_every_sheet_and_part(name: str) -> None:
    root = sexpr.parse((HERE / name / f"{name}.kicad_sch").read_text(encoding="utf-8"))
    listed = next(sexpr.children(root, "symbol_instances"))
    refs = {sexpr.text(next(sexpr.children(row, "reference"))) for row in sexpr.children(listed, "path")}
    refs = {ref for ref in refs if not ref.startswith("#")}  # supplies are symbols too
    assert refs == {part.ref for part in SPECS[name].parts}
    files = {sexpr.text(p, 2) for s in sexpr.children(root, "sheet") for p in sexpr.children(s, "property")
             if sexpr.text(p) == "Sheet file"}  # fmt: skip
    assert files == {p.name for p in (HERE / name).glob("*.kicad_sch")} - {f"{name}.kicad_sch"}
