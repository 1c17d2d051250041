"""Files for the maker of a board: gerbers, drills, positions of parts; and pictures of both sides.

python3 -m hardware.boards.fabricate source hardware/boards/source hardware/build/source
"""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path

import pcbnew
from hardware.boards import boards
from hardware.boards.layout import ORIGIN_MM
from hardware.boards.model import HERE, BoardSpec

GERBERS = (
    ("F_Cu", pcbnew.F_Cu), ("B_Cu", pcbnew.B_Cu), ("F_Mask", pcbnew.F_Mask), ("B_Mask", pcbnew.B_Mask),
    ("F_Paste", pcbnew.F_Paste), ("F_Silkscreen", pcbnew.F_SilkS), ("B_Silkscreen", pcbnew.B_SilkS),
    ("Edge_Cuts", pcbnew.Edge_Cuts),
)  # fmt: skip
#: Colours of a picture, from below: bare board, copper under lacquer, bare copper, silk, holes.
LACQUER, COVERED, TINNED, SILK, HOLE = "#14532d", "#1f7a45", "#d6c27a", "#f5f5f0", "#ffffff"


def gerbers(board: pcbnew.BOARD, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    plot = pcbnew.PLOT_CONTROLLER(board)
    options = plot.GetPlotOptions()
    options.SetOutputDirectory(str(folder.resolve()))
    options.SetPlotFrameRef(False)
    options.SetUseGerberProtelExtensions(False)
    options.SetUseGerberX2format(True)
    options.SetIncludeGerberNetlistInfo(True)
    options.SetSubtractMaskFromSilk(True)
    options.SetDrillMarksType(pcbnew.PCB_PLOT_PARAMS.NO_DRILL_SHAPE)
    for name, layer in GERBERS:
        plot.SetLayer(layer)
        plot.OpenPlotfile(name, pcbnew.PLOT_FORMAT_GERBER, name)
        if not plot.PlotLayer():
            raise RuntimeError(f"KiCad could not plot {name}")
    plot.ClosePlot()
    drill = pcbnew.EXCELLON_WRITER(board)
    drill.SetFormat(True)
    drill.SetOptions(False, False, pcbnew.wxPoint(0, 0), False)
    drill.CreateDrillandMapFilesSet(str(folder.resolve()), True, False)


def positions(board: pcbnew.BOARD, path: Path) -> None:
    """Pick-and-place: millimetres from the board's lower left corner, y up, as assembly houses count."""
    height = pcbnew.ToMM(board.GetBoardEdgesBoundingBox().GetHeight()) - 0.1
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(("ref", "value", "package", "x_mm", "y_mm", "turn_deg", "side", "kind"))
        for fp in sorted(board.GetFootprints(), key=lambda f: f.GetReference()):
            if fp.GetReference().startswith("H"):
                continue
            where = fp.GetPosition()
            smd = all(p.GetAttribute() == pcbnew.PAD_ATTRIB_SMD for p in fp.Pads())
            writer.writerow((
                fp.GetReference(), fp.GetValue(), fp.GetFPID().GetUniStringLibItemName(),
                f"{pcbnew.ToMM(where.x) - ORIGIN_MM[0]:.3f}",
                f"{height - (pcbnew.ToMM(where.y) - ORIGIN_MM[1]):.3f}",
                f"{fp.GetOrientationDegrees():g}", "bottom" if fp.IsFlipped() else "top",
                "surface" if smd else "through hole",
            ))  # fmt: skip


def _layer_svg(board: pcbnew.BOARD, folder: Path, name: str, layer: int, holes: bool) -> str:
    """The drawing of one layer, without the sheet around it."""
    plot = pcbnew.PLOT_CONTROLLER(board)
    options = plot.GetPlotOptions()
    options.SetOutputDirectory(str(folder.resolve()))
    options.SetPlotFrameRef(False)
    options.SetMirror(False)
    marks = pcbnew.PCB_PLOT_PARAMS
    options.SetDrillMarksType(marks.FULL_DRILL_SHAPE if holes else marks.NO_DRILL_SHAPE)
    plot.SetLayer(layer)
    plot.OpenPlotfile(name, pcbnew.PLOT_FORMAT_SVG, name)
    plot.PlotLayer()
    plot.ClosePlot()
    path = next(folder.glob(f"*{name}.svg"))
    text = path.read_text(encoding="utf-8")
    path.unlink()
    body = text[text.index(">", text.index("<svg")) + 1 : text.rindex("</svg>")]
    body = re.sub(r"<(title|desc|text)\b.*?</\1>", "", body, flags=re.S)
    return f'<g transform="scale(0.000001)">{body}</g>'  # KiCad draws in nanometres


def _painted(body: str, colour: str) -> str:
    return re.sub(r"(?i)#0{6}", colour, body)


def pictures(board: pcbnew.BOARD, spec: BoardSpec, folder: Path, width_px: int = 1400) -> list[Path]:
    """Both sides, as the board looks without parts; the lower side as seen from below."""
    folder.mkdir(parents=True, exist_ok=True)
    x, y = ORIGIN_MM
    w, h = spec.width_mm, spec.height_mm
    made = []
    for side, copper, mask, silk in (
        ("top", pcbnew.F_Cu, pcbnew.F_Mask, pcbnew.F_SilkS),
        ("bottom", pcbnew.B_Cu, pcbnew.B_Mask, pcbnew.B_SilkS),
    ):
        layers = {
            name: _layer_svg(board, folder, f"{side}_{name}", layer, False)
            for name, layer in (("copper", copper), ("mask", mask), ("silk", silk), ("edge", pcbnew.Edge_Cuts))
        }
        mirror = f'transform="translate({2 * x + w} 0) scale(-1 1)"' if side == "bottom" else ""
        slots = "".join(
            f'<line x1="{x + a[0]}" y1="{y + a[1]}" x2="{x + b[0]}" y2="{y + b[1]}" stroke="{HOLE}" '
            'stroke-width="1.5" stroke-linecap="round"/>'
            for a, b in spec.slots
        )
        holes = "".join(
            f'<circle cx="{pcbnew.ToMM(p.GetPosition().x)}" cy="{pcbnew.ToMM(p.GetPosition().y)}" '
            f'r="{pcbnew.ToMM(p.GetDrillSize().x) / 2}" fill="{HOLE}"/>'
            for fp in board.GetFootprints() for p in fp.Pads() if p.GetDrillSize().x
        ) + "".join(
            f'<circle cx="{pcbnew.ToMM(t.GetPosition().x)}" cy="{pcbnew.ToMM(t.GetPosition().y)}" r="0.2" fill="#132"/>'
            for t in board.GetTracks() if t.GetClass() == "PCB_VIA"
        )  # fmt: skip
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x - 2} {y - 2} {w + 4} {h + 4}">'
            f'<g {mirror}><rect x="{x}" y="{y}" width="{w}" height="{h}" rx="{spec.corner_mm}" fill="{LACQUER}"/>'
            f"{_painted(layers['copper'], COVERED)}{_painted(layers['mask'], TINNED)}{_painted(layers['silk'], SILK)}"
            f"{_painted(layers['edge'], '#333333')}{slots}{holes}</g></svg>"
        )
        source = folder / f"{spec.name}_{side}.svg"
        source.write_text(svg, encoding="utf-8")
        target = folder / f"{spec.name}_{side}.png"
        subprocess.run(["rsvg-convert", "-w", str(width_px), "-b", "white", str(source), "-o", str(target)], check=True)
        source.unlink()
        made.append(target)
    return made


def make(spec: BoardSpec, folder: Path, out: Path) -> None:
    board = pcbnew.LoadBoard(str(folder / f"{spec.name}.kicad_pcb"))
    gerbers(board, out / "fab")
    positions(board, out / "fab" / f"{spec.name}_positions.csv")
    docs = HERE.parents[1] / "docs" / "kit"
    docs.mkdir(parents=True, exist_ok=True)
    for picture in pictures(board, spec, out / "pictures"):
        target = docs / picture.name
        subprocess.run(["convert", str(picture), "-colors", "24", "-depth", "8", "-strip", str(target)], check=True)


if __name__ == "__main__":
    make(boards()[sys.argv[1]], Path(sys.argv[2]), Path(sys.argv[3]))
