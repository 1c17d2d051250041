"""Textual's terminal driver for a machine with little to spare.

Textual looks ten times a second whether a key was pressed: half of what an idle dashboard costs. Here that thread
sleeps until a key comes, until a half-read escape sequence must be given up, or until the terminal is handed back. And
Textual hands what it writes to another thread: waking it costs more than writing a row.
"""

from __future__ import annotations

import errno
import os
import selectors
from codecs import getincrementaldecoder
from typing import Any

from textual._xterm_parser import XTermParser
from textual.drivers.linux_driver import LinuxDriver

#: How often to look while an escape sequence is half read, as Textual does always.
HALF_READ_S = 0.1


class QuietDriver(LinuxDriver):
    """Textual's driver for Linux, with a key thread that costs nothing while nobody types."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        # Lives as long as the process: Textual closes a driver when it is suspended and then uses it again.
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_write, False)
        self._gone = False

    def write(self, data: str) -> None:
        """Straight to the terminal, in the order in which it is asked for."""
        if self._file is None or self._gone:
            return
        try:
            self._file.write(data)
            self._file.flush()
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            self._hung_up()

    def _hung_up(self) -> None:
        """The terminal is gone for good: nobody can be told, and there is nothing left to show."""
        self._gone = True
        self._loop.call_soon_threadsafe(self._app.exit, 0)

    def disable_input(self) -> None:
        # Textual sets its event and then waits for the thread, which sleeps: the pipe wakes it.
        if self._key_thread is not None and self._key_thread.is_alive():
            os.write(self._wake_write, b"x")
        super().disable_input()

    def run_input_thread(self) -> None:
        """Read keys and post them until told to stop."""
        parser = XTermParser(self._debug)
        decode = getincrementaldecoder("utf-8")().decode
        with selectors.DefaultSelector() as selector:
            selector.register(self.fileno, selectors.EVENT_READ)
            selector.register(self._wake_read, selectors.EVENT_READ)
            while True:
                half_read = parser._timeout_time is not None
                ready = {key.fd for key, _ in selector.select(HALF_READ_S if half_read else None)}
                if self.fileno in ready:
                    try:
                        data = os.read(self.fileno, 4096)
                    except OSError:
                        data = b""
                    if not data:
                        # Without this the loop would spin.
                        selector.unregister(self.fileno)
                        self._hung_up()
                    text = decode(data)
                    for event in parser.feed(text) if text else ():
                        self.process_message(event)
                for event in parser.tick():
                    self.process_message(event)
                if self._wake_read in ready:
                    os.read(self._wake_read, 64)
                    return
