"""Changes to a system, each of which knows whether it is still to be made, and how to take it back.

Every path is below `System.root`, so that a test (or an image that is being built) is changed as a running system is.
Commands go through `System.run`; a change never runs one by itself.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from earthward.errors import InputError
from earthward.survey.files.whole import write_whole

Runner = Callable[[Sequence[str]], None]


def run_command(command: Sequence[str]) -> None:
    """Run one command of the system. Raises InputError with what it said."""
    try:
        done = subprocess.run(list(command), capture_output=True, text=True, timeout=300.0, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError(f"{' '.join(command)} could not be run ({error}); put that right and install again") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines() or ["no word"]
        raise InputError(f"{' '.join(command)} failed ({said[-1]}); put that right and install again")


@dataclass(frozen=True)
class System:
    """Where and how to change things."""

    root: Path = Path("/")
    run: Runner = field(default=run_command)

    def path(self, absolute: str) -> Path:
        return self.root / absolute.lstrip("/")


class Change(Protocol):
    """One change. `due`: it is not as it should be; `make` and `undo` are harmless when there is nothing to do."""

    @property
    def text(self) -> str: ...
    def due(self, system: System) -> bool: ...
    def make(self, system: System) -> None: ...
    def undo(self, system: System) -> None: ...


@dataclass(frozen=True)
class OwnFile:
    """A file that is wholly ours. keep: what a person changed in it is left alone, now and at removal."""

    target: str
    content: str
    keep: bool = False

    @property
    def text(self) -> str:
        return f"write {self.target}"

    def due(self, system: System) -> bool:
        path = system.path(self.target)
        if not path.is_file():
            return True
        return not self.keep and path.read_text(encoding="utf-8") != self.content

    def make(self, system: System) -> None:
        write_system_file(system.path(self.target), self.content)

    def undo(self, system: System) -> None:
        if not self.keep:
            system.path(self.target).unlink(missing_ok=True)


@dataclass(frozen=True)
class Block:
    """Lines of ours in a file of the system's, between two marks. Files that are not there are left so."""

    target: str
    content: str

    @property
    def text(self) -> str:
        return f"add to {self.target}: {', '.join(self.content.split())}"

    @property
    def wanted(self) -> str:
        return f"# earthward begin\n{self.content.strip()}\n# earthward end\n"

    def due(self, system: System) -> bool:
        path = system.path(self.target)
        return path.is_file() and self.wanted not in path.read_text(encoding="utf-8")

    def make(self, system: System) -> None:
        path = system.path(self.target)
        rest = self.without(path.read_text(encoding="utf-8"))
        gap = "" if not rest or rest.endswith("\n") else "\n"
        write_system_file(path, rest + gap + self.wanted)

    def undo(self, system: System) -> None:
        path = system.path(self.target)
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            if self.without(text) != text:
                write_system_file(path, self.without(text))

    @staticmethod
    def without(text: str) -> str:
        return re.sub(r"^# earthward begin\n.*?^# earthward end\n", "", text, flags=re.M | re.S)


@dataclass(frozen=True)
class ServiceUser:
    """The daemon's own user, without a password, a shell or a home to log in to. It stays at removal: the surveys
    belong to it."""

    name: str
    groups: tuple[str, ...] = ()
    """Those that own the devices: for commands that are run as this user; the unit names them as well."""

    @property
    def text(self) -> str:
        return f"add the user {self.name}" + (f" to {', '.join(self.groups)}" if self.groups else "")

    def due(self, system: System) -> bool:
        return not self._there(system) or not all(self._member(system, group) for group in self.groups)

    def make(self, system: System) -> None:
        below = [] if str(system.root) == "/" else ["--prefix", str(system.root)]
        if not self._there(system):
            system.run(
                ["useradd", *below, "--system", "--user-group", "--no-create-home", "--home-dir", "/var/lib/earthward",
                 "--shell", "/usr/sbin/nologin", self.name]
            )  # fmt: skip
        if self.groups:
            system.run(["usermod", *below, "--append", "--groups", ",".join(self.groups), self.name])

    def _there(self, system: System) -> bool:
        path = system.path("/etc/passwd")
        return path.is_file() and re.search(rf"^{self.name}:", path.read_text(encoding="utf-8"), re.M) is not None

    def _member(self, system: System, group: str) -> bool:
        lines = system.path("/etc/group").read_text(encoding="utf-8").splitlines()
        members = [line.rsplit(":", 1)[1].split(",") for line in lines if line.startswith(f"{group}:")]
        return any(self.name in names for names in members)

    def undo(self, system: System) -> None:
        """Nothing: see above."""


def write_system_file(path: Path, content: str) -> None:
    """The whole file or the old one, with the old one's permissions."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, content, path.stat().st_mode & 0o777 if path.exists() else 0o644)
