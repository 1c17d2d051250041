"""What an installed Earthward changes on a Raspberry Pi, in order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

from earthward.errors import InputError
from earthward.install.changes import Block, Change, OwnFile, ServiceUser, System
from earthward.install.read_only import ReadOnlyRoot

USER = "earthward"
#: groups that own the devices on Raspberry Pi OS; one that a system lacks is left out of the unit
DEVICE_GROUPS = ("i2c", "gpio", "dialout", "audio")
#: where the boot configuration lies: Debian 12 and later, and before
BOOT_CONFIGS = ("/boot/firmware/config.txt", "/boot/config.txt")
UNIT_FOLDER = "/etc/systemd/system"


@dataclass(frozen=True)
class Options:
    """prefix: folder with the versions and the link `current`. adapter: serial name of the source board's cable as
    udev tells it (ID_SERIAL); None: the first USB serial adapter. screen: show the dashboard on the first console.
    read_only: see `read_only.py`."""

    prefix: str = "/opt/earthward"
    adapter: str | None = None
    screen: bool = False
    read_only: bool = False


def changes(options: Options, system: System) -> list[Change]:
    """Everything that the system needs. Raises InputError for options that cannot be written into a rule."""
    if options.adapter is not None and not re.fullmatch(r"[A-Za-z0-9_.:\-]{1,128}", options.adapter):
        raise InputError(
            f"--adapter {options.adapter!r} is no serial name: take what `udevadm info -q property /dev/ttyUSB0` "
            "prints after ID_SERIAL="
        )
    files: list[Change] = [
        ServiceUser(USER, groups_of(system)),
        OwnFile("/etc/earthward/earthward.toml", _file("earthward.toml"), keep=True),
        OwnFile("/etc/udev/rules.d/70-earthward.rules", udev_rule(options.adapter)),
        OwnFile("/etc/modules-load.d/earthward.conf", "i2c-dev\n"),
        OwnFile("/etc/systemd/journald.conf.d/earthward.conf", "[Journal]\nSystemMaxUse=100M\n"),
        OwnFile(f"{UNIT_FOLDER}/earthward.service", unit("earthward.service", options, groups_of(system))),
    ]
    if options.screen:
        screen = unit("earthward-screen.service", options, ())
        files.append(OwnFile(f"{UNIT_FOLDER}/earthward-screen.service", screen))
    # The converter wants 400 kHz: at the default 100 kHz one reading takes longer than a conversion.
    bus = "dtparam=i2c_arm=on\ndtparam=i2c_arm_baudrate=400000"
    present = [path for path in BOOT_CONFIGS if system.path(path).is_file()]
    files += [Block(path, bus) for path in present[:1]]
    return [*files, ReadOnlyRoot()] if options.read_only else files


def everything(options: Options, system: System) -> list[Change]:
    """What a removal takes back, whatever options the installation had."""
    return changes(Options(options.prefix, None, screen=True, read_only=True), system)


def units(options: Options) -> list[str]:
    return ["earthward.service"] + (["earthward-screen.service"] if options.screen else [])


def after(options: Options, start: bool, bus_is_on: bool) -> list[list[str]]:
    """Commands that make the changes count. bus_is_on: no restart of the machine is due before the daemon can read the
    converter; otherwise it starts with that."""
    commands = [["systemctl", "daemon-reload"], ["udevadm", "control", "--reload"], ["udevadm", "trigger", "-s", "tty"]]
    if start:
        commands.append(["systemctl", "enable", *units(options)])
    if start and bus_is_on:
        commands.append(["systemctl", "restart", *units(options)])
    return commands


def unit(name: str, options: Options, groups: Sequence[str]) -> str:
    text = _file(name).replace("@PREFIX@", options.prefix)
    if groups:
        return text.replace("@GROUPS@", " ".join(groups))
    return "\n".join(line for line in text.split("\n") if "@GROUPS@" not in line)


def groups_of(system: System) -> tuple[str, ...]:
    """Those of the devices' groups that this system has: a unit with an unknown group does not start."""
    path = system.path("/etc/group")
    known = path.read_text(encoding="utf-8") if path.is_file() else ""
    return tuple(name for name in DEVICE_GROUPS if re.search(rf"^{name}:", known, re.M))


def udev_rule(adapter: str | None) -> str:
    """A name for the board's cable that survives replugging."""
    match = f'ENV{{ID_SERIAL}}=="{adapter}"' if adapter else 'KERNEL=="ttyUSB[0-9]*|ttyACM[0-9]*"'
    return (
        "# Earthward: the isolated serial cable to the source board\n"
        f'SUBSYSTEM=="tty", {match}, SYMLINK+="serial/by-id/earthward-source", GROUP="dialout", MODE="0660"\n'
    )


def _file(name: str) -> str:
    return resources.files("earthward.install").joinpath("files", name).read_text(encoding="utf-8")
