"""The source's waveforms: name, number on the wire, and the levels of one period. A new one is a row here (and an
engine in the firmware)."""

from __future__ import annotations

from typing import Literal, get_args

from earthward.record.base import Record

WaveformName = Literal["square", "sine", "coded"]


class Waveform(Record, frozen=True, kw_only=True):
    """levels: equal-length levels of one period, amplitude one; None: a sine, starting at its rising zero. Every
    waveform has zero mean over a period, so that no net charge is moved."""

    name: WaveformName
    code: int
    levels: tuple[int, ...] | None


#: The code is ten charge-balanced chips, no rotation of which is near their negative (worst correlation -0.2): the
#: polarity can be read from the code alone.
WAVEFORMS: dict[WaveformName, Waveform] = {
    w.name: w
    for w in (
        Waveform(name="square", code=0, levels=(1, -1)),
        Waveform(name="sine", code=1, levels=None),
        Waveform(name="coded", code=2, levels=(1, 1, 1, 1, -1, -1, 1, -1, -1, -1)),
    )
}
assert tuple(WAVEFORMS) == get_args(WaveformName)
BY_CODE: dict[int, Waveform] = {w.code: w for w in WAVEFORMS.values()}
