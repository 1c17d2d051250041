"""What a class sees of each player: one short status per action, outward only. Nothing comes back to an instrument.

Each status has a number and repeats the last ones before it: one that a broker took and then died with is not lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
from msgspec import Struct

from earthward.errors import InputError
from earthward.practice.actions import Accused, Action, AnyAction, Dyed, Held, SourceOff, SourceOn

#: So many statuses stand again in the next one.
REPEATED = 20


class Said(Struct, frozen=True, kw_only=True):
    number: int
    text: str


class Status(Struct, frozen=True, kw_only=True):
    """`number`: of the player's actions so far. points: once the visit is judged."""

    emulated: bool = True
    class_name: str
    player: str
    grade: int
    seed: int
    number: int
    minutes: float
    holds: int
    dye_tests: int
    named: int
    source_on: bool
    recent: tuple[Said, ...]
    points: float | None = None


class Progress:
    """A player's status from his actions, one by one."""

    def __init__(self, class_name: str, player: str, grade: int, seed: int) -> None:
        self._status = Status(
            class_name=named("class", class_name), player=named("player", player), grade=grade, seed=seed, number=0,
            minutes=0.0, holds=0, dye_tests=0, named=0, source_on=False, recent=(),
        )  # fmt: skip

    def after(self, action: AnyAction) -> Status:
        s = self._status
        on = isinstance(action, SourceOn) or (s.source_on and not isinstance(action, SourceOff))
        return self._next(
            _word(action),
            minutes=round(action.t_s / 60, 2),
            holds=s.holds + isinstance(action, Held),
            dye_tests=s.dye_tests + isinstance(action, Dyed),
            named=s.named + isinstance(action, Accused),
            source_on=on,
        )

    def judged(self, points: float) -> Status:
        return self._next("judged", points=points, source_on=False)

    def _next(self, text: str, **changes: object) -> Status:
        number = self._status.number + 1
        recent = (*self._status.recent, Said(number=number, text=text))[-REPEATED:]
        self._status = msgspec.structs.replace(self._status, number=number, recent=recent, **changes)
        return self._status


def _word(action: Action) -> str:
    return str(action.__struct_config__.tag)


def named(what: str, name: str) -> str:
    """A name that may stand in a topic. Raises InputError."""
    if not name or any(c in name for c in "/+#\0") or len(name) > 40:
        raise InputError(f"{name!r} cannot be a {what}'s name: 1 to 40 characters, none of / + #")
    return name


class Board:
    """What the instructor has heard: the newest of every player, and every status by number."""

    def __init__(self) -> None:
        self.newest: dict[str, Status] = {}
        self.said: dict[str, dict[int, str]] = {}

    def take(self, status: Status) -> None:
        known = self.newest.get(status.player)
        if known is not None and self._anew(known, status):
            known = None
            self.said.pop(status.player)
        said = self.said.setdefault(status.player, {})
        said.update({one.number: one.text for one in status.recent})
        if known is None or status.number >= known.number:
            self.newest[status.player] = status

    @staticmethod
    def _anew(known: Status, status: Status) -> bool:
        """Another visit of that player: another pool, one after a judged one, or older than a broker sends twice."""
        if (known.grade, known.seed) != (status.grade, status.seed):
            return True
        return status.number + REPEATED < known.number or (known.points is not None and status.number == 1)

    def missing(self, player: str) -> list[int]:
        """Numbers that never came, up to the newest."""
        return [n for n in range(1, self.newest[player].number + 1) if n not in self.said[player]]

    def rows(self) -> list[tuple[str, ...]]:
        """One row a player, best first once judged."""
        order = sorted(self.newest.values(), key=lambda s: (-(s.points if s.points is not None else -1e9), s.player))
        return [
            (
                s.player, f"{s.grade}-{s.seed}", f"{s.minutes:.1f}", str(s.holds), str(s.dye_tests), str(s.named),
                "ON" if s.source_on else "off", s.recent[-1].text if s.recent else "",
                "" if s.points is None else f"{s.points:.1f}", str(len(self.missing(s.player)) or ""),
            )
            for s in order
        ]  # fmt: skip


HEAD = ("player", "pool", "min", "holds", "dye", "named", "source", "last", "points", "missing")


def table(rows: Iterable[Sequence[str]]) -> str:
    """Aligned text."""
    lines = [HEAD, *rows]
    widths = [max(len(str(line[k])) for line in lines) for k in range(len(HEAD))]
    return "\n".join("  ".join(str(c).ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in lines)
