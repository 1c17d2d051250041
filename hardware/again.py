"""Makes every hardware output anew from the descriptions alone, in a copy, and compares it with what is kept here.

    python3 -m hardware.again hardware/build            all of it
    python3 -m hardware.again hardware/build --keep     puts the last run's outputs in the place of those kept here

Nothing made before is in the copy, so whatever no program makes any more is missing there. KiCad's files differ from
run to run in order and identifiers: boards are compared by nets and geometry, pictures by their pixels, all else as
text. Needs KiCad (Debian: kicad, kicad-footprints), librsvg2-bin, imagemagick, gcc, gcc-avr with avr-libc; drawings and
the printed parts run in an environment of their own, which the Makefile makes.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from hardware.boards import boards, compare, distances, fab_reader, reader

ROOT = Path(__file__).resolve().parents[1]
KICAD_PYTHON = os.environ.get("KICAD_PYTHON", "/usr/bin/python3")
#: What programs make and the repository keeps. Everything else is written by hand.
MADE = (
    "hardware/boards/*/*.kicad_pcb", "hardware/boards/*/*.kicad_pro", "hardware/boards/*/*.kicad_dru",
    "hardware/boards/*/*.kicad_sch", "hardware/boards/*/bom.csv", "hardware/boards/*/checked.json",
    "hardware/receiver_front_end/bom.csv", "hardware/receiver_front_end/front_end.svg",
    "hardware/source_board/output_stage/bom.csv", "hardware/source_board/output_stage/source_board.svg",
    "hardware/mechanics/sheet.json", "docs/kit/*.png",
)  # fmt: skip
#: Pictures: pixels may differ at edges, where colours are thinned out.
PIXEL_FUZZ, PIXEL_SHARE = "25%", 0.005
AREA_MM2 = 1.0


@dataclass(frozen=True)
class Step:
    name: str
    command: tuple[str, ...]
    env: str
    """Which Python: `kicad`, `library` or none."""


def steps() -> list[Step]:
    found = [
        Step("parts lists and cost", ("-m", "hardware.boards.parts_list"), "kicad"),
        Step("schematic sheets", ("-m", "hardware.boards.schematic"), "kicad"),
    ]
    for name in boards():
        folder = f"hardware/boards/{name}"
        found += [
            Step(f"board {name}: tracks, design rules", ("-m", "hardware.boards.finish", name, folder), "kicad"),
            Step(f"board {name}: gerbers, drills, positions, pictures",
                 ("-m", "hardware.boards.fabricate", name, folder, f"hardware/build/{name}"), "kicad"),
        ]  # fmt: skip
    return [
        *found,
        Step("front end: drawing, parts", ("hardware/receiver_front_end/front_end.py", "--draw", "--bom"), "library"),
        Step("source board: drawing", ("-m", "hardware.source_board.output_stage.drawing"), "library"),
        Step("source board: parts", ("-m", "hardware.source_board.output_stage.check", "--bom"), "library"),
        Step("source board: firmware", ("make", "-C", "hardware/source_board/firmware", "all"), ""),
        Step("printed parts: STEP, STL, figures, pictures",
             ("-m", "hardware.mechanics.build", "hardware/build/mechanics"), "library"),
    ]  # fmt: skip


def made(root: Path) -> set[str]:
    return {str(path.relative_to(root)) for pattern in MADE for path in root.glob(pattern)}


def fresh_copy(target: Path) -> None:
    """Descriptions and programs, none of the outputs."""
    shutil.rmtree(target, ignore_errors=True)
    leave = shutil.ignore_patterns("build", "__pycache__", "*.rpt", "*.kicad_prl", "fp-info-cache")
    shutil.copytree(ROOT / "hardware", target / "hardware", ignore=leave)
    (target / "docs" / "kit").mkdir(parents=True)
    for name in made(target):
        (target / name).unlink()


def run(step: Step, copy: Path, library_python: str) -> float:
    start = time.monotonic()
    python = {"kicad": [KICAD_PYTHON], "library": [library_python], "": []}[step.env]
    env = {**os.environ, "PYTHONPATH": f"{copy}{os.pathsep}{ROOT / 'firmware_host'}", "HOME": str(copy)}
    env.pop("MAKEFLAGS", None)
    done = subprocess.run([*python, *step.command], cwd=copy, env=env, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{step.name} failed: {(done.stderr or done.stdout).strip()[-2000:]}")
    return time.monotonic() - start


# ---- comparisons: one sentence for every difference


def _boards_differ(kept: Path, again: Path, name: str) -> list[str]:
    a, b = reader.read(kept), reader.read(again)
    said = compare.compare(boards()[name], b) + distances.check(b, distances.limits_of(again))
    for what, one, two in (
        ("pads with their nets", set(a.pads), set(b.pads)),
        ("tracks", set(a.tracks), set(b.tracks)),
        ("vias", set(a.vias), set(b.vias)),
        ("pieces of outline", set(a.edges), set(b.edges)),
        ("footprints", set(a.footprints.items()), set(b.footprints.items())),
    ):
        if one != two:
            said.append(f"{len(one ^ two)} {what} differ")
    for layer in (0, 1):
        sizes = [sum(area.size_mm2() for area in c.areas if area.layer == layer) for c in (a, b)]
        if abs(sizes[0] - sizes[1]) > AREA_MM2:
            said.append(f"ground on {reader.LAYERS[layer]}: {sizes[0]:.1f} mm2 kept, {sizes[1]:.1f} mm2 made")
    return said


def _pictures_differ(kept: Path, again: Path) -> list[str]:
    done = subprocess.run(
        ["compare", "-metric", "AE", "-fuzz", PIXEL_FUZZ, str(kept), str(again), "null:"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    size = subprocess.run(["identify", "-format", "%w %h", str(kept)], capture_output=True, text=True, check=True)
    width, height = (int(v) for v in size.stdout.split())
    try:
        share = float(done.stderr.split()[0]) / (width * height)
    except (ValueError, IndexError):
        return [f"cannot be compared: {done.stderr.strip()}"]
    return [f"{share:.2%} of the pixels differ"] if share > PIXEL_SHARE else []


def _values_differ(kept: object, again: object, where: str = "") -> list[str]:
    """Figures may differ in the last digit between processors."""
    if isinstance(kept, dict) and isinstance(again, dict):
        said = [f"{where}{key} is only in one of them" for key in kept.keys() ^ again.keys()]
        for key in kept.keys() & again.keys():
            said += _values_differ(kept[key], again[key], f"{where}{key} ")
        return said
    if isinstance(kept, list) and isinstance(again, list) and len(kept) == len(again):
        return [s for a, b in zip(kept, again, strict=True) for s in _values_differ(a, b, where)]
    numbers = isinstance(kept, int | float) and isinstance(again, int | float)
    same = math.isclose(kept, again, rel_tol=2e-3, abs_tol=0.011) if numbers else kept == again  # type: ignore[arg-type]
    return [] if same else [f"{where}was {kept} and is {again}"]


def _json_differs(kept: Path, again: Path) -> list[str]:
    values = [json.loads(path.read_text(encoding="utf-8")) for path in (kept, again)]
    for value in values:
        value.pop("sha256", None)  # of KiCad's bytes, which differ
    return _values_differ(values[0], values[1])


def _texts_differ(kept: Path, again: Path) -> list[str]:
    return [] if kept.read_bytes() == again.read_bytes() else ["the text differs"]


def differ(name: str, copy: Path) -> tuple[str, list[str]]:
    """How an output was compared, and what was found."""
    kept, again = ROOT / name, copy / name
    if not again.exists():
        return "there", ["no program makes it any more"]
    if not kept.exists():
        return "there", ["it is new"]
    kind: tuple[str, Callable[[Path, Path], list[str]]] = {
        ".kicad_pcb": ("nets, geometry", lambda a, b: _boards_differ(a, b, a.stem)),
        ".png": ("pixels", _pictures_differ),
        ".json": ("values", _json_differs),
    }.get(kept.suffix, ("text", _texts_differ))
    return kind[0], kind[1](kept, again)


def fabrication(copy: Path) -> list[tuple[str, str, list[str]]]:
    """What goes to the maker against the board it was made from, and that nothing is missing or empty."""
    rows = []
    for name in boards():
        folder = copy / "hardware" / "build" / name / "fab"
        said = [f"{path.name} is empty" for path in folder.iterdir() if not path.stat().st_size]
        said += fab_reader.compare(name, folder, reader.read(copy / f"hardware/boards/{name}/{name}.kicad_pcb"))
        rows.append((f"{name}: {len(list(folder.iterdir()))} files for the maker", "pads, nets, tracks, holes", said))
    bodies = [p for p in (copy / "hardware/build/mechanics").iterdir() if p.stat().st_size > 1000]
    steps_, meshes = (sum(p.suffix == kind for p in bodies) for kind in (".step", ".stl"))
    told = json.loads((copy / "hardware/mechanics/sheet.json").read_text(encoding="utf-8"))
    parts = len(told["parts"])
    wrong = [] if steps_ == meshes == parts else [f"{parts} parts, {steps_} STEP, {meshes} STL"]
    rows.append((f"printed parts: {steps_} STEP, {meshes} STL", "there", wrong))
    firmware = copy / "hardware/source_board/build/source_board.hex"
    rows.append(("firmware", "there", [] if firmware.exists() else ["source_board.hex was not made"]))
    return rows


def keep(copy: Path) -> None:
    for name in made(ROOT) - made(copy):
        (ROOT / name).unlink()
    for name in sorted(made(copy)):
        (ROOT / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(copy / name, ROOT / name)
    print(f"{len(made(copy))} outputs kept")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("build", type=Path)
    parser.add_argument("--keep", action="store_true", help="copy the last run's outputs over those kept here")
    parser.add_argument("--library-python", default=sys.executable, help="Python with build123d and schemdraw")
    args = parser.parse_args()
    copy = (args.build / "again").resolve()
    if args.keep:
        keep(copy)
        return 0
    fresh_copy(copy)
    start = time.monotonic()
    for step in steps():
        print(f"{run(step, copy, args.library_python):6.1f} s  {step.name}", flush=True)
    print(f"{time.monotonic() - start:6.1f} s  together")
    rows = [(name, *differ(name, copy)) for name in sorted(made(ROOT) | made(copy))] + fabrication(copy)
    wrong = 0
    for name, how, said in rows:
        wrong += bool(said)
        print(f"{'differs' if said else 'agrees ':8s} {how:26s} {name}" + "".join(f"\n         {s}" for s in said[:6]))
    print(f"{len(rows) - wrong} of {len(rows)} agree" + ("; make -C hardware keep takes the new ones" if wrong else ""))
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
