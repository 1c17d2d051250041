"""Builds every printed part: STEP and STL, figures checked, pictures.

    python -m hardware.mechanics.build hardware/build/mechanics     (needs build123d and, for pictures, rsvg-convert)

The figures go to `sheet.json` beside this file, with the digest of `parts.py`: a test reads them without the library.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
from build123d import Compound, ExportSVG, LineType, Part, export_step, export_stl
from hardware.mechanics.parts import Sizes, bought, printed

HERE = Path(__file__).parent
#: Printed solid in PETG (from memory); pool water.
PLASTIC_G_PER_MM3, WATER_G_PER_MM3 = 1.27e-3, 1.00e-3
#: A face that leans out by more than this from the vertical needs support; short bridges do not.
OVERHANG_DEG, BRIDGE_MM = 50.0, 22.0


def _mesh(part: Part) -> tuple[np.ndarray, np.ndarray]:
    points, faces = part.tessellate(0.1, 0.3)
    return np.array([[p.X, p.Y, p.Z] for p in points]), np.array(faces)


def _triangles(part: Part) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Corners (n, 3, 3), outward normals, areas."""
    points, faces = _mesh(part)
    corner = points[faces]
    across = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    double = np.linalg.norm(across, axis=1)
    good = double > 1e-6
    return corner[good], across[good] / double[good, None], double[good] / 2


def thinnest_mm(part: Part, rays: int = 500) -> float:
    """Thinnest wall: from points on the surface straight inward to the opposite side (the 1st percentile, because a
    ray beside an edge meets the next face at once)."""
    corner, normal, area = _triangles(part)
    rng = np.random.default_rng(1)
    pick = rng.choice(len(area), rays, p=area / area.sum())
    weight = rng.dirichlet((1, 1, 1), rays)
    start = (corner[pick] * weight[:, :, None]).sum(axis=1) - 1e-4 * normal[pick]
    edge1, edge2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    found = []
    for origin, direction in zip(start, -normal[pick], strict=True):
        h = np.cross(direction, edge2)
        a = np.einsum("ij,ij->i", edge1, h)
        with np.errstate(divide="ignore", invalid="ignore"):
            s = origin - corner[:, 0]
            u = np.einsum("ij,ij->i", s, h) / a
            q = np.cross(s, edge1)
            v = q @ direction / a
            t = np.einsum("ij,ij->i", edge2, q) / a
            hit = (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 1e-3)  # a ray along a face hits it nowhere
        # only a face that looks the other way is the far side of a wall
        hit &= normal @ direction > 0.7
        if hit.any():
            found.append(float(t[hit].min()))
    return float(np.percentile(found, 1))


def overhang_mm2(part: Part) -> float:
    """Area that leans out too far, beyond the bed; what spans less than a bridge in either direction is left out."""
    corner, normal, area = _triangles(part)
    low = corner[:, :, 2].max(axis=1) > 0.2
    leaning = normal[:, 2] < -np.sin(np.radians(OVERHANG_DEG))
    span = corner.max(axis=1) - corner.min(axis=1)
    long = np.minimum(span[:, 0], span[:, 1]) > BRIDGE_MM
    return float(area[low & leaning & long].sum())


def picture(part: Part, path: Path) -> None:
    visible, hidden = part.project_to_viewport((200, -160, 140))
    size = max(*Compound(children=visible + hidden).bounding_box().size)
    drawing = ExportSVG(scale=150 / size)
    drawing.add_layer("seen", line_weight=0.4)
    drawing.add_layer("hidden", line_weight=0.12, line_color="#aaaaaa", line_type=LineType.ISO_DOT)
    drawing.add_shape(hidden, layer="hidden")
    drawing.add_shape(visible, layer="seen")
    svg = path.with_suffix(".svg")
    drawing.write(str(svg))
    subprocess.run(["rsvg-convert", "-w", "500", "-b", "white", str(svg), "-o", str(path)], check=True)
    svg.unlink()


def figures(parts: dict[str, Part]) -> dict[str, dict[str, float | bool | list[float]]]:
    told: dict[str, dict[str, float | bool | list[float]]] = {}
    for name, part in parts.items():
        size = part.bounding_box().size
        volume = float(part.volume)
        told[name] = {
            "valid": bool(part.is_valid if isinstance(part.is_valid, bool) else part.is_valid()),
            "solids": float(len(part.solids())),
            "size_mm": [round(v, 2) for v in (size.X, size.Y, size.Z)],
            "on_bed_mm": round(float(part.bounding_box().min.Z), 3),
            "volume_mm3": round(volume, 0),
            "mass_g": round(volume * PLASTIC_G_PER_MM3, 1),
            "weight_in_water_g": round(volume * (PLASTIC_G_PER_MM3 - WATER_G_PER_MM3), 1),
            "thinnest_mm": round(thinnest_mm(part), 2),
            "overhang_mm2": round(overhang_mm2(part), 1),
        }
    return told


def fits(parts: dict[str, Part], sizes: Sizes) -> dict[str, dict[str, float]]:
    """Clearance and overlap of every bought body with the printed part that takes it."""
    told = {}
    for name, (where, body) in bought(sizes).items():
        common = parts[where].intersect(body)
        shapes = [] if common is None else list(common) if isinstance(common, list | tuple) else [common]
        overlap = sum(abs(float(getattr(c, "volume", 0.0))) for c in shapes)
        told[name] = {"clearance_mm": round(float(parts[where].distance_to(body)), 3), "overlap_mm3": round(overlap, 3)}
    return told


def main() -> int:
    out = Path(sys.argv[1])
    out.mkdir(parents=True, exist_ok=True)
    docs = HERE.parents[1] / "docs" / "kit"
    docs.mkdir(parents=True, exist_ok=True)
    sizes = Sizes()
    parts = printed(sizes)
    for name, part in parts.items():
        export_step(part, str(out / f"{name}.step"))
        export_stl(part, str(out / f"{name}.stl"), tolerance=0.05)
        if "--no-pictures" not in sys.argv:
            picture(part, docs / f"part_{name}.png")
    told = {
        "sha256_of_parts": hashlib.sha256((HERE / "parts.py").read_bytes()).hexdigest(),
        "conduit_length_mm": sizes.conduit_length(),
        "parts": figures(parts),
        "fits": fits(parts, sizes),
    }
    (HERE / "sheet.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    print("\n".join(tables(told)))
    return 0


def tables(told: dict[str, Any]) -> list[str]:
    """Markdown, as the build manual has it."""
    rows = ["| part | size, mm | mass, g | weight in water, g | thinnest wall, mm |", "|---|---|---|---|---|"]
    for name, p in told["parts"].items():
        size = " x ".join(f"{v:g}" for v in p["size_mm"])
        rows.append(f"| {name} | {size} | {p['mass_g']:g} | {p['weight_in_water_g']:g} | {p['thinnest_mm']:g} |")
    rows += ["", "| fit | clearance, mm | overlap, mm3 |", "|---|---|---|"]
    rows += [f"| {name} | {f['clearance_mm']:g} | {f['overlap_mm3']:g} |" for name, f in told["fits"].items()]
    return rows


if __name__ == "__main__":
    sys.exit(main())
