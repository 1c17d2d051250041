"""A page is one file, and drawing uses only what Textual offers publicly."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest
from tests.display.scenes import scene

import earthward.display.app
import earthward.display.pages
from earthward.display.draw import draw
from earthward.display.keys import key_map
from earthward.display.options import Options
from earthward.display.pages import registry
from earthward.display.press import press
from earthward.display.view import View

NEW_PAGE = """
from earthward.display.page import Page, Scene


def paint(canvas, top, rows, scene):
    canvas.text(top, "hello from a new page")


PAGE = Page("weather", "Weather", order=65, paint=paint, keys={"map": "map", "next": "gust"}, shortcut="f7")
"""


@pytest.fixture
def new_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    (tmp_path / "weather.py").write_text(NEW_PAGE)
    monkeypatch.setattr(earthward.display.pages, "__path__", [*earthward.display.pages.__path__, str(tmp_path)])
    registry.cache_clear()
    yield
    registry.cache_clear()
    sys.modules.pop("earthward.display.pages.weather", None)


def test_a_new_page_is_one_file(new_page: None) -> None:
    names = list(registry())
    assert names[names.index("findings") + 1] == "weather"
    assert key_map()["go weather"] == ("f7",)
    snapshot, now = scene()
    view, _ = press(View(page="findings"), "map", snapshot, now)
    assert view.page == "weather"
    rows = ["".join(text for text, _ in row) for row in draw(53, 20, snapshot, view, Options(), now).rows()]
    assert any("hello from a new page" in row for row in rows)
    assert "Weather" in rows[0] and "gust" in rows[-1]


def test_the_application_uses_nothing_private_of_textual() -> None:
    """`x._name` only where x is this application's own object (self) and this class gave the name."""
    tree = ast.parse(Path(earthward.display.app.__file__).read_text(encoding="utf-8"))
    private: list[str] = []
    for cls in (node for node in tree.body if isinstance(node, ast.ClassDef)):
        own = {node.name for node in cls.body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}
        for node in ast.walk(cls):
            if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
                own.add(node.attr)
        for node in ast.walk(cls):
            if isinstance(node, ast.Attribute) and node.attr.startswith("_") and not node.attr.startswith("__"):
                mine = isinstance(node.value, ast.Name) and node.value.id in ("self", "os") and node.attr in own
                if not mine:
                    private.append(f"{cls.name}: {ast.unparse(node)}")
    assert private == []
