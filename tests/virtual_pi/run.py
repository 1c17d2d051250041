#!/usr/bin/env python3
"""Install Earthward on a virtual Pi as docs/install-pi.md says, then be unkind to it; print a table.

    python tests/virtual_pi/run.py [--build FOLDER] [--keep] [--only STAGE ...] [--write PAGE]

Stages: install, boot, faults, power, versions, load, load-500. The machine after `install` is kept in the build
folder: with --keep it is taken as it is. What each stage found is kept there too, so that stages may be run one after
another; the page then shows the last of each, and says of the others that they were not run. All but the installations
run on a processor whose time is counted in instructions, so that times do not depend on how busy this machine is.
Everything below the daemon's devices is EMULATED.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tarfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.virtual_pi.machine import LONG_S, Machine, MachineError, Settings
from tests.virtual_pi.power_cut import Cuts

PAGE = ROOT / "docs" / "install-pi.md"
PYTHON = "cd /usr/lib/virtual && /opt/virtual/bin/python"
CONFIG = "/etc/earthward/earthward.toml"
STAGES = ("install", "boot", "faults", "power", "versions", "load", "load-500")
#: so many instructions a second, in millions: about a Zero 2 W (from memory, to a factor of 1.5)
MIPS = 1000


class Table:
    """What happened, line by line; printed as it comes, and kept by stage in a file."""

    def __init__(self, kept: Path) -> None:
        self._kept = kept
        self.stages: dict[str, list[tuple[str, str]]] = json.loads(kept.read_text()) if kept.exists() else {}
        """The last row of each says whether the stage came to its end."""
        self.rows: list[tuple[str, str]] = []
        self.failed = 0

    def begin(self, stage: str) -> None:
        self.rows = []
        self.stages[stage] = self.rows
        self._keep("was ended from outside before its end")

    def end(self) -> None:
        self._keep("ran to its end")

    def add(self, what: str, found: str, good: bool = True) -> None:
        self.failed += not good
        self.rows.append((what, found if good else f"**NOT AS IT SHOULD BE** {found}"))
        print(f"{what:58s} {self.rows[-1][1]}", flush=True)
        self._keep("was ended from outside before its end")

    def _keep(self, ending: str) -> None:
        kept = {stage: rows + [("the stage", ending)] * (rows is self.rows) for stage, rows in self.stages.items()}
        self._kept.write_text(json.dumps(kept, indent=1))

    def as_page(self) -> str:
        rows = [(f"{stage}: {what}", found) for stage, kept in self.stages.items() for what, found in kept]
        rows += [(stage, "not run") for stage in STAGES if stage not in self.stages]
        rows = [row for row in rows if not row[0].endswith(": the stage") or row[1] != "ran to its end"]
        lines = ["| what | found |", "|---|---|"]
        lines += [f"| {what} | {' '.join(found.split()).replace('|', '/')} |" for what, found in rows]
        return "\n".join(lines) + "\n"


def steps_of(page: Path) -> list[str]:
    """The commands of the page's numbered steps, in order."""
    blocks = re.findall(r"^ {3}```sh\n(.*?)^ {3}```", page.read_text(), re.M | re.S)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


def checkout(target: Path, version: str | None = None) -> None:
    """This checkout's committed files as an archive; with another version's number if wanted."""
    subprocess.run(["git", "archive", "-o", str(target), "HEAD"], cwd=ROOT, check=True)
    if version is not None:
        folder = target.with_suffix(".d")
        subprocess.run(["rm", "-rf", str(folder)], check=True)
        with tarfile.open(target) as archive:
            archive.extractall(folder, filter="data")
        project = folder / "pyproject.toml"
        project.write_text(re.sub(r'^version = ".*"$', f'version = "{version}"', project.read_text(), flags=re.M))
        package = folder / "firmware_host" / "earthward" / "__init__.py"
        package.write_text(
            re.sub(r'^__version__ = ".*"$', f'__version__ = "{version}"', package.read_text(), flags=re.M)
        )
        with tarfile.open(target, "w") as archive:
            archive.add(folder, ".")
    with target.open("ab") as file:  # a drive has whole sectors
        file.write(b"\0" * (-target.stat().st_size % 512))


def copied(source: Path, target: Path) -> Path:
    subprocess.run(["cp", "--sparse=always", str(source), str(target)], check=True)
    return target


def drive(archive: Path) -> list[str]:
    return [
        "-drive",
        f"if=none,file={archive},format=raw,id=tar,readonly=on",
        "-device",
        "virtio-blk-device,drive=tar,serial=checkout",
    ]


# ---- stages ---------------------------------------------------------------------------------------------------------


