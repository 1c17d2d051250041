"""What a person did on a practice pool, in order: the one thing that score and explanation are made from.

`t_s` is seconds of the visit: bench time, and on top of it what walking, covering, dye and patching would have taken.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from earthward.record.base import Point
from earthward.record.place import Station
from earthward.record.reading import KeptReading


class Action(msgspec.Struct, tag_field="act", frozen=True, kw_only=True):
    t_s: float


class Looked(Action, tag="looked at the whole pool", frozen=True, kw_only=True):
    """Said that nobody is in the water and that the pool is watched."""


class StrayChecked(Action, tag="stray check", frozen=True, kw_only=True):
    """All three holds of the stray-voltage check are done, source off."""


class EnableHeld(Action, tag="enable held", frozen=True, kw_only=True):
    """The hand closed the enable, whether or not the source came on."""


class SourceOn(Action, tag="source on", frozen=True, kw_only=True):
    pass


class SourceOff(Action, tag="source off", frozen=True, kw_only=True):
    pass


class Held(Action, tag="pole held", frozen=True, kw_only=True):
    """The pole came to a place, or was turned there: one hold."""

    place: Station


class Kept(Action, tag="reading kept", frozen=True, kw_only=True):
    reading: KeptReading


class Covered(Action, tag="fitting covered", frozen=True, kw_only=True):
    fitting: str
    covered: bool = True


class Dyed(Action, tag="dye let go", frozen=True, kw_only=True):
    position_m: Point


class Accused(Action, tag="leak named", frozen=True, kw_only=True):
    """Called a leak: dye was said to be drawn in there, or it was patched."""

    position_m: Point


class Patched(Action, tag="patch put on", frozen=True, kw_only=True):
    position_m: Point


class Ended(Action, tag="ended", frozen=True, kw_only=True):
    pass


AnyAction = (
    Looked | StrayChecked | EnableHeld | SourceOn | SourceOff | Held | Kept | Covered | Dyed | Accused | Patched | Ended
)

_encoder = msgspec.json.Encoder()
_decoder: msgspec.json.Decoder[AnyAction] = msgspec.json.Decoder(AnyAction)


def encode_action(action: AnyAction) -> bytes:
    """One line, newline included."""
    return _encoder.encode(action) + b"\n"


def decode_action(line: bytes) -> AnyAction:
    return _decoder.decode(line)


def kept_readings(actions: Sequence[AnyAction]) -> list[KeptReading]:
    return [a.reading for a in actions if isinstance(a, Kept)]


def covered_in_the_end(actions: Sequence[AnyAction]) -> frozenset[str]:
    covered: set[str] = set()
    for a in actions:
        if isinstance(a, Covered):
            (covered.add if a.covered else covered.discard)(a.fitting)
    return frozenset(covered)
