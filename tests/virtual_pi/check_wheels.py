#!/usr/bin/env python3
"""Does all that Earthward needs come as a wheel for a Pi (aarch64), or purely in Python? Asks pip, prints a table.

    python tests/virtual_pi/check_wheels.py [--python 3.11 3.13] [--write docs/dependencies.md]

Nothing is installed. `lgpio` may come from Debian (python3-lgpio) instead. Exit code 1 if something comes as neither.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.virtual_pi.requirements import needed

PLATFORMS = ("manylinux2014_aarch64", "manylinux_2_17_aarch64", "manylinux_2_28_aarch64", "manylinux_2_34_aarch64")
#: come as pure Python without a wheel: pip makes one on the Pi, no compiler is needed
PURE_SOURCES = ("psychrolib", "adafruit-extended-bus")
FROM_DEBIAN = "lgpio"


def resolve(version: str, wanted: list[str], folder: Path) -> tuple[list[str], str]:
    """File names that pip would take for a Pi with this Python, or what it says instead."""
    command = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed", "--target",
               str(folder / "none"), "--report", str(folder / "report.json"), "--only-binary=:all:",
               "--implementation", "cp", "--python-version", version, "--find-links", str(folder)]  # fmt: skip
    for platform in PLATFORMS:
        command += ["--platform", platform]
    done = subprocess.run([*command, *wanted], capture_output=True, text=True, check=False)
    if done.returncode:
        return [], next((line for line in done.stderr.splitlines() if line.startswith("ERROR")), done.stderr[-300:])
    report = json.loads((folder / "report.json").read_text())
    return sorted(entry["download_info"]["url"].rsplit("/", 1)[-1] for entry in report["install"]), ""


def as_table(found: dict[str, list[str]]) -> str:
    """Each package once: which version, and whether it is for aarch64 or for any machine."""
    versions: dict[str, dict[str, str]] = {}
    for python, files in found.items():
        for file in files:
            name, version = file.split("-")[:2]
            kind = "aarch64" if "aarch64" in file else "pure Python"
            versions.setdefault(name.replace("_", "-").lower(), {})[python] = f"{version}, {kind}"
    lines = [f"| package | {' | '.join(f'Python {python}' for python in found)} |", "|---" * (1 + len(found)) + "|"]
    for name in sorted(versions):
        lines.append(f"| {name} | {' | '.join(versions[name].get(python, 'from Debian') for python in found)} |")
    return "\n".join(lines) + "\n"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--python", nargs="+", default=["3.11", "3.13"])
    parser.add_argument("--write", type=Path, help="write the list into this page, below its line of dashes")
    args = parser.parse_args()
    found: dict[str, list[str]] = {}
    wanted = [name for name in needed(ROOT / "pyproject.toml") if not name.startswith(FROM_DEBIAN)]
    failed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", name, *PURE_SOURCES]
        subprocess.run(make, check=True, capture_output=True)
        for version in args.python:
            files, trouble = resolve(version, wanted, folder)
            failed += not files
            native = [file for file in files if "aarch64" in file]
            print(f"Python {version}: {trouble or f'{len(files)} wheels, {len(native)} of them for aarch64:'}")
            for file in native:
                print(f"    {file}")
            pins, trouble = resolve(version, [f"{FROM_DEBIAN}>=0.2"], folder)
            found[version] = files + pins
            print(f"    {FROM_DEBIAN}: {pins[0] if pins else 'no wheel; Debian has python3-lgpio from 13 on'}")
    if args.write and not failed:
        args.write.write_text(re.sub(r"(?s)\n\| package \|.*", "\n", args.write.read_text()) + as_table(found))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
