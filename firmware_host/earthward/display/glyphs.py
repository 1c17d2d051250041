"""Which characters a screen may use, and how to find out what the terminal can draw.

Three tiers. *safe* is drawn by every console font that Debian and Raspberry Pi OS ship; *half* adds half blocks
(twice the rows for maps); *braille* adds braille cells (2 x 4 dots) for curves.
"""

from __future__ import annotations

import array
import contextlib
import os
import struct
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from typing import Literal

Tier = Literal["safe", "half", "braille"]
TIERS: tuple[Tier, ...] = ("safe", "half", "braille")

#: ASCII and what CP437 and the Latin console fonts have in common.
SAFE = frozenset(map(chr, range(0x20, 0x7F))) | frozenset("─│┌┐└┘├┤┬┴┼═║█░▒■▲▼•·←↑→↓°±µ×≈≤≥")
HALF = SAFE | frozenset("▀▄▌▐")
BRAILLE = HALF | frozenset(map(chr, range(0x2800, 0x2900)))
ALLOWED: dict[Tier, frozenset[str]] = {"safe": SAFE, "half": HALF, "braille": BRAILLE}

#: Density, least to most; each is darker than the one before in every console font.
RAMP = " ·░▒█"

_GIO_UNIMAP = 0x4B66  # linux/kd.h


@lru_cache(maxsize=1024)
def clean(text: str, tier: Tier) -> str:
    """The text with only characters of the tier: accents are dropped, the rest becomes "?"; one cell each."""
    if text.isascii() and text.isprintable():
        return text
    allowed = ALLOWED[tier]
    out = []
    for ch in text:
        if ch in allowed:
            out.append(ch)
            continue
        if ch in "\n\t\r":
            out.append(" ")
            continue
        plain = [c for c in unicodedata.normalize("NFKD", ch) if c in allowed]
        out.append(plain[0] if plain else _ELSE.get(ch, "?"))
    return "".join(out)


_ELSE = {"–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "Ω": "O", "μ": "µ", "−": "-", "ß": "s"}


def console_has(descriptor: int) -> frozenset[int] | None:
    """Code points that the Linux console's font can draw, or None if `descriptor` is no Linux console."""
    import fcntl

    for size in (512, 4096, 65535):
        entries = array.array("H", [0, 0]) * size
        address, _ = entries.buffer_info()
        # struct unimapdesc { unsigned short entry_ct; struct unipair *entries; }
        request = struct.pack("@HP", size, address)
        with contextlib.suppress(OSError):
            count = struct.unpack("@HP", fcntl.ioctl(descriptor, _GIO_UNIMAP, request))[0]
            return frozenset(entries[0 : 2 * count : 2])
    return None


def choose_tier(environ: Mapping[str, str], descriptor: int | None = None) -> Tier:
    """The best tier that the terminal can draw. The console is asked; an emulator is believed if it speaks UTF-8."""
    charset = environ.get("LC_ALL") or environ.get("LC_CTYPE") or environ.get("LANG") or ""
    if environ.get("TERM", "") == "linux":
        known = None
        if descriptor is not None and os.isatty(descriptor):
            known = console_has(descriptor)
        if known is None:
            return "safe"
        for tier in reversed(TIERS):
            if all(ord(ch) in known for ch in ALLOWED[tier] - SAFE):
                return tier
        return "safe"
    if "utf-8" not in charset.lower() and "utf8" not in charset.lower():
        return "safe"
    return "braille"
