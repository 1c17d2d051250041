"""The pool file: what is read, what is refused and with which words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from earthward.errors import InputError
from earthward.pool.pool_file import format_pool, parse_pool
from earthward.record.place import Mark

GOOD = """
[pool]
name = "Long \\"blue\\" pool"
shape = "rectangle"
length_m = 10.0
width_m = 5.0
[floor]
kind = "profile"
profile_m = [[0.0, 1.1], [4.0, 1.1], [7.0, 2.4], [10.0, 2.4]]
[water]
conductivity_S_per_m = 0.2
temperature_C = 26.0
[source]
position_m = [1.0, 1.0, 0.5]
current_A = 0.010
[[fitting]]
name = "light"
kind = "light"
position_m = [5.0, 0.0, 0.6]
covered = false
"""


def test_the_documented_example_is_read() -> None:
    pool = parse_pool(GOOD)
    assert pool.name == 'Long "blue" pool'
    assert pool.bounds_m == (0.0, 0.0, 10.0, 5.0)
    assert float(pool.depth_at(5.5, 2.0)) == pytest.approx(1.75)
    assert pool.resistivity_ohm_m == pytest.approx(5.0)
    assert pool.source(0).current_A == 0.010
    assert pool.fittings[0].kind == "light"
    assert not pool.is_box


def test_written_text_reads_back_equal() -> None:
    pool = replace(parse_pool(GOOD), marks=(Mark(name="post", position_m=(0.0, -1.0)),))
    assert parse_pool(format_pool(pool)) == pool
    odd = parse_pool(
        GOOD.replace('shape = "rectangle"', 'shape = "kidney"')
        .replace("position_m = [1.0, 1.0, 0.5]", "position_m = [3.0, 2.0, 0.5]")
        .replace("position_m = [5.0, 0.0, 0.6]", "position_m = [5.0, 0.0, 0.6]")
    )
    again = parse_pool(format_pool(odd))
    assert again.outline_m == odd.outline_m
    assert again == odd


def test_two_placements() -> None:
    second = "[[source]]\nid = 1\nposition_m = [9.0, 4.0, 0.5]\ncurrent_A = 0.012\n"
    text = GOOD.replace("[source]", second + "[[source]]\nid = 0")
    pool = parse_pool(text)
    assert {s.source_id: s.current_A for s in pool.sources} == {0: 0.010, 1: 0.012}
    with pytest.raises(KeyError):
        pool.source(7)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "conductivity_S_per_m = 0.2",
            "conductivity_S_per_m = 0.0",
            "water.conductivity_S_per_m: expected a number above 0.0",
        ),
        ("conductivity_S_per_m = 0.2", "conductivity_S_per_m = 2000", "siemens per metre"),
        ("conductivity_S_per_m = 0.2", 'conductivity_S_per_m = "wet"', "expected a number, got text"),
        (
            "conductivity_S_per_m = 0.2",
            "conductivity_S_per_m = nan",
            "water.conductivity_S_per_m: expected a number above 0.0",
        ),
        (
            'shape = "rectangle"',
            'shape = "star"',
            "pool.shape: invalid value 'star' (one of L, kidney, oval, polygon, rectangle, taped)",
        ),
        (
            'shape = "rectangle"',
            'shape = "polygon"\noutline_m = [[0,0],[10,5],[10,0],[0,5]]',
            "outline crosses itself: edge 1 meets edge 3",
        ),
        (
            'shape = "rectangle"',
            'shape = "polygon"\noutline_m = [[0,0],[10,5]]',
            "pool.outline_m: expected a list of length of at least 3",
        ),
        (
            'shape = "rectangle"',
            'shape = "polygon"\noutline_m = [[0,0],[10,5,1],[3,3]]',
            "pool.outline_m 2: expected a list of length 2, got 3",
        ),
        ('shape = "rectangle"', 'shape = "polygon"\noutline_m = [[0,0],[1000,0],[1000,500],[0,500]]', "metres"),
        ("position_m = [5.0, 0.0, 0.6]", "position_m = [5.0, 0.5, 0.6]", '"light" at (5, 0.5, 0.6) is 0.50 m off'),
        ("position_m = [1.0, 1.0, 0.5]", "position_m = [-1.0, 1.0, 0.5]", "source 0 at (-1, 1, 0.5) is outside"),
        ("position_m = [1.0, 1.0, 0.5]", "position_m = [1.0, 1.0, 1.2]", "outside the water"),
        ("current_A = 0.010", "current_A = 0", "source 0.current_A"),
        ("current_A = 0.010", "current_A = 10", "amperes"),
        ("[4.0, 1.1], [7.0, 2.4]", "[7.0, 1.1], [4.0, 2.4]", "increasing x"),
        ("[4.0, 1.1]", "[4.0, -1.1]", "floor.profile_m 2, 2: expected a number above 0.0"),
        ('kind = "profile"', 'kind = "bumpy"', "floor.kind: invalid value 'bumpy' (one of flat, hopper, profile)"),
        ('kind = "light"', 'kind = "lamp"', "fitting 1.kind: invalid value 'lamp' (one of bonded electrode, drain"),
        ("covered = false", "covered = 0", "fitting 1.covered: expected true or false, got a whole number"),
        ("length_m = 10.0", "length_m = -1", "pool.length_m: expected a number above 0.0"),
        ("length_m = 10.0", "length_m = 1" + "0" * 400, "pool.length_m: number out of range"),
        ("position_m = [5.0, 0.0, 0.6]", "position_m = [5.0, nan, 0.6]", "fitting 1.position_m 2 is nan"),
        ("covered = false", "coverd = true", "fitting 1: unknown key coverd (one of covered, kind, name, position_m)"),
        ("length_m = 10.0", "", "pool: there is no length_m"),
        ("[water]", "[watr]", "unknown key watr (one of fitting, floor,"),
        ("temperature_C = 26.0", "temperature_C = 79", "water.temperature_C: expected a number of at most 60.0"),
        ("[pool]", "[pool", "not valid TOML"),
    ],
)
def test_bad_input_is_one_clear_sentence(old: str, new: str, words: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new)
    if "outline_m" in new:
        text = text.replace("length_m = 10.0\nwidth_m = 5.0\n", "")
    with pytest.raises(InputError) as caught:
        parse_pool(text, where="pool.toml")
    message = str(caught.value)
    assert words in message
    assert message.startswith("pool.toml")
    assert "\n" not in message


def test_fitting_within_the_taping_limit_is_believed() -> None:
    parse_pool(GOOD.replace("position_m = [5.0, 0.0, 0.6]", "position_m = [5.0, 0.29, 0.6]"))
    parse_pool(GOOD.replace("position_m = [5.0, 0.0, 0.6]", "position_m = [5.0, -0.29, 0.6]"))


TAPED = """
[pool]
shape = "taped"
marks_apart_m = 10.0
taped_m = [{points}]
chords_m = [[1, 3, {diagonal}], [1, 2, 6.0], [2, 3, 3.0]]
[floor]
kind = "flat"
depth_m = 1.4
[water]
conductivity_S_per_m = 0.2
"""


def taped(diagonal: float, wrong_m: float = 0.0) -> str:
    """A rectangle of 6 x 3 m whose corner lies 2 m along and 1 m off the line of the marks: by Pythagoras."""
    corners = [(2.0, 1.0), (8.0, 1.0), (8.0, 4.0), (2.0, 4.0)]
    tapes = [[math.hypot(x, y), math.hypot(x - 10.0, y)] for x, y in corners]
    tapes[1][0] += wrong_m
    return TAPED.format(points=", ".join(str(t) for t in tapes), diagonal=diagonal)


def test_an_outline_may_be_taped_from_two_marks() -> None:
    pool = parse_pool(taped(math.hypot(6.0, 3.0)))
    assert pool.outline_m == pytest.approx(np.array([(2.0, 1.0), (8.0, 1.0), (8.0, 4.0), (2.0, 4.0)]), abs=1e-5)
    assert parse_pool(format_pool(pool)) == pool
    right = parse_pool(taped(math.hypot(6.0, 3.0)).replace("marks_apart", 'side = "right"\nmarks_apart'))
    assert sorted(y for _, y in right.outline_m) == pytest.approx([-4.0, -4.0, -1.0, -1.0], abs=1e-5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (taped(math.hypot(6.0, 3.0), wrong_m=0.5), "do not agree .* measure .* again"),
        (taped(6.7).replace("marks_apart", 'side = "north"\nmarks_apart'), "pool.side"),
        (taped(6.7).replace("[1, 3,", "[1, 9,"), "check distance"),
        (taped(6.7).replace("[1, 3,", "[1.5, 3,"), "pool.chords_m 1, 1: expected a whole number"),
        (taped(6.7).replace("marks_apart_m = 10.0", "marks_apart_m = 30.0"), "cannot meet"),
    ],
)
def test_tapes_that_cannot_be(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_pool(text)
