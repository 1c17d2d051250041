"""Wait until the daemon answers and its board and converter are well; print the machine's up time then, in seconds."""

import asyncio
import sys
from pathlib import Path

from earthward.clock import SystemClock
from earthward.commands.demo_client import InstrumentClient, VisitError
from earthward.commands.demo_hands import holds

DAEMON = Path("/run/earthward/earthward.sock")


async def ready() -> None:
    for _ in range(600):
        try:
            async with InstrumentClient(DAEMON, SystemClock()) as client:
                await client.wait(lambda: holds(client, "link") and holds(client, "receiver"), 60.0, "not well")
                return
        except (OSError, VisitError) as error:
            print(error, file=sys.stderr)
            await asyncio.sleep(0.25)
    raise SystemExit("the daemon does not get well")


asyncio.run(ready())
print(Path("/proc/uptime").read_text().split()[0])
