"""`earthward install`: put the daemon on this Raspberry Pi as a service, or take it off again."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from earthward.errors import InputError
from earthward.install import plan
from earthward.install.changes import System


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--dry-run", action="store_true", help="say what would be changed, and change nothing")
    parser.add_argument("--remove", action="store_true", help="take the service off; surveys and configuration stay")
    parser.add_argument("--rollback", action="store_true", help="go back to the version before the present one")
    parser.add_argument("--screen", action="store_true", help="show the dashboard on the first console")
    parser.add_argument("--adapter", metavar="NAME", help="serial name of the source board's cable (ID_SERIAL of udev)")
    parser.add_argument(
        "--read-only-root",
        action="store_true",
        help="mount the card's system partition read-only",
    )
    parser.add_argument("--no-start", action="store_true", help="write everything, start nothing (for an image)")
    parser.add_argument("--root", type=Path, default=Path("/"), metavar="DIR", help="change the system below DIR")
    parser.add_argument("--prefix", default="/opt/earthward", metavar="DIR", help="folder that holds the versions")


def run(args: argparse.Namespace) -> int:
    system = System(args.root)
    options = plan.Options(args.prefix, args.adapter, args.screen, args.read_only_root)
    if not args.dry_run and str(args.root) == "/" and os.geteuid() != 0:
        raise InputError("this changes the system: run it with sudo, or with --dry-run to see what it would do")
    start = str(args.root) == "/" and not args.no_start
    if args.rollback:
        return roll_back(system, options, args.dry_run, start)
    if args.remove:
        return remove(system, options, args.dry_run, start)
    return install(system, options, args.dry_run, start)


def install(system: System, options: plan.Options, dry_run: bool, start: bool) -> int:
    """Make what is still to be made; a second run changes nothing."""
    due = [change for change in plan.changes(options, system) if change.due(system)]
    for change in due:
        print(f"{'would ' if dry_run else ''}{change.text}")
        if not dry_run:
            change.make(system)
    if not due:
        print("everything is as it should be")
    restart_due = any("config.txt" in change.text for change in due)
    _commands(system, plan.after(options, start, not restart_due) if start else [], dry_run)
    if restart_due:
        print("restart the Raspberry Pi once: the converter's bus is on, and the daemon runs, from then on")
    if any("read-only" in change.text for change in due):
        print("from the next restart on the root is read-only; to change it: sudo mount -o remount,rw /")
    return 0


def remove(system: System, options: plan.Options, dry_run: bool, started: bool) -> int:
    everything = plan.everything(options, system)
    if started:
        present = [u for u in plan.units(plan.Options(screen=True)) if system.path(f"{plan.UNIT_FOLDER}/{u}").exists()]
        _commands(system, [["systemctl", "disable", "--now", *present]] if present else [], dry_run)
    for change in reversed(everything):
        if dry_run:
            print(f"would take back: {change.text}")
        else:
            change.undo(system)
    _commands(system, [["systemctl", "daemon-reload"]] if started else [], dry_run)
    print("surveys in /var/lib/earthward and /etc/earthward stay; delete them by hand if they are not wanted")
    return 0


def roll_back(system: System, options: plan.Options, dry_run: bool, start: bool) -> int:
    """Point `current` at the version that `previous` names. Raises InputError if there is none."""
    current, previous = system.path(options.prefix) / "current", system.path(options.prefix) / "previous"
    if not previous.is_symlink() or not previous.resolve().is_dir():
        raise InputError(f"there is no version before the present one in {options.prefix}: nothing was changed")
    target = os.readlink(previous)
    print(f"{'would go' if dry_run else 'going'} back to {Path(target).name}")
    if not dry_run:
        was = os.readlink(current)
        _point(current, target)
        _point(previous, was)
    _commands(system, [["systemctl", "restart", "earthward.service"]] if start else [], dry_run)
    return 0


def _point(link: Path, target: str) -> None:
    """Replace a symbolic link in one step: whoever follows it finds the old version or the new one."""
    fresh = link.with_name(f".{link.name}.new")
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(target)
    os.replace(fresh, link)


def _commands(system: System, commands: list[list[str]], dry_run: bool) -> None:
    for command in commands:
        print(f"{'would run' if dry_run else 'run'}: {' '.join(command)}")
        if not dry_run:
            system.run(command)
