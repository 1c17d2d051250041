"""Writes a board with parts, outline, slots, texts, rules and ground areas, but without tracks; later adds the tracks.

Runs under the Python that has KiCad's module `pcbnew` (Debian: /usr/bin/python3, package kicad).

    python3 -m hardware.boards.layout source build/source      unrouted board with its rules
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pcbnew
from hardware.boards import boards, silk
from hardware.boards.footprints import LIBRARY
from hardware.boards.model import BoardSpec, Point
from hardware.boards.reader import ORIGIN_MM

mm = pcbnew.FromMM
#: What an ordinary two-layer process makes: IPC-2221B table 6-1 asks for 0.1 mm at up to 30 V (outer layers,
#: uncoated, from memory); makers' usual limit is 0.15 mm; 0.2 mm is kept.
CLEARANCE_MM = 0.2
TRACK_MM = 0.3
VIA_MM, VIA_HOLE_MM = 0.8, 0.4
EDGE_MM = 0.5
SLOT_MM = 1.5


def at(x: float, y: float) -> pcbnew.wxPoint:
    return pcbnew.wxPointMM(ORIGIN_MM[0] + x, ORIGIN_MM[1] + y)


def project_text(spec: BoardSpec) -> str:
    """KiCad's project file: net classes and the limits that the design rules start from."""

    def net_class(name: str, width: float) -> dict[str, object]:
        return {
            "name": name, "clearance": CLEARANCE_MM, "track_width": width, "via_diameter": VIA_MM,
            "via_drill": VIA_HOLE_MM, "microvia_diameter": 0.3, "microvia_drill": 0.1, "diff_pair_gap": 0.25,
            "diff_pair_width": 0.2, "diff_pair_via_gap": 0.25, "bus_width": 12, "wire_width": 6, "line_style": 0,
            "pcb_color": "rgba(0, 0, 0, 0.000)", "schematic_color": "rgba(0, 0, 0, 0.000)", "nets": [],
        }  # fmt: skip

    classes = [net_class("Default", TRACK_MM)]
    for c in spec.classes:
        classes.append(net_class(c.name, c.width_mm) | {"nets": sorted(net_name(n) for n in c.nets)})
    rules = {
        "min_clearance": CLEARANCE_MM, "min_copper_edge_clearance": EDGE_MM, "min_track_width": 0.25,
        "min_via_diameter": 0.7, "min_through_hole_diameter": 0.3, "min_hole_clearance": 0.25,
        "min_hole_to_hole": 0.25, "min_silk_clearance": 0.0, "min_via_annular_width": 0.15,
        "allow_blind_buried_vias": False, "allow_microvias": False,
    }  # fmt: skip
    severities = {"silk_overlap": "warning", "silk_over_copper": "warning", "lib_footprint_issues": "ignore",
                  "lib_footprint_mismatch": "ignore"}  # fmt: skip
    return json.dumps(
        {
            "board": {"design_settings": {"rules": rules, "rule_severities": severities}},
            "meta": {"filename": f"{spec.name}.kicad_pro", "version": 1},
            "net_settings": {"classes": classes, "meta": {"version": 2}},
        },
        indent=1,
    )


def net_name(net: str) -> str:
    """As the net is called in KiCad: a bare 0 is no good name."""
    return "GND" if net == "0" else net


def rules_text(spec: BoardSpec) -> str:
    """KiCad's own design rules, each with its source."""
    lines = ["(version 1)"]
    for k, rule in enumerate(spec.rules):
        lines.append(f"# {rule.name}: {rule.source}")
        lines.append(
            f'(rule "{k + 1} {rule.name}" (constraint clearance (min {rule.clearance_mm:g}mm))\n'
            f"  (condition \"A.NetClass == '{rule.first}' && B.NetClass == '{rule.second}'\"))"
        )
    return "\n".join(lines) + "\n"


def _segment(board: pcbnew.BOARD, a: Point, b: Point) -> None:
    shape = pcbnew.PCB_SHAPE(board)
    shape.SetShape(pcbnew.SHAPE_T_SEGMENT)
    shape.SetStart(at(*a))
    shape.SetEnd(at(*b))
    shape.SetLayer(pcbnew.Edge_Cuts)
    shape.SetWidth(mm(0.1))
    board.Add(shape)


def _arc(board: pcbnew.BOARD, centre: Point, start: Point, degrees: float) -> None:
    shape = pcbnew.PCB_SHAPE(board)
    shape.SetShape(pcbnew.SHAPE_T_ARC)
    shape.SetCenter(at(*centre))
    shape.SetStart(at(*start))
    shape.SetArcAngleAndEnd(degrees * 10, True)
    shape.SetLayer(pcbnew.Edge_Cuts)
    shape.SetWidth(mm(0.1))
    board.Add(shape)


def _outline(board: pcbnew.BOARD, spec: BoardSpec) -> None:
    w, h, r = spec.width_mm, spec.height_mm, spec.corner_mm
    _segment(board, (r, 0), (w - r, 0))
    _arc(board, (w - r, r), (w - r, 0), 90)
    _segment(board, (w, r), (w, h - r))
    _arc(board, (w - r, h - r), (w, h - r), 90)
    _segment(board, (w - r, h), (r, h))
    _arc(board, (r, h - r), (r, h), 90)
    _segment(board, (0, h - r), (0, r))
    _arc(board, (r, r), (0, r), 90)
    half = SLOT_MM / 2
    for (x0, y0), (x1, y1) in spec.slots:
        if x0 == x1:
            _segment(board, (x0 - half, y0), (x0 - half, y1))
            _segment(board, (x0 + half, y0), (x0 + half, y1))
            _arc(board, (x0, y0), (x0 - half, y0), 180)
            _arc(board, (x0, y1), (x0 + half, y1), 180)
        else:
            _segment(board, (x0, y0 - half), (x1, y0 - half))
            _segment(board, (x0, y0 + half), (x1, y0 + half))
            _arc(board, (x1, y0), (x1, y0 - half), 180)
            _arc(board, (x0, y0), (x0, y0 + half), 180)


