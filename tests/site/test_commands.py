"""Every command that a page tells people to type: the cheap ones run here, the others stand below with their reason."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
from pathlib import Path

import pytest

from earthward.cli import build_parser, main

ROOT = Path(__file__).parents[2]
_BLOCK = re.compile(r"^\s*```(?:sh|bash|console)\n(.*?)^\s*```", re.S | re.M)

#: How a line begins that is not run here, and why; where another test runs it, which.
NOT_RUN: dict[str, str] = {
    "make demo": "opens the dashboard: tests/display/test_hands.py plays it",
    "make test": "is what runs this",
    "make site": "tests/site/test_site.py builds it",
    "sudo ": "needs a Raspberry Pi as root: tests/virtual_pi does these lines on an emulated one",
    "./install.sh": "needs a Raspberry Pi: tests/virtual_pi, tests/unit/test_install.py",
    "earthward demo": "opens the dashboard, or takes minutes: tests/display/test_hands.py, tests/bench",
    "earthward practice --grade": "opens the dashboard; its parts run in tests/unit/test_practice.py",
    "earthward practice --check": "needs a visit's file: tests/unit/test_practice.py checks one",
    "earthward practice --class": "needs a broker: tests/bench/test_class.py has one",
    "earthward watch": "opens the dashboard: tests/display",
    "earthward bundle": "needs a visit's files: the bundle's own tests make some",
    "earthward compare-world": "needs a bundle: the bundle's own tests make one",
    "earthward bench tank": "minutes of search: its own page's tests run it",
    "python ": "a benchmark or a generator: minutes; its page says how long",
    "python3 ": "a benchmark or a generator: minutes; its page says how long",
    "git ": "fetches the source",
    "cd ": "where to stand; commands here run at the root",
    "pip ": "fetches packages: make does it in every test run",
    ".venv/bin/pip ": "fetches packages: make does it in every test run",
    "mosquitto": "a broker that listens: tests/bench/test_class.py starts one",
}


#: A word in capitals stands for a file of the reader's own: such a line cannot run, its options must exist.
_OWN_FILE = re.compile(r"\[?[A-Z][A-Z_-]+(\.[a-z]+)?\]?(\.\.\.\])?$|\.\.\.")


def not_run(line: str) -> bool:
    return line.startswith(tuple(NOT_RUN)) or any(_OWN_FILE.match(word) and word != "OUT" for word in shlex.split(line))


def commands() -> list[tuple[str, str]]:
    """(page, line) of every fenced shell line, comments cut off."""
    found = []
    for page in [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]:
        for block in _BLOCK.findall(page.read_text(encoding="utf-8")):
            for line in block.replace("\\\n", " ").splitlines():
                bare = line.strip().removeprefix("$ ").split(" #")[0].strip()
                if bare and not bare.startswith("#"):
                    found.append((page.name, bare))
    return found


def test_every_command_runs_or_is_declared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cheap ones are run as typed at the root of the source; outputs named OUT go to a folder of the test."""
    monkeypatch.chdir(ROOT)
    failed = []
    for page, line in commands():
        if not_run(line):
            continue
        words = [w if w != "OUT" else str(tmp_path / "out") for w in shlex.split(line)]
        if words[0] != "earthward":
            failed.append(f"{page}: {line}: neither run nor declared in NOT_RUN")
            continue
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = main(words[1:])
        if code != 0:
            failed.append(f"{page}: {line}: exit {code}: {said.getvalue()[-200:]}")
    assert failed == []


def test_what_is_not_run_is_understood(capsys: pytest.CaptureFixture[str]) -> None:
    """Of those that are not run the options at least are those that there are."""
    wrong = []
    for page, line in commands():
        if not (line.startswith("earthward ") and not_run(line)):
            continue
        words = shlex.split(line)[1:]
        try:
            build_parser(words[0]).parse_args(words)
        except SystemExit:
            wrong.append(f"{page}: {line}: {capsys.readouterr().err.strip()[-150:]}")
    assert wrong == []


def test_there_are_commands_and_the_test_bites() -> None:
    lines = [line for _, line in commands()]
    assert "earthward demo" in lines and "earthward loss docs/examples/level-log.csv" in lines
    with contextlib.redirect_stderr(io.StringIO()), pytest.raises(SystemExit):
        build_parser("demo").parse_args(["demo", "--no-such-option"])
