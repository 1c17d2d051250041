"""The plan drawing: valid SVG to scale, with what a person needs on it; files by their ending."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest

from earthward.errors import InputError
from earthward.pool import polygon
from earthward.pool.shape import Floor, Stair, from_outline, rectangle
from earthward.record.place import Fitting, Mark, Placement
from earthward.report.plan import Arrow, Picture, Shade, Spot, draw_plan, field_picture, save_plan

SVG = "{http://www.w3.org/2000/svg}"
POOL = replace(
    rectangle(10, 5, 1.5),
    name="A < B & C",
    sources=(
        Placement(position_m=(1.0, 1.0, 0.5), current_A=0.01, source_id=0),
        Placement(position_m=(9.0, 4.0, 0.5), current_A=0.01, source_id=1),
    ),
    fittings=(
        Fitting(name="light", kind="light", position_m=(5.0, 0.0, 0.6)),
        Fitting(name="drain", kind="drain", position_m=(7.0, 2.5, 1.5), covered=True),
    ),
    steps=(Stair(((0, 0), (1, 0), (1, 5), (0, 5)), 0.4),),
)


def texts(svg: str) -> list[str]:
    return [t.text or "" for t in ET.fromstring(svg).iter(f"{SVG}text")]


def test_a_plan_is_well_formed_and_says_what_is_there() -> None:
    arrows = [
        Arrow((3, 2, 0.5), (2.7, 2, 0.5), 1e-4),
        Arrow((3, 2, 0.5), (3, 2, 0.8), -1e-5),
        Arrow((6, 2, 0.5), (6, 2.3, 0.5), 0.0),
    ]
    svg = draw_plan(POOL, field_picture(POOL, [((7.6, 5.0, 1.2), 0.5e-3)], arrows))
    words = texts(svg)
    for expected in (
        "A < B & C",
        "sink 0.5 mA",
        "light",
        "drain (covered)",
        "0.40 m",
        "1.50 m deep",
        "injection 1, 10 mA",
    ):
        assert expected in words
    assert any("nothing here was measured" in w for w in words)


def test_the_outline_is_to_scale() -> None:
    svg = draw_plan(POOL, Picture())
    path = next(p.get("d", "") for p in ET.fromstring(svg).iter(f"{SVG}path") if p.get("stroke-width") == "2")
    numbers = [float(v) for v in re.findall(r"-?\d+\.\d+", path)]
    x, y = numbers[::2], numbers[1::2]
    assert (max(x) - min(x)) / (max(y) - min(y)) == pytest.approx(2.0, rel=1e-3)


def test_a_finding_is_dimensioned_from_two_marks() -> None:
    pool = replace(
        POOL, marks=(Mark(name="post", position_m=(0.0, 0.0)), Mark(name="drain pipe", position_m=(10.0, 0.0)))
    )
    svg = draw_plan(pool, Picture(spots=[Spot((6.0, 4.5, 1.5), "1: 0.4 to 0.6 mA", False, taped=True)]))
    words = texts(svg)
    assert "7.50 m" in words and "6.02 m" in words and "post" in words and "1: 0.4 to 0.6 mA" in words


def test_words_stay_inside_the_drawing() -> None:
    pool = replace(
        POOL,
        fittings=tuple(
            Fitting(name=f"return number {k}", kind="return", position_m=(10.0, 0.5 + k, 0.3)) for k in range(4)
        ),
    )
    root = ET.fromstring(draw_plan(pool, Picture()))
    width = float(root.get("width", "0"))
    for t in root.iter(f"{SVG}text"):
        wide = 0.5 * float(t.get("font-size", "0")) * len(t.text or "")
        x, anchor = float(t.get("x", "0")), t.get("text-anchor")
        left = x if anchor == "start" else x - wide if anchor == "end" else x - wide / 2
        assert left > -2 and left + wide < width + 8


def test_round_pools_shading_and_files(tmp_path: Path) -> None:
    pool = from_outline(polygon.kidney(9, 5), Floor("flat", 1.2))
    shade = Shade([(3.0 + 0.1 * k, 3.0, 1.2) for k in range(5)], [0.1, 0.2, 0.4, 0.2, 0.1], 0.1)
    svg = draw_plan(pool, Picture("Kidney", "x", shade=shade, next_m=(3.0, 2.5, 0.8), notes=("word " * 60,)))
    assert {"end 1", "end 2", "read here next"} <= set(texts(svg))
    save_plan(tmp_path / "plan.svg", svg)
    assert (tmp_path / "plan.svg").read_text(encoding="utf-8") == svg
    with pytest.raises(InputError, match=r"\.svg or \.png"):
        save_plan(tmp_path / "plan.jpg", svg)
    pytest.importorskip("typst", reason="the report extra is not installed")
    save_plan(tmp_path / "plan.png", svg)
    assert (tmp_path / "plan.png").read_bytes().startswith(b"\x89PNG\r\n")