def install(folder: Path, table: Table) -> None:
    """The page's steps up to the restart, as the user pi."""
    archive = folder / "checkout.tar"
    checkout(archive)
    disk = copied(folder / "disk.img", folder / "installed.img")
    with Machine(Settings(folder, disk, extra=drive(archive))) as machine:
        machine.wait_up()
        unpack = "mkdir -p earthward && tar -x -C earthward -f - < /dev/disk/by-id/virtio-checkout"
        machine.must(f"cd /home/pi && {unpack} && chown -R pi:pi earthward", seconds=LONG_S)
        for command in steps_of(PAGE):
            if command == "sudo reboot":
                break
            begin = time.monotonic()
            said = machine.must(f"cd /home/pi/earthward && {command}", user="pi", seconds=3000)
            last = said.strip().splitlines()[-1] if said.strip() else ""
            table.add(f"`{command}`", f"ended with 0 ({time.monotonic() - begin:.0f} real s): {last}")
        lgpio = machine.run("/opt/earthward/current/bin/python -c 'import lgpio; print(lgpio.__file__)'").out.strip()
        table.add("pins' library", lgpio or "missing", bool(lgpio))
        # The emulated world has a Python of its own, that no upgrade changes.
        machine.must("ln -sfn $(readlink /opt/earthward/current) /opt/virtual")
        machine.run("systemctl disable earthward-screen 2>/dev/null")
        machine.switch_off(LONG_S)


def boot(folder: Path, table: Table, disk: Path) -> None:
    """The restart, the doctor, a survey, a visit by scripted hands."""
    with Machine(Settings(folder, disk, MIPS)) as machine:
        machine.wait_up(1200)
        # Asked for at once by a unit inside: between two commands from here the machine's time may run far ahead.
        ready = machine.must("systemctl start virtual-ready && cat /run/virtual-ready", seconds=300).strip()
        table.add("power on to board and receiver well", f"{ready} s of the machine's time", float(ready) < 120)
        rest = steps_of(PAGE)
        for command in rest[rest.index("sudo reboot") + 1 :]:
            if command.startswith("sudo cp pool.toml"):
                machine.must(f"{PYTHON} pool.py /home/pi/earthward/pool.toml")
            answer = machine.run(f"cd /home/pi/earthward && {command}", user="pi", seconds=300)
            told = " / ".join(line.strip() for line in f"{answer.out}\n{answer.err}".splitlines() if line.strip())
            table.add(f"`{command}`", f"ended with {answer.code}. {told}", answer.code == 0)
        score = machine.run(
            "systemd-analyze security earthward.service --no-pager | tail -n 1", seconds=120
        ).out.strip()
        table.add("`systemd-analyze security`", score)
        result = json.loads(machine.must(f"{PYTHON} ready.py > /dev/null && {PYTHON} visitor.py 6", seconds=600))
        table.add("visit by scripted hands, 6 readings", json.dumps(result)[1:-1].replace('"', ""))
        machine.switch_off(LONG_S)


FAULTS = (
    ("kill", "daemon killed (SIGKILL) while the source is on"),
    ("hang", "daemon hangs (SIGSTOP): the service manager's watchdog ends it"),
    ("bus", "converter gone from the bus for some seconds"),
    ("cable", "board's USB cable pulled and plugged in again"),
)


def faults(folder: Path, table: Table, disk: Path) -> None:
    with Machine(Settings(folder, copied(disk, folder / "faulty.img"), MIPS)) as machine:
        machine.wait_up(1200)
        machine.must(f"{PYTHON} ready.py", seconds=300)
        for name, text in FAULTS:
            number = machine.begin(f"{PYTHON} faulty.py {name}", seconds=300)
            answer, heard = None, len(machine.marks())
            while answer is None:
                answer = machine.finished(number, 0.5)
                for word in machine.marks()[heard:]:
                    heard += 1
                    machine.unplug_cable() if word == "pull" else machine.plug_cable()
            found: dict[str, Any] = json.loads(answer.out) if answer.out.strip() else {"problem": answer.err[-300:]}
            if "problem" in found:
                table.add(text, found["problem"], False)
                continue
            off, well = found["off_s"], found["well_s"]
            good = off is not None and off < 1.5 and well is not None and found["came_on"] == "False"
            again = "restarted" if found["restarted"] else "the same process"
            said = f", named {found['named']!r}" if found["named"] else ""
            table.add(text, f"output off after {seconds(off)}{said}; well again {seconds(well)} later ({again})", good)


def seconds(value: float | None) -> str:
    return "never" if value is None else f"{value:.2f} s"


def power(folder: Path, table: Table, disk: Path, cuts: int) -> None:
    """The machine is cut off while readings are kept; what was acknowledged must be there."""
    work = copied(disk, folder / "cut.img")
    log = folder / "writes.log"
    with Machine(Settings(folder, work, MIPS, log_writes=log)) as machine:
        machine.wait_up(1200)
        machine.must(f"{PYTHON} ready.py", seconds=300)
        survey = machine.must("ls -d /var/lib/earthward/surveys/*/survey.db | tail -n 1").strip()
        seen: list[tuple[int, int]] = []
        number = machine.begin(f"{PYTHON} visitor.py 40 /dev/virtio-ports/marks", seconds=900)
        while len(seen) < 25 and machine.finished(number, 0.05) is None:
            for mark in machine.marks()[len(seen) :]:
                seen.append((log.stat().st_size, int(mark.split()[0])))
        machine.cut_power()
    found = Cuts(disk, log, folder / "after.img").try_out(seen, survey, cuts)
    table.add(
        f"power cut at {found.tried} random moments of {found.writes} writes, {len(seen)} readings acknowledged",
        f"{found.missing} acknowledged readings missing, {found.unsound} file systems unsound after their journal",
        found.missing == 0 and found.unsound == 0 and len(seen) > 0,
    )


