"""Whether a board is one that the instrument works with. Pure."""

from __future__ import annotations

from earthward.devices.protocol import VERSION, Identity, ResetCause
from earthward.safety.limits import check_board

LOWEST_TICK_HZ, HIGHEST_TICK_HZ = 1_000, 100_000_000


def why_refuse(identity: Identity, expect_emulated: bool | None) -> str:
    """One sentence why this board must not be armed; empty if it may.

    expect_emulated: None accepts any board; False refuses an emulated one, True a real one.
    """
    if identity.protocol != VERSION:
        return (
            f"The source board speaks protocol {identity.protocol} and the instrument {VERSION}: "
            "flash the matching firmware; it will not be armed."
        )
    if identity.limits_crc != identity.expected_limits_crc():
        return "The source board's limits do not match their checksum: it will not be armed."
    misfits = check_board(identity.max_current_uA * 1e-6, identity.max_voltage_mV * 1e-3, identity.deadman_ms * 1e-3)
    if misfits:
        return (
            f"The source board's limits are not those that the instrument allows ({'; '.join(misfits)}): "
            "it will not be armed."
        )
    if not LOWEST_TICK_HZ <= identity.tick_Hz <= HIGHEST_TICK_HZ:
        return f"The source board claims a clock of {identity.tick_Hz} Hz, which cannot be: it will not be armed."
    if expect_emulated is not None and bool(identity.emulated) != expect_emulated:
        which = "an emulated board" if identity.emulated else "a real board"
        return f"This is {which}, and the instrument was told to expect the other kind: it will not be armed."
    return ""


def firmware(identity: Identity) -> str:
    return f"{identity.major}.{identity.minor}.{identity.patch}"


def reset_cause(cause: int) -> str:
    """In words; the gravest of those that the chip noted."""
    if cause & ResetCause.WATCHDOG:
        return "its watchdog"
    if cause & ResetCause.BROWN_OUT:
        return "its supply dipped"
    if cause & ResetCause.EXTERNAL:
        return "its reset pin"
    return "its supply was interrupted"
