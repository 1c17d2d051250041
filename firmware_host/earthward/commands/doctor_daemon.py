"""What a running daemon says of board, converter and pins: they are its own, so `doctor` asks it instead of them."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

from earthward.clock import SystemClock
from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.daemon import protocol as m
from earthward.errors import InputError

#: what stands for the devices, and what a person calls them; of these a missing one keeps the instrument from working
DEVICES = {"link": "source board", "receiver": "receiver"}
CONTACTS = {"emergency stop": "emergency stop", "enable": "enable"}
#: a daemon that has just begun needs a moment to find its board
PATIENCE_S = 8.0


def state_of(socket: Path) -> m.State | None:
    """What the daemon at this socket says now; None if none runs. InputError if it runs and cannot be asked."""
    try:
        return asyncio.run(_ask(socket))
    except (FileNotFoundError, ConnectionRefusedError):
        return None
    except PermissionError:
        raise InputError(
            f"a daemon runs and this user may not ask it at {socket}: run this with sudo -u earthward"
        ) from None
    except (OSError, VisitError) as error:
        raise InputError(f"a daemon runs at {socket} and does not answer ({error}): see its log") from error


async def _ask(socket: Path) -> m.State:
    async with InstrumentClient(socket, SystemClock()) as client:

        def well() -> bool:
            state = client.state
            return state is not None and all(p.ok for p in state.interlock.permissives if p.name in DEVICES)

        with contextlib.suppress(VisitError):  # what is not well is told by name
            await client.wait(well, PATIENCE_S, "not well")
        assert client.state is not None
        return client.state
