"""The house: who may import whom. DEVELOPERS.md draws it; this test reads the imports and enforces it."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "firmware_host" / "earthward"

# room -> rooms (or single modules) of the project that it may import; everybody may import `record`
MAY_IMPORT: dict[str, set[str]] = {
    "record": set(),
    "signal": set(),
    "pool": set(),
    "water": set(),
    "safety": set(),
    "kit": set(),
    "bench": {"kit", "signal", "pool", "inversion"},
    "inversion": {"pool"},
    "survey": {"inversion", "pool", "water", "safety"},
    "devices": {"signal", "safety"},
    "emulated": {"pool", "signal", "devices"},
    "daemon": {"survey", "inversion", "devices", "safety", "signal", "pool", "water"},
    "display": {"daemon.protocol"},
    "practice": {"emulated", "inversion", "pool", "survey", "safety", "report", "daemon.spot"},
    "bundle": {"bench", "survey", "inversion", "pool", "signal", "daemon.recorder"},
    "report": {"daemon.protocol", "survey", "inversion", "pool", "water", "safety", "signal"},
}
# The workshop floor that every room stands on: no logic of the job in it.
COMMON = {"record", "errors", "units", "validation"}
EDGE_COMMON = COMMON | {"clock", "config"}
PURE = {"record", "signal", "pool", "inversion", "water", "safety", "kit", "bench"}
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
#: Commands that may build the emulated bench.
BENCH_ENTRIES = ("emulated", "practice", "commands.practice", "commands.replay", "commands.bench", "commands.demo",
                 "commands._acceptance", "commands.calibrate")  # fmt: skip


def modules() -> list[tuple[str, Path]]:
    paths = sorted(PACKAGE.rglob("*.py"))
    return [(".".join(path.relative_to(PACKAGE).with_suffix("").parts), path) for path in paths]


def imports_of(path: Path) -> frozenset[str]:
    return imports_in(path.read_text(encoding="utf-8"))


@cache
def imports_in(text: str) -> frozenset[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write absolute imports"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(names)


def wrong_arrows(name: str, path: Path) -> list[str]:
    """Imports of the project's rooms that this module must not have."""
    room = name.split(".")[0]
    if room not in MAY_IMPORT:
        return []
    allowed = MAY_IMPORT[room] | {room, "__version__"} | (COMMON if room in PURE else EDGE_COMMON)
    if room == "record":
        allowed = {"record"}
    targets = [i.removeprefix("earthward.") for i in imports_of(path) if i.startswith("earthward.")]
    return [t for t in targets if not any(t == a or t.startswith(a + ".") for a in allowed)]


def wrong_world(name: str, path: Path) -> list[str]:
    """Imports by which a pure module would touch the world, or the record would need arrays."""
    room = name.split(".")[0]
    if room not in PURE:
        return []
    tops = {i.split(".")[0] for i in imports_of(path)}
    forbidden = IMPURE_MODULES | ({"numpy", "scipy"} if room == "record" else set())
    return sorted(top for top in tops & forbidden if (name, top) not in PURE_EXCEPTIONS)


def test_arrows_run_one_way_and_pure_rooms_touch_no_world() -> None:
    wrong = {name: [*wrong_arrows(name, path), *wrong_world(name, path)] for name, path in modules()}
    assert {name: found for name, found in wrong.items() if found} == {}


def test_emulated_is_imported_only_by_bench_entry_points() -> None:
    for name, path in modules():
        if not name.startswith(BENCH_ENTRIES):
            found = [i for i in imports_of(path) if i.startswith("earthward.emulated")]
            assert not found, f"{name} must not import {found}"


def test_the_check_bites(tmp_path: Path) -> None:
    wrong = tmp_path / "x.py"
    wrong.write_text("from earthward.daemon import life\nimport socket\n")
    assert wrong_arrows("pool.x", wrong) == ["daemon.life"]
    assert wrong_world("pool.x", wrong) == ["socket"]
    assert wrong_arrows("daemon.x", wrong) == [] == wrong_world("daemon.x", wrong)
    wrong.write_text("import numpy\nfrom earthward.pool import shape\n")
    assert wrong_arrows("record.x", wrong) == ["pool.shape"]
    assert wrong_world("record.x", wrong) == ["numpy"]
