"""Searches for sinks in a process of their own: a search never competes with the daemon for its interpreter.

The worker starts at the first search, keeps the pool and its stations' lead fields, and learns only those of new
stations; the answer itself is found afresh from all readings each time. It is nicer than the daemon, ignores SIGINT (a
Ctrl-C at the terminal is the daemon's business) and ends with the daemon.
"""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import os
import signal
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from typing import TYPE_CHECKING

from earthward.errors import InputError
from earthward.inversion.types import LocateSettings, Result
from earthward.pool.shape import Pool
from earthward.record.reading import KeptReading

if TYPE_CHECKING:
    from earthward.inversion.locate import Survey

log = logging.getLogger(__name__)

#: How many cells of the coverage are handed on.
MAX_CELLS = 1500


@dataclass(frozen=True, slots=True)
class Search:
    """Everything a search for sinks needs, detached from the visit."""

    pool: Pool
    readings: tuple[KeptReading, ...]
    settings: LocateSettings


class Searcher:
    """Carries out one search after another; lead fields once learnt are kept, answers are not gone on from."""

    def __init__(self) -> None:
        self._last: Search | None = None
        self._survey: Survey | None = None

    def run(self, search: Search) -> Result:
        """Raises InputError for what cannot be searched."""
        from earthward.inversion.locate import Survey  # in the worker only: the daemon does without SciPy

        last = self._last
        known = 0 if last is None else len(last.readings)
        goes_on = (
            last is not None
            and self._survey is not None
            and last.pool == search.pool
            and last.settings == search.settings
            and last.readings == search.readings[:known]
        )
        if not goes_on or self._survey is None:
            self._survey, known = Survey(search.pool, search.settings), 0
        self._last = None  # a reading that is refused half-way must not be taken for known
        for reading in search.readings[known:]:
            self._survey.add(reading)
        self._last = search
        return thinned(self._survey.result())


def thinned(result: Result) -> Result:
    """No more cells of coverage than a plan shows: the whole list would hold up the daemon while it is unpacked."""
    coverage = result.coverage
    if coverage is None or len(coverage.cells) <= MAX_CELLS:
        return result
    step = -(-len(coverage.cells) // MAX_CELLS)
    # Of each few neighbours the one where most could hide: what is left must not promise more than was seen.
    groups = (coverage.cells[first : first + step] for first in range(0, len(coverage.cells), step))
    worst = tuple(max(group, key=lambda cell: cell.limit_A) for group in groups)
    return replace(result, coverage=replace(coverage, cells=worst))


def _serve(connection: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(5)
    searcher = Searcher()
    while True:
        try:
            search: Search | None = connection.recv()
        except EOFError:
            return
        if search is None:
            return
        answer: Result | InputError | RuntimeError
        try:
            answer = searcher.run(search)
        except InputError as error:
            answer = error
        except Exception as error:
            log.exception("a search failed")
            answer = RuntimeError(f"{type(error).__name__}: {error}")
        connection.send(answer)


class SearchWorker:
    """One worker process. `run` raises InputError for what cannot be searched, RuntimeError if it failed inside."""

    def __init__(self) -> None:
        self._process: multiprocessing.process.BaseProcess | None = None
        self._connection: Connection | None = None

    @property
    def pid(self) -> int | None:
        """Of the search's process, once there is one."""
        return None if self._process is None else self._process.pid

    async def run(self, search: Search) -> Result:
        answer = await asyncio.to_thread(self._ask, search)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def _ask(self, search: Search) -> Result | InputError | RuntimeError:
        if self._process is None or not self._process.is_alive() or self._connection is None:
            context = multiprocessing.get_context("spawn")
            self._connection, theirs = context.Pipe()
            self._process = context.Process(target=_serve, args=(theirs,), name="earthward-search", daemon=True)
            self._process.start()
            theirs.close()
        try:
            self._connection.send(search)
            answer: Result | InputError | RuntimeError = self._connection.recv()
        except (EOFError, OSError):
            return RuntimeError("the search's process ended")
        return answer

    def close(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.join(timeout=2.0)
            self._process = None
        if self._connection is not None:
            self._connection.close()
            self._connection = None
