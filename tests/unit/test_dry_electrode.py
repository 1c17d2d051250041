"""Which electrode of a head with several pairs has lost the water."""

from __future__ import annotations

import pytest

from earthward.daemon.health import dry_electrode
from earthward.record.place import Head


@pytest.mark.parametrize(
    ("head", "mains_V", "said"),
    [
        ("single", [0.2], ""),
        ("three-axis", [1e-3, 2e-3, 3e-3], ""),
        ("three-axis", [1e-3, 40e-3, 2e-3], "The right electrode is dry"),
        ("three-axis", [40e-3, 1e-3, 50e-3], "The rear and upper electrode is dry"),
        ("three-axis", [40e-3, 50e-3, 45e-3], "No pair touches the water: the electrode at the nose"),
        ("crossed", [1e-3, 50e-3], "The left or right electrode is dry"),
        ("crossed", [50e-3, 50e-3], "No pair touches the water: the head is"),
    ],
)
def test_what_the_pick_up_of_each_pair_says(head: Head, mains_V: list[float], said: str) -> None:
    text = dry_electrode(head, mains_V)
    assert text.startswith(said) and bool(text) == bool(said)
