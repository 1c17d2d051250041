"""The pages: built strictly, complete without a network, no dead link, a first visit at most three clicks away."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import deque
from importlib import import_module
from pathlib import Path

import pytest
from tests.site import draw_figures

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")


def links(page: Path) -> list[str]:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.S)
    return [link for link in _LINK.findall(text) if not re.match(r"[a-z]+:|#", link)]


def pages() -> list[Path]:
    return sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *DOCS.rglob("*.md")])


def test_every_link_leads_somewhere() -> None:
    """Without building: in the source folder, outward links too."""
    dead = [
        f"{page.relative_to(ROOT)}: {link}"
        for page in pages()
        for link in links(page)
        if not (page.parent / link.split("#")[0]).exists()
    ]
    assert dead == []


def test_a_first_visit_is_at_most_three_clicks_from_the_readme() -> None:
    goal, start = DOCS / "first-visit.md", ROOT / "README.md"
    clicks, todo = {start: 0}, deque([start])
    while todo:
        page = todo.popleft()
        for link in links(page):
            target = (page.parent / link.split("#")[0]).resolve()
            if target.suffix == ".md" and target.exists() and target not in clicks:
                clicks[target] = clicks[page] + 1
                todo.append(target)
    assert clicks[goal] <= 3


def test_every_screen_is_shown_in_the_first_visit() -> None:
    shown = set(re.findall(r"screenshots/([\w-]+)\.svg", (DOCS / "first-visit.md").read_text(encoding="utf-8")))
    module = import_module("tests.display.scenes")
    assert {p for p in module.PAGES if (DOCS / "screenshots" / f"{p}.svg").exists()} <= shown


def test_figures_are_those_that_the_code_draws() -> None:
    for name, draw in draw_figures.FIGURES.items():
        assert (DOCS / "figures" / f"{name}.svg").read_text(encoding="utf-8") == draw(), (
            "python -m tests.site.draw_figures"
        )


@pytest.mark.long
def test_the_site_builds_strictly_and_needs_no_network(tmp_path: Path) -> None:
    """Two seconds of CPU. `strict` makes a warning an error: dead links and anchors, files that are not there."""
    pytest.importorskip("mkdocs", reason="needs the package mkdocs-material")
    environment = os.environ | {"NO_MKDOCS_2_WARNING": "1"}
    built = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "-q", "-d", str(tmp_path)],
        cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert built.returncode == 0, built.stderr
    assert "WARNING" not in built.stderr
    assert (tmp_path / "search" / "search_index.js").exists(), "search must work from a folder"
    html = list(tmp_path.rglob("*.html"))
    assert len(html) >= len(list(DOCS.rglob("*.md")))
    outward = re.compile(r'<(?:script|img)[^>]+src="https?:|<link[^>]+rel="stylesheet"[^>]+href="https?:')
    fetched = [p.name for p in html if outward.search(p.read_text(encoding="utf-8"))]
    assert fetched == [], "these pages fetch something from the network"
