"""When to search for sinks: once no more readings come, one search at a time, and no request is forgotten."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

from earthward.clock import Clock
from earthward.daemon.clerk import Clerk
from earthward.daemon.search import Search, SearchWorker
from earthward.daemon.telling import Teller
from earthward.errors import InputError
from earthward.survey.visit import Visit

log = logging.getLogger(__name__)

#: A search begins when no reading has been kept for so long.
SEARCH_AFTER_S = 1.2


class Searching:
    """In the loop's thread; the search itself runs in a process of its own, the record's part with the clerk."""

    def __init__(self, visit: Visit, clerk: Clerk, teller: Teller, clock: Clock, on_result: Callable[[], None]) -> None:
        self._visit = visit
        self._clerk = clerk
        self._teller = teller
        self._clock = clock
        self._on_result = on_result
        self._worker = SearchWorker()
        self._task: asyncio.Task[None] | None = None
        self._again = False
        self._due_s = 0.0

    def request(self) -> None:
        """Something new is worth a search."""
        self._due_s = self._clock.now() + SEARCH_AFTER_S
        if self._task is not None and not self._task.done():
            self._again = True
            return
        self._task = asyncio.get_running_loop().create_task(self._run())

    async def _run(self) -> None:
        while True:
            # Three directions and two electrodes at a station are one piece of news.
            while (left_s := self._due_s - self._clock.now()) > 0:
                await asyncio.sleep(left_s / self._clock.speed)
            self._again = False
            try:
                await self._search()
            except InputError as error:
                self._teller.event("caution", "search", f"No search for sinks: {error}.")
            except Exception:
                log.exception("the search for sinks failed")
                text = "The search for sinks failed inside; readings are kept."
                self._teller.event("caution", "search", text, "Report it.")
            else:
                self._on_result()
            if not self._again:
                return

    async def _search(self) -> None:
        search = await self._clerk.ask(lambda: Search(*self._visit.search_input()))
        result = await self._worker.run(search)
        if not await self._clerk.ask(lambda: self._visit.adopt(result)):
            log.info("something was covered or patched during the search: its result is not taken")

    @property
    def busy(self) -> bool:
        """A search is wanted or under way."""
        return self._task is not None and not self._task.done()

    async def done(self) -> None:
        """Wait until everything kept has been searched; what is waiting for more readings starts at once."""
        self._due_s = self._clock.now()
        while self._task is not None and not self._task.done():
            await asyncio.wait([self._task])

    def close(self) -> None:
        if self._task is not None:
            self._task.cancel()
        self._worker.close()
