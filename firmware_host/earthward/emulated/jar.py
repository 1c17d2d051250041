"""EMULATED jar: a pair of electrodes and their ring in a litre of water, with what can be wrong with them.

The source's A is clipped to the front electrode itself and its B to the back one, each through a known resistor; the
ring takes the current back to E. The receiver is at the plug, so that what the cable does to the pair is seen.
Everything is a function of time that can be evaluated again, so a converter may look ahead, and a recording can be made
of it directly. Figures are our own invention, after what metals in water do.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earthward.emulated.load import Drive, Injection
from earthward.emulated.output import OutputSegment, OutputTimeline
from earthward.signal.types import FloatArray

Plug = Literal["pair", "joined", "divider"]
#: the converter's supply: nothing between two inputs is more
RAILS_V = 3.3


@dataclass(frozen=True)
class Contact:
    """An electrode: water and film in series with the transfer resistance beside the double layer."""

    water_ohm: float
    film_ohm: float = 0.0
    transfer_ohm: float = 6e3
    layer_F: float = 200e-6

    def ohm(self, frequency_Hz: float) -> complex:
        inner = self.transfer_ohm / complex(1.0, 2 * math.pi * frequency_Hz * self.transfer_ohm * self.layer_F)
        return self.water_ohm + self.film_ohm + inner


@dataclass(frozen=True)
class JarScene:
    """What hangs in the jar and at the plug. Volts, seconds, ohms."""

    front: Contact = Contact(90.0)
    back: Contact = Contact(90.0)
    jig_ohm: float = 100e3
    joined_by_ohm: float = math.inf
    """Between the two wires."""
    exchanged: bool = False
    cut: Literal["", "front", "back"] = ""
    """This electrode's wire ends before the plug."""
    rest_V: float = 4e-3
    soaking_V: float = 0.2e-3
    soaking_s: float = 300.0
    flicker_V: float = 6e-6
    """Per octave."""
    extra_noise_V: float = 1e-6
    mains_Hz: float = 50.0
    mains_V: float = 0.8e-3
    knock_V: float = 0.8e-3
    knock_s: float = 0.4
    jumps_per_s: float = 0.0
    jump_V: float = 0.0
    gain_error: float = 0.0
    zero_V: float = 5e-6
    converter_noise_V: float = 8e-6
    rate_error: float = -0.02
    divider_V: float = 0.1
    seed: int = 0

    @classmethod
    def healthy(cls, seed: int) -> JarScene:
        """A pair that nothing is wrong with."""
        draw = np.random.default_rng([seed, 5])
        water = float(np.exp(draw.uniform(math.log(35.0), math.log(280.0))))
        layer = float(np.exp(draw.uniform(math.log(50e-6), math.log(500e-6))))

        def contact() -> Contact:
            return Contact(
                water * draw.uniform(0.9, 1.1),
                draw.uniform(0, 20),
                draw.uniform(2e3, 2e4),
                layer * draw.uniform(0.8, 1.2),
            )

        return cls(
            front=contact(), back=contact(), rest_V=draw.uniform(-14e-3, 14e-3), soaking_V=draw.uniform(-1e-3, 1e-3),
            soaking_s=draw.uniform(150, 600), flicker_V=draw.uniform(1e-6, 12e-6), extra_noise_V=draw.uniform(0, 5e-6),
            mains_Hz=float(draw.choice([50.0, 60.0])), mains_V=float(np.exp(draw.uniform(-8.5, -5.6))),
            knock_V=draw.uniform(-2e-3, 2e-3), knock_s=draw.uniform(0.15, 0.7), gain_error=draw.normal(0, 3e-3),
            zero_V=draw.uniform(-18e-6, 18e-6), converter_noise_V=draw.uniform(7e-6, 10e-6),
            rate_error=draw.uniform(-0.08, 0.08), seed=seed,
        )  # fmt: skip


