"""Outlines from two marks and a tape."""

from __future__ import annotations

import math

import numpy as np
import pytest

from earthward.errors import InputError
from earthward.pool import polygon
from earthward.pool.tape import Chord, TapedPoint, outline_from_tape

MARKS = np.array([[0.0, 0.0], [11.0, 0.0]])
SHIFT = np.array([1.0, 1.5])


def taped(outline: np.ndarray, error_m: float = 0.0, seed: int = 0) -> list[TapedPoint]:
    rng = np.random.default_rng(seed)
    d = np.linalg.norm(outline[:, None] - MARKS[None], axis=2) + rng.normal(0, error_m, (len(outline), 2))
    return [TapedPoint(float(a), float(b)) for a, b in d]


def chords(outline: np.ndarray, error_m: float = 0.0, seed: int = 1) -> list[Chord]:
    rng = np.random.default_rng(seed)
    n = len(outline)
    pairs = [(i, (i + 1) % n) for i in range(n)] + [(i, (i + n // 2) % n) for i in range(n // 2)]
    return [Chord(i, j, math.dist(outline[i], outline[j]) + float(rng.normal(0, error_m))) for i, j in pairs]


def test_exact_distances_give_the_exact_outline() -> None:
    outline = polygon.kidney(9, 5, vertices=20) + SHIFT
    found = outline_from_tape(11.0, taped(outline))
    assert found.outline_m == pytest.approx(outline, abs=1e-6)
    assert found.rms_m < 1e-8 and not found.doubtful
    mirrored = outline_from_tape(11.0, taped(outline), side=-1)
    assert mirrored.outline_m == pytest.approx(outline * [1, -1], abs=1e-6)


def test_errors_and_their_estimates_agree() -> None:
    outline = polygon.ellipse(9, 5, vertices=16) + SHIFT
    pulls = []
    for seed in range(20):
        found = outline_from_tape(
            11.0, taped(outline, 0.02, seed), chords(outline, 0.02, seed + 100), tape_sigma_m=0.02
        )
        pulls.append((found.outline_m - outline) / found.sigma_m)
    assert 0.85 < float(np.std(pulls)) < 1.15


def test_a_misread_tape_is_named() -> None:
    outline = polygon.ellipse(9, 5, vertices=12) + SHIFT
    points = taped(outline, 0.005)
    points[4] = TapedPoint(points[4].from_a_m + 0.30, points[4].from_b_m)
    found = outline_from_tape(11.0, points, chords(outline, 0.005))
    assert "point 5 from mark A" in found.doubtful[:2]
    assert np.abs(found.residual_m).max() > 0.02


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: p[:2], "at least three"),
        (lambda p: [TapedPoint(2.0, 3.0), *p[1:]], "point 1: 2 m from A and 3 m from B cannot meet"),
        (lambda p: [p[0], p[2], p[1], *p[3:]], "crosses itself"),
        (lambda p: [TapedPoint(-2.0, 3.0), *p[1:]], "above zero"),
    ],
)
def test_bad_tapes_are_one_sentence(change: object, words: str) -> None:
    outline = polygon.ellipse(9, 5, vertices=12) + SHIFT
    with pytest.raises(InputError, match=words):
        outline_from_tape(11.0, change(taped(outline)))  # type: ignore[operator]
