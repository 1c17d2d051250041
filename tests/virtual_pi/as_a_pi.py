"""Make the device tree of qemu's board look like a Raspberry Pi 4's: its name, its revision, no pins of its own."""

import re
import sys
from pathlib import Path

MODEL = "Raspberry Pi 4 Model B Rev 1.5"
#: revision code of a Pi 4 B with 4 GB, by which libraries choose the chip of the pins
REVISION = 0xC03115


def as_a_pi(tree: str) -> str:
    """The source text of the tree, changed."""
    for node in ("gpio-keys", r"pl061@[0-9a-f]+"):
        tree, count = re.subn(rf"\n\t{node} \{{.*?\n\t\}};\n", "\n", tree, flags=re.S)
        if not count:
            raise SystemExit(f"the tree has no {node}: this qemu's board is another one than was expected")
    tree = re.sub(r'\n\tmodel = "[^"]*";', "", tree)
    head = f'\n\tmodel = "{MODEL}";\n\tsystem {{\n\t\tlinux,revision = <{REVISION:#x}>;\n\t}};\n'
    changed, count = re.subn(r"(\n/ \{\n(?:\t[^{}\n]*;\n)*)", lambda found: found.group(1) + head, tree, count=1)
    if not count:
        raise SystemExit("the tree has no root")
    return changed


if __name__ == "__main__":
    Path(sys.argv[2]).write_text(as_a_pi(Path(sys.argv[1]).read_text()))
