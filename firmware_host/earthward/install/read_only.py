"""The read-only root: pulling the plug at any moment then leaves the system's card as it was.

Surveys, recordings and flight records are on a partition of their own, mounted at /var/lib/earthward; what else wants
to write gets memory. The root is mounted as /etc/fstab says, so nothing but that file is changed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from earthward.errors import InputError
from earthward.install.changes import Block, System, write_system_file

FSTAB = "/etc/fstab"
DATA = "/var/lib/earthward"
#: mount points that are written to and need not outlive a restart, with the room they get
IN_MEMORY = {"/tmp": "64M", "/var/tmp": "16M", "/var/log": "32M", "/var/cache/earthward": "32M"}
#: mounted read-only: the system and the boot partition
CLOSED = ("/", "/boot/firmware", "/boot")
#: fields of a line of fstab: device, place, kind, options, the rest
LINE = re.compile(r"^(\s*[^#\s]\S*\s+)(\S+)(\s+\S+\s+)(\S+)(.*)$", re.M)


@dataclass(frozen=True)
class ReadOnlyRoot:
    """Change: see above. Undone, root and boot partition are written to again after a restart."""

    @property
    def text(self) -> str:
        return f"mount root and boot partition read-only, and {', '.join(IN_MEMORY)} in memory ({FSTAB})"

    def due(self, system: System) -> bool:
        path = system.path(FSTAB)
        return not path.is_file() or self._closed(path.read_text(encoding="utf-8")) != path.read_text(encoding="utf-8")

    def make(self, system: System) -> None:
        """Raises InputError without a partition for the surveys: on a read-only card none could be kept."""
        path = system.path(FSTAB)
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        if DATA not in {line[2] for line in LINE.finditer(text)}:
            raise InputError(
                f"with a read-only root surveys need a partition of their own: make one, name it in {FSTAB} with the "
                f"mount point {DATA}, and install again"
            )
        write_system_file(path, self._closed(text))

    def undo(self, system: System) -> None:
        path = system.path(FSTAB)
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        # Only what we closed: somebody's own read-only mount has no block of ours beside it.
        if (opened := Block.without(text)) != text:
            write_system_file(path, LINE.sub(lambda line: _with_options(line, closed=False), opened))

    @staticmethod
    def _closed(text: str) -> str:
        rest = LINE.sub(lambda line: _with_options(line, closed=True), Block.without(text))
        gap = "" if not rest or rest.endswith("\n") else "\n"
        mine = "\n".join(f"tmpfs {place} tmpfs nosuid,nodev,size={size} 0 0" for place, size in IN_MEMORY.items())
        return rest + gap + Block(FSTAB, mine).wanted


def _with_options(line: re.Match[str], closed: bool) -> str:
    if line[2] not in CLOSED:
        return line[0]
    options = [option for option in line[4].split(",") if option not in ("ro", "rw")]
    options += ["ro"] if closed else []
    return f"{line[1]}{line[2]}{line[3]}{','.join(options) or 'defaults'}{line[5]}"
