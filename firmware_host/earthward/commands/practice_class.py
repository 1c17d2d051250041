"""A class on an MQTT broker that is already there (optional: `pip install 'earthward[class]'`).

One way: players publish, the instructor's board listens. A player's line subscribes to nothing, so that nothing that
comes over the network can do anything to an instrument, were it only an emulated one.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import msgspec

from earthward.errors import InputError
from earthward.practice.status import HEAD, Board, Status, named, table
from earthward.survey.files.whole import write_whole

log = logging.getLogger(__name__)
ROOM = "earthward/practice"
#: Tried again so soon after a broken line, in seconds: at first, and at most.
AGAIN_S = (1, 5)
#: Leaving, a player waits so long for what is not yet with the broker.
LEAVE_S = 5.0


def address(text: str) -> tuple[str, int]:
    """HOST or HOST:PORT. Raises InputError."""
    host, _, port = text.rpartition(":") if ":" in text else (text, "", "1883")
    if not host or not port.isdigit() or not 1 <= int(port) <= 65535:
        raise InputError(f"{text!r} is no broker's address: write HOST or HOST:PORT")
    return host, int(port)


def _client(name: str) -> Any:
    try:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion
    except ImportError as error:
        raise InputError("a class needs the package paho-mqtt: pip install 'earthward[class]'") from error
    made = Client(CallbackAPIVersion.VERSION2, client_id=f"{name}-{secrets.token_hex(4)}")
    made.reconnect_delay_set(*AGAIN_S)
    made.max_queued_messages_set(0)
    return made


class PlayerLine:
    """Publishes a player's statuses; what the broker has not taken waits, and is sent when it is back."""

    def __init__(self, broker: str, class_name: str, player: str) -> None:
        self._topic = f"{ROOM}/{named('class', class_name)}/{named('player', player)}"
        host, port = address(broker)
        self._last: bytes | None = None
        # Each is counted in one thread only: told here; said again and taken in the client's.
        self._told = self._again = self._taken = 0
        self._client = _client("player")
        self._client.on_connect = self._connected
        self._client.on_publish = self._published
        self._client.connect_async(host, port, keepalive=10)
        self._client.loop_start()

    def tell(self, status: Status) -> None:
        self._last = msgspec.json.encode(status)
        self._told += 1
        self._client.publish(self._topic, self._last, qos=1, retain=True)

    def _connected(self, *_: Any) -> None:
        # A broker that came back may have forgotten what it had taken: the newest says the last ones again.
        if self._last is not None:
            self._again += 1
            self._client.publish(self._topic, self._last, qos=1, retain=True)

    def _published(self, *_: Any) -> None:
        self._taken += 1

    def close(self) -> bool:
        """True if the broker has all of it."""
        end = time.monotonic() + LEAVE_S
        while self._taken < self._told + self._again and time.monotonic() < end:
            time.sleep(0.02)
        done = self._taken >= self._told + self._again
        self._client.disconnect()
        self._client.loop_stop()
        if not done:
            log.warning("the class's broker did not take the last statuses; the result's file has everything")
        return done


class BoardLine:
    """The instructor's ear."""

    def __init__(self, broker: str, class_name: str, board: Board) -> None:
        host, port = address(broker)
        self.board = board
        self._topic = f"{ROOM}/{named('class', class_name)}/+"
        self._client = _client("board")
        self._client.on_connect = lambda client, *_: client.subscribe(self._topic, qos=1)
        self._client.on_message = self._heard
        self._client.connect_async(host, port, keepalive=10)
        self._client.loop_start()

    def _heard(self, _client: Any, _data: Any, message: Any) -> None:
        try:
            self.board.take(msgspec.json.decode(message.payload, type=Status))
        except msgspec.MsgspecError as error:
            log.warning("on the class's topic came something that is no status: %s", error)

    @property
    def connected(self) -> bool:
        return bool(self._client.is_connected())

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def page(board: Board, class_name: str, connected: bool) -> str:
    """The instructor's page: one file, reloads itself."""
    cells = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in board.rows())
    head = "".join(f"<th>{name}</th>" for name in HEAD)
    state = "" if connected else "<p><b>No line to the broker: what stands here is old.</b></p>"
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="2">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{escape(class_name)}</title><style>body{{font:16px sans-serif;margin:1rem;color:#111;background:#fff}}"
        "h1{font-size:1.4rem}div{overflow-x:auto}table{border-collapse:collapse}"
        "td,th{padding:.3rem .7rem;text-align:left;border-bottom:1px solid #ccc;white-space:nowrap}"
        # On a phone held upright the names stay while the rest is moved under a thumb.
        "td:first-child,th:first-child{position:sticky;left:0;background:#fff}"
        "@media(max-width:40em){body{margin:.5rem;font-size:14px}td,th{padding:.3rem .4rem}}</style>"
        f"<h1>EMULATED practice: {escape(class_name)}</h1>{state}"
        f"<div><table><tr>{head}</tr>{cells}</table></div></html>\n"
    )


def show(broker: str, class_name: str, file: Path | None, say: Callable[[str], None], every_s: float = 2.0) -> int:
    """Until interrupted: the table in the terminal when it changes, and the page if asked for."""
    board = Board()
    line = BoardLine(broker, class_name, board)
    shown = ""
    try:
        while True:
            # The listening thread may add a player meanwhile: a row that is missing comes with the next look.
            text = table(list(board.rows())) + ("" if line.connected else "\n(no line to the broker)")
            if text != shown:
                say("\n" + text)
                shown = text
            if file is not None:
                write_whole(file, page(board, class_name, line.connected).encode())
            time.sleep(every_s)
    finally:
        line.close()
