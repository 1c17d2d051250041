"""One thread that owns the survey's record: it does in order what it is asked, and the event loop never waits for it.

A commit returns when the card has it, and a card may take seconds. Nothing is told as kept before that.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections import deque
from collections.abc import Callable
from typing import Any, TypeVar

log = logging.getLogger(__name__)

T = TypeVar("T")


class Clerk:
    """`start` from the loop that the outcomes are to come back to; `close` finishes what is queued."""

    def __init__(self, on_failure: Callable[[Exception], None]) -> None:
        self._on_failure = on_failure
        self._queue: deque[tuple[Callable[[], Any], Callable[[Any], None] | None, Callable[[Exception], None] | None]]
        self._queue = deque()
        self._wake = threading.Condition()
        self._closing = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=self._run, name="clerk", daemon=True)

    def start(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._thread.start()

    def put(
        self,
        work: Callable[[], T],
        done: Callable[[T], None] | None = None,
        failed: Callable[[Exception], None] | None = None,
    ) -> None:
        """Do `work` after all that was put before; `done(outcome)` or `failed(error)` is called in the loop.

        Without `failed` the failure is told by the clerk's owner. Once closed, nothing is taken any more.
        """
        with self._wake:
            if not self._closing:
                self._queue.append((work, done, failed))
                self._wake.notify()

    @property
    def waiting(self) -> int:
        """How much is queued."""
        return len(self._queue)

    async def ask(self, work: Callable[[], T]) -> T:
        """The outcome of `work`, after all that was put before. Raises what it raises."""
        outcome: asyncio.Future[T] = asyncio.get_running_loop().create_future()

        def done(value: T) -> None:
            if not outcome.done():
                outcome.set_result(value)

        def failed(error: Exception) -> None:
            if not outcome.done():
                outcome.set_exception(error)

        self.put(work, done, failed)
        return await outcome

    def close(self) -> None:
        """Finish what is queued, then stop. Blocks; call it from another thread than the loop's."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=30)

    def _run(self) -> None:
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._closing or bool(self._queue))
                if not self._queue:
                    return
                work, done, failed = self._queue.popleft()
            try:
                outcome = work()
            except Exception as error:
                # This thread lives on: the next thing may well be possible.
                self._tell(failed or self._on_failure, error)
            else:
                if done is not None:
                    self._tell(done, outcome)

    def _tell(self, whom: Callable[[Any], None], what: Any) -> None:
        assert self._loop is not None
        # A loop that has ended has nobody left to tell.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(whom, what)
