"""The worlds: each one way in which the truth differs from what a search would like. Drawn by `worlds`."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Hands:
    """How the pole is held: one standard deviation each.

    turned: one pair, turned by hand, each direction with errors of its own; else a rigid head, one bearing and lean a
    station. rare: that share of stations and of turns is three times worse. lean_deg: how far the pole leans toward
    the deck that the person stands on, at every station.
    """

    turned: bool = True
    place_m: tuple[float, float, float] = (0.1, 0.1, 0.05)
    bearing_deg: float = 10.0
    tilt_deg: float = 4.0
    shift_m: float = 0.03
    rare: float = 0.0
    lean_deg: float = 0.0


RIGID, HEAVY = Hands(turned=False), Hands(rare=0.1)


@dataclass(frozen=True)
class World:
    """One way in which the truth differs from what a search would like. Distances in metres."""

    name: str
    hands: Hands = Hands()
    leaks: int = 1
    electrodes_off: float = 0.0
    misnoted: int = 0  # so many stations are noted 0.5 to 1.5 m from where the pole was
    unlisted: int = 0
    deeper: float = 0.0
    gain: float = 1.0
    upper: float = 1.0  # the upper half conducts so many times better than noted
    line_fitting: bool = False
    slit: float = 0.0
    near_fitting: bool = False
    noise: float = 1.0  # so many times what the readings say
    sloped: bool = False


_ALL = (
    World("rigid", RIGID),
    World("turned"),
    World("bearing only", Hands(tilt_deg=0.0, shift_m=0.0)),
    World("heavy tails", HEAVY),
    World("leaning", Hands(tilt_deg=2.0, lean_deg=6.0)),
    World("misnoted", misnoted=2),
    World("rigid, electrodes", RIGID, electrodes_off=0.15),
    World("turned, electrodes", electrodes_off=0.15),
    World("unlisted", unlisted=1),
    World("depths and gain", deeper=0.1, gain=1.05),
    World("upper half", upper=1.10),
    World("line fitting", line_fitting=True),
    World("two leaks", leaks=2),
    World("slit", slit=0.2),
    World("near fitting", near_fitting=True),
    World("noisier", noise=1.5),
    World("sloped", sloped=True),
    World("rigid, no leak", RIGID, leaks=0),
    World("turned, no leak", leaks=0),
    World("turned, electrodes, no leak", leaks=0, electrodes_off=0.15),
    World("heavy tails, no leak", HEAVY, leaks=0),
)
WORLDS = {world.name: world for world in _ALL}
