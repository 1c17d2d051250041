"""What the Raspberry Pi says of its own supply: under-voltage and throttling, now and since it was switched on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

#: word of the firmware's flags, below /sys
THROTTLED = "devices/platform/soc/soc:firmware/get_throttled"
#: bits of the word, as Raspberry Pi's documentation of `vcgencmd get_throttled` names them (from memory)
_BITS = {
    0: "under-voltage now",
    1: "processor's frequency capped now",
    2: "throttled now",
    3: "temperature limit now",
    16: "under-voltage since start",
    17: "processor's frequency capped since start",
    18: "throttled since start",
    19: "temperature limit since start",
}


@dataclass(frozen=True)
class SupplyFlags:
    """flags: what is not well. None: this machine does not say."""

    flags: list[str] | None
    text: str


def supply_flags(system: Path = Path("/sys")) -> SupplyFlags:
    """Read them; never raises."""
    try:
        word = int((system / THROTTLED).read_text(encoding="ascii").strip(), 16)
    except (OSError, ValueError) as error:
        return SupplyFlags(flags=None, text=f"This machine says nothing of its supply ({type(error).__name__}).")
    flags = [name for bit, name in _BITS.items() if word >> bit & 1]
    return SupplyFlags(flags=flags, text=", ".join(flags) if flags else "The supply has been well since start.")