def versions(folder: Path, table: Table, disk: Path) -> None:
    """A later checkout over it, and back."""
    archive = folder / "later.tar"
    checkout(archive, "9.9.9")
    with Machine(Settings(folder, copied(disk, folder / "later.img"), extra=drive(archive))) as machine:
        machine.wait_up()
        # In real time the daemon and the emulated world take the whole emulated processor: nothing else gets on.
        machine.must("systemctl stop earthward virtual-world", seconds=LONG_S)
        machine.must(
            "cd /home/pi && mkdir -p later && tar -x -C later -f - < /dev/disk/by-id/virtio-checkout"
            " && chown -R pi:pi later",
            seconds=LONG_S,
        )
        machine.must("cd /home/pi/later && sudo ./install.sh --no-start", user="pi", seconds=3000)
        first = machine.must("earthward --version", seconds=LONG_S).strip()
        machine.must("sudo earthward install --rollback", user="pi", seconds=LONG_S)
        second = machine.must("earthward --version", seconds=LONG_S).strip()
        table.add(
            "upgrade to 9.9.9, then `--rollback`", f"{first}, then {second}", "9.9.9" in first and "9.9.9" not in second
        )
        machine.switch_off(LONG_S)


#: millions of instructions a second: (share of samples that may be lost, processor seconds a second of the instrument)
LOAD_BARS = {1000: (0.0005, 0.15), 500: (0.005, 0.30)}


def load(folder: Path, table: Table, disk: Path, mips: int) -> None:
    """What the running instrument costs and loses on a small processor, quiet and in a burst of work."""
    lost_bar, cpu_bar = LOAD_BARS[mips]
    with Machine(Settings(folder, copied(disk, folder / "load.img"), mips)) as machine:
        machine.wait_up(1800)
        machine.must(f"{PYTHON} ready.py", seconds=300)
        found: dict[str, Any] = json.loads(machine.must(f"{PYTHON} load.py 10", seconds=900))
    for name in ("quiet", "burst"):
        part = found[name]
        if not found["dashboard"]:
            raise MachineError("the dashboard has ended before the load was measured")
        lost = part["lost"] / part["conversions"]
        each = ", ".join(f"{who} {share:.3f}" for who, share in part["cpu"].items())
        ours = part["cpu"]["daemon"] + part["cpu"]["reader"] + part["cpu"]["dashboard"]
        table.add(
            f"{mips} MIPS, {name}, {part['seconds']:.0f} s: samples",
            f"{part['lost']} of {part['conversions']} lost ({lost:.2%})",
            lost <= lost_bar,
        )
        table.add(
            f"{mips} MIPS, {name}: processor seconds a second",
            f"{ours:.3f} of the instrument ({each}); processor idle {part['idle']:.0%}",
            name == "burst" or ours <= cpu_bar,
        )
    table.add(f"{mips} MIPS: busiest threads of the daemon", ", ".join(f"{x:.3f}" for x in found["quiet"]["threads"]))
    off = found["off_s"]
    table.add(f"{mips} MIPS: source off asked for in the burst", f"done after {off * 1e3:.0f} ms", off <= 0.1)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--build", type=Path, default=ROOT / "build" / "virtual-pi")
    parser.add_argument("--keep", action="store_true", help="take the installed machine of the last run")
    parser.add_argument("--only", nargs="*", choices=STAGES, default=STAGES[:5])
    parser.add_argument("--cuts", type=int, default=20)
    parser.add_argument("--write", type=Path, help="write the table into this page, below its line of dashes")
    args = parser.parse_args()
    folder = args.build.resolve()
    table = Table(folder / "found.json")
    begin = time.monotonic()
    stages: dict[str, Callable[[], None]] = {
        "install": lambda: install(folder, table),
        "boot": lambda: boot(folder, table, folder / "installed.img"),
        "faults": lambda: faults(folder, table, folder / "installed.img"),
        "power": lambda: power(folder, table, folder / "installed.img", args.cuts),
        "versions": lambda: versions(folder, table, folder / "installed.img"),
        "load": lambda: load(folder, table, folder / "installed.img", 1000),
        "load-500": lambda: load(folder, table, folder / "installed.img", 500),
    }
    for name, stage in stages.items():
        if name not in args.only or (name == "install" and args.keep):
            continue
        table.begin(name)
        try:
            stage()
        except (MachineError, TimeoutError, subprocess.TimeoutExpired, ValueError) as error:
            table.add(f"stage {name}", f"did not get through: {error}", False)
        table.end()
    print(f"{time.monotonic() - begin:.0f} real s; {table.failed} not as they should be")
    if args.write:
        args.write.write_text(re.sub(r"(?s)\n\| what \|.*", "\n", args.write.read_text()) + table.as_page())
    return 1 if table.failed else 0


if __name__ == "__main__":
    sys.exit(main())