DEFECTS: dict[str, tuple[str, Callable[[JarScene], JarScene]]] = {
    "cut-front": ("the front electrode's wire is cut",
                  lambda s: replace(s, cut="front", mains_V=60e-3)),
    "cut-back": ("the back electrode's wire is cut",
                 lambda s: replace(s, cut="back", mains_V=60e-3)),
    "in-air": ("the front electrode hangs above the water", lambda s: replace(s, front=replace(s.front, film_ohm=4e6))),
    "salt-in-plug": ("salt water in the plug joins the wires", lambda s: replace(s, joined_by_ohm=4.0)),
    "crossed-wires": ("front and back wires are soldered to each other's pins", lambda s: replace(s, exchanged=True)),
    "wrong-resistor": ("a front-end resistor of the wrong value", lambda s: replace(s, gain_error=-0.09)),
    "greasy": ("sun cream on the front electrode", lambda s: replace(s, front=replace(s.front, film_ohm=3.2e3))),
    "pitted": ("the back electrode is corroded down to a stub",
               lambda s: replace(s, back=replace(s.back, layer_F=1.6e-6))),
    "cold-joint": ("a cold joint in the head", lambda s: replace(s, jumps_per_s=0.25, jump_V=1.4e-3)),
    "fresh": ("put into the water a minute ago", lambda s: replace(s, soaking_V=45e-3, soaking_s=110.0)),
    "two-metals": ("brass against stainless steel", lambda s: replace(s, rest_V=-0.21)),
    "wobbly": ("an electrode swings in its holder and holds a bubble",
               lambda s: replace(s, knock_V=4e-3, knock_s=9.0)),
    "screen-off": ("the screen is not joined at the head", lambda s: replace(s, mains_V=0.11)),
    "hissing": ("a damp connector: white noise", lambda s: replace(s, extra_noise_V=45e-6)),
    "bad-supply": ("the converter's supply has no capacitor", lambda s: replace(s, converter_noise_V=42e-6)),
}  # fmt: skip


