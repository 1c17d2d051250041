"""Requests to the source board: numbered, repeated with the same number, matched with their answers."""

from __future__ import annotations

import threading
from collections.abc import Callable, Container
from dataclasses import dataclass, field
from typing import TypeVar

from earthward.clock import Clock, wait_event
from earthward.devices.protocol import REPLY, Frame, FrameError, RefusalBody, Type
from earthward.devices.source.transport import PORT_ERRORS, why
from earthward.safety import causes

T = TypeVar("T")

REPLY_TIMEOUT_S = 0.15
TRIES = 3


class LinkError(Exception):
    """A request that could not be carried out. The message is one plain sentence."""

    def __init__(self, text: str, reason: int | None = None) -> None:
        super().__init__(text)
        self.reason = reason
        """`Refusal` code if the board refused, else None."""


@dataclass(slots=True)
class _Pending:
    type: int
    done: threading.Event = field(default_factory=threading.Event)
    frame: Frame | None = None


class Requests:
    """`ask` blocks the caller's thread until `answer` is called from the link's.

    Args:
        write: puts a frame on the wire; False if there is no port.
        trouble: the sentence that says why there is none.
    """

    def __init__(
        self, clock: Clock, lock: threading.RLock, write: Callable[[Frame], bool], trouble: Callable[[], str]
    ) -> None:
        self._clock = clock
        self._lock = lock
        self._write = write
        self._trouble = trouble
        self._seq = 0
        self._pending: dict[int, _Pending] = {}
        self.retries = self.timeouts = 0

    def next_seq(self, in_use: Container[int] = ()) -> int:
        """A number that no unanswered frame has. Call it under the lock."""
        for _ in range(256):
            self._seq = (self._seq + 1) & 0xFF
            if self._seq not in self._pending and self._seq not in in_use:
                return self._seq
        raise LinkError("Too many requests to the source board are unanswered.")

    def ask(self, kind: Type, body: bytes, in_use: Container[int], tries: int = TRIES) -> bytes:
        """Send, wait, retry with the same sequence number. Returns the reply's body. Raises LinkError."""
        with self._lock:
            seq = self.next_seq(in_use)
            pending = self._pending[seq] = _Pending(kind)
        try:
            self._send_until_answered(Frame(kind, seq, body), pending, tries)
        finally:
            with self._lock:
                self._pending.pop(seq, None)
        answer = pending.frame
        if answer is None:
            raise LinkError("The link to the source board was lost while waiting for its answer.")
        if answer.type == Type.REFUSAL:
            raise _refused(kind, answer.body)
        return answer.body

    def read(self, unpack: Callable[[bytes], T], kind: Type, body: bytes, in_use: Container[int], tries: int) -> T:
        """`ask`, and the reply as what it means. Raises LinkError for one that cannot be read, too."""
        answer = self.ask(kind, body, in_use, tries)
        try:
            return unpack(answer)
        except FrameError as error:
            raise LinkError(f"The source board answered with something unreadable ({error}).") from error

    def _send_until_answered(self, frame: Frame, pending: _Pending, tries: int) -> None:
        for attempt in range(tries):
            self.retries += attempt > 0
            try:
                written = self._write(frame)
            except PORT_ERRORS as error:
                # The reading thread meets the same fault and reopens.
                raise LinkError(f"The cable to the source board is gone ({why(error)}).") from error
            if not written:
                raise LinkError(self._trouble())
            if wait_event(self._clock, pending.done, REPLY_TIMEOUT_S):
                return
            self.timeouts += 1
        raise LinkError(
            f"The source board did not answer the request {Type(frame.type).name.lower()} "
            f"({tries} x {REPLY_TIMEOUT_S * 1e3:.0f} ms): check the cable."
        )

    def wants(self, frame: Frame) -> bool:
        """Whether somebody waits for this frame."""
        with self._lock:
            pending = self._pending.get(frame.seq)
            return pending is not None and frame.type in (Type.REFUSAL, pending.type | REPLY)

    def answer(self, frame: Frame) -> None:
        with self._lock:
            pending = self._pending.get(frame.seq)
        if pending is not None:
            pending.frame = frame
            pending.done.set()

    def abandon(self) -> None:
        """The cable is gone: whoever waits gets no answer."""
        with self._lock:
            waiting = list(self._pending.values())
            self._pending.clear()
        for pending in waiting:
            pending.done.set()


def _refused(kind: Type, body: bytes) -> LinkError:
    try:
        reason = RefusalBody.unpack(body).reason
    except FrameError as error:
        return LinkError(f"The source board answered with something unreadable ({error}).")
    refused = causes.refusal(reason)
    text = f"The source board refused to {kind.name.lower()}. {refused.cause} {refused.remedy}"
    return LinkError(text, reason)
