"""The source board at the end of a serial cable.

`transport` opens the port and turns bytes into frames, `requests` numbers and repeats, `heartbeat` beats and feeds the
`clockmap`, `identity` judges what the board says of itself, `board` keeps what is known of it, `link` is the thread and
what the rest of the instrument calls.
"""

from earthward.devices.source.link import SourceLink
from earthward.devices.source.requests import LinkError
from earthward.devices.source.status import LinkStatus
from earthward.devices.source.transport import Port, open_port

__all__ = ["LinkError", "LinkStatus", "Port", "SourceLink", "open_port"]
