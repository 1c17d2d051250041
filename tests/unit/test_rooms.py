"""The house: who may import whom. DEVELOPERS.md draws it; this test reads the imports and enforces it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "firmware_host" / "earthward"

# room -> rooms (or single modules) of the project that it may import
MAY_IMPORT: dict[str, set[str]] = {
    "signal": set(),
    "pool": set(),
    "survey": {"pool", "signal"},
    "water": set(),
    "safety": set(),
    "devices": {"signal", "safety"},
    "emulated": {"pool", "signal", "devices"},
    "service": {"devices", "safety", "survey", "signal", "pool", "water"},
    "display": {"service.messages"},
    "report": {"service.messages", "service.records", "service.store", "survey", "pool", "water", "safety", "signal"},
}
# The workshop floor that every room stands on: no logic of the job in it.
COMMON = {"errors", "units"}
EDGE_COMMON = COMMON | {"clock", "config"}
PURE = {"signal", "pool", "survey", "water", "safety"}
# What a pure room must not touch: files, sockets, processes, threads, clocks, devices.
IMPURE_MODULES = {
    "os", "io", "socket", "subprocess", "threading", "multiprocessing", "asyncio", "time", "datetime",
    "select", "pathlib", "tempfile", "shutil", "sqlite3", "serial", "gpiozero", "adafruit_ads1x15", "textual",
    "queue", "random",
}  # fmt: skip
# Named exceptions, each with its reason.
PURE_EXCEPTIONS: set[tuple[str, str]] = {
    # The disk cache of factored pools: content-addressed files, passed a folder from outside.
    ("pool.cache", "os"),
    ("pool.cache", "pathlib"),
    ("pool.cache", "tempfile"),
}


def modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        relative = path.relative_to(PACKAGE).with_suffix("")
        found.append((".".join(relative.parts), path))
    return found


def imports_of(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: write absolute imports"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize(("name", "path"), modules(), ids=lambda value: value if isinstance(value, str) else "")
def test_arrows_run_one_way(name: str, path: Path) -> None:
    room = name.split(".")[0]
    if room not in MAY_IMPORT:
        return
    allowed = MAY_IMPORT[room] | {room} | (COMMON if room in PURE else EDGE_COMMON)
    for imported in imports_of(path):
        if not imported.startswith("earthward."):
            continue
        target = imported.removeprefix("earthward.")
        if target == "__version__":
            continue
        assert any(target == a or target.startswith(a + ".") for a in allowed), f"{name} must not import {imported}"


@pytest.mark.parametrize(("name", "path"), modules(), ids=lambda value: value if isinstance(value, str) else "")
def test_pure_rooms_touch_no_world(name: str, path: Path) -> None:
    if name.split(".")[0] not in PURE:
        return
    for imported in imports_of(path):
        top = imported.split(".")[0]
        assert top not in IMPURE_MODULES or (name, top) in PURE_EXCEPTIONS, (
            f"{name} is pure and must not import {imported}"
        )


def test_emulated_is_imported_only_by_bench_entry_points() -> None:
    entries = {"commands.replay", "commands.bench"}
    for name, path in modules():
        if name.startswith("emulated") or name in entries or name.startswith("commands.demo"):
            continue
        assert not any(i.startswith("earthward.emulated") for i in imports_of(path)), f"{name} must not import emulated"


def test_the_check_bites(tmp_path: Path) -> None:
    wrong = tmp_path / "x.py"
    wrong.write_text("from earthward.service import daemon\nimport socket\n")
    assert imports_of(wrong) == {"earthward.service.daemon", "socket"}