class Jar:
    """The world at a time: see the module's text. The load of a source board, and the inputs of a converter."""

    def __init__(self, scene: JarScene, start_s: float = 0.0, lasting_s: float = 600.0, *, hiss: bool = False) -> None:
        """hiss: the pair's own white noise is in what the inputs show (else whoever samples adds it)."""
        self._hiss = np.random.default_rng([scene.seed, 10]) if hiss else None
        self.scene = scene
        self.generation = 0
        self.plug: Plug = "pair"
        self._start_s = start_s
        self._knocks: list[float] = []
        self._timeline: OutputTimeline | None = None
        self._drive = Drive()
        self._hertz = 36.0
        draw = np.random.default_rng([scene.seed, 6])
        octave = 0.01 * 2.0 ** (np.arange(30) / 2)
        self._omega = 2 * math.pi * octave * draw.uniform(0.9, 1.1, 30)
        self._swing = scene.flicker_V * draw.normal(1.0, 0.25, 30)
        self._phase = draw.uniform(0, 2 * math.pi, 30)
        self._hum = draw.uniform(0, 2 * math.pi, 3)
        count = int(draw.poisson(scene.jumps_per_s * lasting_s))
        self._jumps = start_s + np.sort(draw.uniform(0, lasting_s, count))
        self._levels = np.concatenate(
            [[0.0], scene.jump_V * draw.choice([-1.0, 1.0], count) * draw.uniform(0.5, 1, count)]
        )

    # ---- hands ---------------------------------------------------------------------------------------------

    def connect(self, timeline: OutputTimeline, drive: Drive) -> None:
        self._timeline, self._drive = timeline, drive
        timeline.listeners.append(self._changed)

    def put(self, plug: Plug) -> None:
        """The pair at the plug, its two pins joined, or the known divider."""
        self.plug = plug
        self._changed()

    def knock(self, at_s: float) -> None:
        self._knocks.append(at_s)
        self._changed()

    def _changed(self) -> None:
        self.generation += 1

    # ---- the source's load ---------------------------------------------------------------------------------

    def inject(self, drive: Drive, electrode: str) -> Injection:
        current = drive.voltage_V / (
            drive.series_ohm + self.scene.jig_ohm + abs(self._path_ohm(electrode, self._hertz))
        )
        return Injection(
            current, current * (drive.voltage_V / current - drive.series_ohm), open_circuit=current < 15e-6
        )

    def idle(self, electrode: str, at_s: float) -> tuple[float, float]:
        return 0.003, 0.002

    def _path_ohm(self, electrode: str, frequency_Hz: float) -> complex:
        """From the driven electrode to the ring; wires that are joined share the current."""
        own, other = self._own_and_other(electrode, frequency_Hz)
        by_other = self.scene.joined_by_ohm + other
        return own if math.isinf(self.scene.joined_by_ohm) else own * by_other / (own + by_other)

    def _own_and_other(self, electrode: str, frequency_Hz: float) -> tuple[complex, complex]:
        front, back = self.scene.front.ohm(frequency_Hz), self.scene.back.ohm(frequency_Hz)
        return (front, back) if electrode == "A" else (back, front)

    def across_ohm(self, electrode: str, frequency_Hz: float) -> complex:
        """V_back - V_front at the plug over the current that goes into an electrode."""
        s = self.scene
        if s.cut == {"A": "front", "B": "back"}[electrode]:
            return 0j  # the pin floats with the receiver
        own, other = self._own_and_other(electrode, frequency_Hz)
        value = own if math.isinf(s.joined_by_ohm) else own * s.joined_by_ohm / (own + s.joined_by_ohm + other)
        return -value if (electrode == "A") != s.exchanged else value

    # ---- the converter's inputs ----------------------------------------------------------------------------

    @property
    def source_ohm(self) -> float:
        return 0.0

    def mean_V(self, positive: int, negative: int | None, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        if negative is None:
            return np.full(start_s.shape, 0.5 * RAILS_V)
        volts = self.plug_V(start_s, end_s)
        return np.asarray(np.clip(volts * (1.0 + self.scene.gain_error), -RAILS_V, RAILS_V))

    def plug_V(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean volts at the plug over each interval."""
        if self.plug == "joined":
            return np.zeros(start_s.shape)
        if self.plug == "divider":
            return np.full(start_s.shape, self.scene.divider_V)
        volts = self._by_itself(0.5 * (start_s + end_s), end_s - start_s)
        if self._hiss is not None:
            volts += self._hiss.normal(0, self.scene.extra_noise_V, volts.shape)
        return volts + self._driven(start_s, end_s)

    def _by_itself(self, t: FloatArray, length: FloatArray) -> FloatArray:
        s = self.scene
        since = t - self._start_s
        volts = s.rest_V + s.soaking_V * np.exp(-since / s.soaking_s)
        volts = volts + self._swing @ np.sin(self._omega[:, None] * t + self._phase[:, None])
        for order, share in ((1, 1.0), (3, 0.2), (5, 0.08)):
            angle = 2 * math.pi * order * (s.mains_Hz * t + 0.006 / 0.05 * np.sin(0.05 * t + self._hum[0]))
            volts += s.mains_V * share * np.sinc(order * s.mains_Hz * length) * np.sin(angle + self._hum[order // 2])
        volts += self._levels[np.searchsorted(self._jumps, t)]
        for at_s in self._knocks:
            after = np.maximum(t - at_s, 0.0)
            volts += np.where(t >= at_s, s.knock_V * np.exp(-after / s.knock_s), 0.0)
        return np.asarray((-1.0 if s.exchanged else 1.0) * volts)

    def _driven(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        volts: FloatArray = np.zeros(start_s.shape)
        segments = [] if self._timeline is None else self._timeline.segments()
        for k, segment in enumerate(segments):
            if not segment.on:
                continue
            until = segments[k + 1].from_s if k + 1 < len(segments) else math.inf
            hit = (end_s > segment.from_s) & (start_s < until)
            if hit.any():
                volts[hit] += self._of_segment(segment, start_s[hit], end_s[hit])
        return volts

    def _of_segment(self, segment: OutputSegment, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """A sine through a lagging impedance is the same sine a little later; other waveforms are taken so too."""
        hertz = segment.clock.nominal_Hz * (1 + segment.clock.rate_error) / segment.period_ticks
        self._hertz = hertz
        current = self.inject(self._drive, segment.electrode).current_A
        across = self.across_ohm(segment.electrode, hertz)
        if across == 0:
            return np.zeros(start_s.shape)
        sign = -1.0 if across.real < 0 else 1.0
        later_s = -cmath.phase(sign * across) / (2 * math.pi * hertz)
        return sign * current * abs(across) * segment.mean_over(start_s - later_s, end_s - later_s)
