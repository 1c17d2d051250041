"""What only a hand can do. On an emulated bench there is none, so a key asks the bench's process for it; a real
instrument has no such keys, and its daemon takes no such wish."""

from __future__ import annotations

import contextlib
import socket
from dataclasses import dataclass
from typing import Literal

#: What the emulated pool shows to an eye, such as dye, is told while the question about it is open.
LESSON_TELLS = "emulated dye"

Act = Literal["hold", "let go", "dye", "pause", "go on"]


@dataclass(frozen=True, slots=True)
class Hand:
    act: Act


class BenchHands:
    """Tells the emulated bench's process, by a socket of its own, what the hand does."""

    def __init__(self, path: str) -> None:
        self._path = path

    def __call__(self, hand: Hand) -> None:
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
            line.settimeout(1.0)
            line.connect(self._path)
            line.sendall(hand.act.encode() + b"\n")
