"""Sabotage of the source board: each protecting part removed or bypassed, each found by a check that passes with it."""

from __future__ import annotations

import shutil

import pytest
from hardware.source_board.output_stage import circuit, guards
from hardware.source_board.output_stage.faults import NONE

needs_ngspice = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="install the Debian package ngspice to run the output stage's checks"
)
WAYS = {words: (words, check, fault) for words, check, fault in guards.all_sabotages()}


@needs_ngspice
@pytest.mark.parametrize("words", [w if w in guards.FIRST else pytest.param(w, marks=pytest.mark.slow) for w in WAYS])
def test_sabotage_is_found(words: str) -> None:
    assert guards.survivors([WAYS[words]]) == []


@needs_ngspice
@pytest.mark.parametrize(
    "check",
    [
        check if check in {WAYS[w][1] for w in guards.FIRST} else pytest.param(check, marks=pytest.mark.slow)
        for check in guards.checks()
    ],
    ids=lambda check: check.__name__,
)
def test_the_sound_board_passes(check: guards.Check) -> None:
    assert check(NONE)


def test_every_part_whose_job_is_to_protect_is_sabotaged() -> None:
    """Counted from the circuit's own words: fuses, contacts, limiters, clamps, pull-downs, what switches off."""
    words = ("fuse", "emergency stop", "enable, pole", "pulls the", "off unless", "off when", "when the pin floats",
             "clamp", "limiter, ", "switch", "surge", "reverse", "pole ", "coil", "bounds", "holds", "wet contact",
             "empties the pump", "pump", "no bridge below")  # fmt: skip
    guarded = {ref for guard in guards.GUARDS for ref in guard.refs}
    ways = {name.rsplit(" ", 1)[0] for name in WAYS}
    named = {part.ref for part in circuit.SIMULATED if any(word in part.job for word in words)}
    assert named - guarded - set(NO_GUARD) == set()
    assert guarded & set(NO_GUARD) == set()
    assert all(" and ".join(guard.refs) in ways for guard in guards.GUARDS), "a guard without any sabotage"
    assert set(guards.FIRST) <= set(WAYS)


#: Named like a guard, but none: gate resistors, what only shifts a time, what tells the firmware or measures.
NO_GUARD = {
    "C3": "more or less of it only shifts a time",
    "R11": "current for the upper limiter: open or shorted, it drives less",
    "R21": "likewise, lower",
    "R51": "sets the clamp's test, which the firmware judges",
    "S3": "tells the firmware; its wet contact is R37's",
    "S4": "tells the firmware; its wet contact is R38's",
    "Q11": "shorted it is a relay that never opens, as K1 bypassed",
    "Q12": "likewise K2",
    "R63": "measures",
}