def _footprint(board: pcbnew.BOARD, name: str) -> pcbnew.FOOTPRINT:
    library, item = name.split(":")
    fp = pcbnew.FootprintLoad(str(LIBRARY / f"{library}.pretty"), item)
    if fp is None:
        raise ValueError(f"KiCad's library has no footprint {name}: is the package kicad-footprints installed?")
    fp.SetFPID(pcbnew.LIB_ID(library, item))
    board.Add(fp)
    return fp


def _parts(board: pcbnew.BOARD, spec: BoardSpec) -> None:
    nets = {}
    for net in sorted(spec.nets):
        nets[net] = pcbnew.NETINFO_ITEM(board, net_name(net))
        board.Add(nets[net])
    places = spec.placement()
    for part in spec.parts:
        fp = _footprint(board, part.footprint)
        fp.SetReference(part.ref)
        fp.SetValue(part.value)
        place = places[part.ref]
        fp.SetPosition(at(place.x_mm, place.y_mm))
        fp.SetOrientationDegrees(place.turn_deg)
        fp.Value().SetVisible(False)
        found = {pad.GetNumber() for pad in fp.Pads()}
        if any(word in part.footprint for word in silk.NAME_WITHIN):  # between the pads, where it disturbs nobody
            fp.Reference().SetTextAngle(-fp.GetOrientation())
            fp.Reference().SetPosition(at(place.x_mm, place.y_mm))
            fp.Reference().SetTextSize(pcbnew.wxSizeMM(0.8, 0.8))
            fp.Reference().SetTextThickness(mm(0.12))
        missing = set(part.pads) - found
        if missing:
            raise ValueError(f"{part.ref}: {part.footprint} has no pad {sorted(missing)}")
        for pad in fp.Pads():
            if pad.GetNumber() in part.pads:
                pad.SetNet(nets[part.pads[pad.GetNumber()]])
    for k, (x, y) in enumerate(spec.holes):
        fp = _footprint(board, spec.hole_footprint)
        fp.SetReference(f"H{k + 1}")
        fp.Reference().SetVisible(False)
        fp.Value().SetVisible(False)
        fp.SetPosition(at(x, y))


def _texts(board: pcbnew.BOARD, spec: BoardSpec) -> None:
    for text, x, y, size in spec.texts:
        item = pcbnew.PCB_TEXT(board)
        item.SetText(text)
        item.SetPosition(at(x, y))
        item.SetLayer(pcbnew.F_SilkS)
        item.SetTextSize(pcbnew.wxSizeMM(size, size))
        item.SetTextThickness(mm(size * 0.15))
        board.Add(item)


def _polygon(zone: pcbnew.ZONE, corners: tuple[Point, ...]) -> None:
    outline = zone.Outline()
    outline.NewOutline()
    for x, y in corners:
        outline.Append(mm(ORIGIN_MM[0] + x), mm(ORIGIN_MM[1] + y))


def _ground(board: pcbnew.BOARD, spec: BoardSpec) -> None:
    w, h = spec.width_mm, spec.height_mm
    net = board.FindNet(net_name(spec.ground))
    for layer in (pcbnew.F_Cu, pcbnew.B_Cu):
        zone = pcbnew.ZONE(board)
        zone.SetLayer(layer)
        zone.SetNet(net)
        zone.SetLocalClearance(mm(0.3))
        zone.SetMinThickness(mm(0.25))
        zone.SetThermalReliefGap(mm(0.3))
        zone.SetThermalReliefSpokeWidth(mm(0.5))
        _polygon(zone, ((0.6, 0.6), (w - 0.6, 0.6), (w - 0.6, h - 0.6), (0.6, h - 0.6)))
        board.Add(zone)
        for corners in spec.no_ground:
            hole = pcbnew.ZONE(board)
            hole.SetLayer(layer)
            hole.SetIsRuleArea(True)
            hole.SetDoNotAllowCopperPour(True)
            hole.SetDoNotAllowTracks(False)
            hole.SetDoNotAllowVias(False)
            hole.SetDoNotAllowPads(False)
            hole.SetDoNotAllowFootprints(False)
            _polygon(hole, corners)
            board.Add(hole)


def unrouted(spec: BoardSpec, folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{spec.name}.kicad_pro").write_text(project_text(spec), encoding="utf-8")
    (folder / f"{spec.name}.kicad_dru").write_text(rules_text(spec), encoding="utf-8")
    path = folder / f"{spec.name}.kicad_pcb"
    path.unlink(missing_ok=True)
    board = pcbnew.NewBoard(str(path))
    board.GetDesignSettings().m_MaxError = mm(0.02)  # of round corners in filled areas: a smaller file
    _parts(board, spec)
    _outline(board, spec)
    _texts(board, spec)
    for ref in silk.tidy(board, spec):
        print(f"{ref}: no clear place for its name")
    _ground(board, spec)
    title = board.GetTitleBlock()
    title.SetTitle(spec.title)
    title.SetRevision("B")
    board.SetTitleBlock(title)
    pcbnew.SaveBoard(str(path), board)
    (folder / f"{spec.name}.kicad_pro").write_text(project_text(spec), encoding="utf-8")
    return path


if __name__ == "__main__":
    print(unrouted(boards()[sys.argv[1]], Path(sys.argv[2])))
