"""Searches for sinks in a process of their own: a search never competes with the daemon for its interpreter.

The worker starts at the first search and keeps its factored pool between searches. It ignores SIGINT (a Ctrl-C at the
terminal is the daemon's business) and ends with the daemon.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import signal
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool

from earthward.errors import InputError
from earthward.service.visit import Search
from earthward.survey.types import Result


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _run(search: Search) -> Result:
    return search.run()


class SearchWorker:
    """One worker process. `run` raises InputError for what cannot be searched, RuntimeError if the worker died."""

    def __init__(self) -> None:
        self._pool: ProcessPoolExecutor | None = None

    async def run(self, search: Search) -> Result:
        if self._pool is None:
            context = multiprocessing.get_context("spawn")
            self._pool = ProcessPoolExecutor(1, mp_context=context, initializer=_begin)
        try:
            return await asyncio.get_running_loop().run_in_executor(self._pool, _run, search)
        except InputError:
            raise
        except BrokenProcessPool as error:
            self._pool = None  # the next search gets a fresh worker
            raise RuntimeError("the search's process ended") from error

    def close(self) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None
