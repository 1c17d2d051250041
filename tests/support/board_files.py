"""The committed boards: where a board's file is, and its copper as it is read."""

from __future__ import annotations

from pathlib import Path

from hardware.boards.model import HERE
from hardware.boards.reader import Copper, read


def board_file(name: str) -> Path:
    return HERE / name / f"{name}.kicad_pcb"


def copper(name: str) -> Copper:
    return read(board_file(name))
