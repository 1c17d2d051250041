"""From the unrouted board to a checked one: tracks, ground areas, design rules.

python3 -m hardware.boards.finish source build/source
python3 -m hardware.boards.finish --check source hardware/boards/source/source.kicad_pcb     the rules alone
"""

from __future__ import annotations

import hashlib
import json
import re
import sys
import tempfile
from collections import Counter
from pathlib import Path

import pcbnew
from hardware.boards import boards, reader
from hardware.boards.layout import VIA_HOLE_MM, at, mm, net_name, unrouted
from hardware.boards.model import BoardSpec
from hardware.boards.route import find


def add_copper(board: pcbnew.BOARD, tracks: list[reader.Track], vias: list[reader.Via]) -> None:
    layers = (pcbnew.F_Cu, pcbnew.B_Cu)
    for t in tracks:
        item = pcbnew.PCB_TRACK(board)
        item.SetStart(at(t.x0_mm, t.y0_mm))
        item.SetEnd(at(t.x1_mm, t.y1_mm))
        item.SetWidth(mm(t.width_mm))
        item.SetLayer(layers[t.layer])
        item.SetNet(board.FindNet(net_name(t.net)))
        board.Add(item)
    for v in vias:
        item = pcbnew.PCB_VIA(board)
        item.SetPosition(at(v.x_mm, v.y_mm))
        item.SetWidth(mm(v.width_mm))
        item.SetDrill(mm(VIA_HOLE_MM))
        item.SetNet(board.FindNet(net_name(v.net)))
        board.Add(item)


def fill(board: pcbnew.BOARD) -> None:
    pcbnew.ZONE_FILLER(board).Fill(board.Zones())
    board.BuildConnectivity()


def rule_report(path: Path) -> str:
    """KiCad's own design rule check of a board file; rules and limits are read from the files beside it."""
    board = pcbnew.LoadBoard(str(path))
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report"
        if not pcbnew.WriteDRCReport(board, str(report), pcbnew.EDA_UNITS_MILLIMETRES, True):
            raise RuntimeError(f"KiCad could not check {path}")
        return report.read_text(encoding="utf-8")


def findings(report: str) -> Counter[str]:
    """Errors by kind; warnings are kept apart with a `warning` in front."""
    found: Counter[str] = Counter()
    for kind, rest in re.findall(r"^\[(\w+)\](.*\n.*)", report, re.M):
        found[("warning " if "Severity: warning" in rest else "") + kind] += 1
    return found


def build(spec: BoardSpec, folder: Path) -> Counter[str]:
    path = unrouted(spec, folder)
    routed = find(spec, reader.read(path))
    print(f"{len(routed.tracks)} tracks, {len(routed.vias)} vias, {routed.collisions} left in collision")
    board = pcbnew.LoadBoard(str(path))
    add_copper(board, routed.tracks, routed.vias)
    fill(board)
    project = path.with_suffix(".kicad_pro").read_text(encoding="utf-8")
    pcbnew.SaveBoard(str(path), board)
    path.with_suffix(".kicad_pro").write_text(project, encoding="utf-8")
    found = findings(rule_report(path))
    write_check(path, found)
    return found


def digest(path: Path) -> str:
    """Of board and rules together: what the check was made of."""
    together = path.read_bytes() + path.with_suffix(".kicad_dru").read_bytes()
    return hashlib.sha256(together).hexdigest()


def write_check(path: Path, found: Counter[str]) -> None:
    """The outcome of the design rules beside the board, with the digest of what was checked."""
    told = {
        "checked": path.name,
        "sha256": digest(path),
        "by": f"KiCad {pcbnew.GetBuildVersion()}",
        "errors": sum(n for kind, n in found.items() if not kind.startswith("warning")),
        "kinds": dict(sorted(found.items())),
    }
    path.with_name("checked.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    arguments = [a for a in sys.argv[1:] if a != "--check"]
    if "--check" in sys.argv:
        result = findings(rule_report(Path(arguments[1])))
    else:
        result = build(boards()[arguments[0]], Path(arguments[1]))
    print(f"KiCad's design rules: {dict(result) or 'nothing found'}")
    sys.exit(any(not kind.startswith("warning") for kind in result))
