"""What is claimed, and that arrow, words, bar, number and sound claim the same thing."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.display import fake_feed
from tests.display.scenes import scene

from earthward.devices.cue import Cue
from earthward.display.draw import draw
from earthward.display.figures import arrow, compass, no_arrow
from earthward.display.meaning import STALE_S, meaning_of, side_of
from earthward.display.options import Options
from earthward.display.pages.read import bar_text
from earthward.display.snapshot import Snapshot, connection, updated
from earthward.display.view import View


def one(value_V: float | None, sigma_V: float | None = 1e-6, **more: object) -> Snapshot:
    snapshot = connection(Snapshot(address="/run/x"), True, 0.1)
    snapshot = updated(snapshot, fake_feed.state(), 1.0)
    return updated(snapshot, fake_feed.reading(1, value_V, sigma_V, **more), 1.0)


def shown(snapshot: Snapshot, now: float = 1.05) -> dict[str, str]:
    """What each part of the reading page says, found on the drawn page itself."""
    rows = ["".join(t for t, _ in row) for row in draw(53, 20, snapshot, View(), Options(), now).rows()]
    text = "\n".join(rows)
    drawn = "?"
    for side, figure in (("front", arrow(0.0, 7)), ("back", arrow(180.0, 7)), ("none", no_arrow(7))):
        for y in range(1, 8):
            if all(row.startswith(line + " ") for row, line in zip(rows[y : y + 7], figure, strict=True)):
                drawn = side
    words_say = "front" if "TOWARD ONE RING" in text else "back" if "TOWARD TWO RINGS" in text else "none"
    bar = next(row for row in rows if "│" in row and set(row) <= set("─▒█│ "))
    middle = bar.index("│")
    bar_says = "none"
    if "█" in bar[middle:] and "█" not in bar[:middle]:
        bar_says = "front"
    elif "█" in bar[:middle] and "█" not in bar[middle:]:
        bar_says = "back"
    sign_row = next((row for row in rows if "(95 %)" in row), " ")
    sign = {"+": "front", "-": "back", "±": "none"}.get(sign_row[0], "?")
    return {"arrow": drawn, "words": words_say, "bar": bar_says, "sign": sign}


def sounds(snapshot: Snapshot) -> str:
    cue = Cue()
    cue.update(snapshot.readings[0].message, 1.0)
    kind = cue.tone(1.3).kind
    return kind if kind in ("front", "back") else "none"


@given(ratio=st.floats(3.0, 5e3), sigma=st.floats(2e-8, 1e-5))
@settings(max_examples=60, deadline=None)
def test_a_change_of_sign_turns_arrow_words_bar_sign_and_sound_together(ratio: float, sigma: float) -> None:
    for sign, side in ((1, "front"), (-1, "back")):
        snapshot = one(sign * ratio * sigma, sigma)
        assert shown(snapshot) == {"arrow": side, "words": side, "bar": side, "sign": side}
        assert sounds(snapshot) == side


@given(ratio=st.floats(-1.99, 1.99), sigma=st.floats(2e-8, 1e-5))
@settings(max_examples=60, deadline=None)
def test_below_two_sigma_nothing_claims_a_direction(ratio: float, sigma: float) -> None:
    snapshot = one(ratio * sigma, sigma)
    assert shown(snapshot) == {"arrow": "none", "words": "none", "bar": "none", "sign": "none"}
    assert sounds(snapshot) == "none"


@given(value=st.floats(-1e-3, 1e-3), sigma=st.floats(1e-8, 1e-4))
@settings(max_examples=300, deadline=None)
def test_screen_and_cue_claim_by_the_same_rule(value: float, sigma: float) -> None:
    snapshot = one(value, sigma)
    assert meaning_of(snapshot, 1.05).side == sounds(snapshot)


def test_noise_alone_claims_a_direction_in_at_most_five_percent() -> None:
    """Two-sided 2 sigma of a normal distribution: 4.55 % (any statistics table)."""
    rng = random.Random(7)
    n = 40_000
    claims = sum(side_of(fake_feed.reading(1, rng.gauss(0, 1e-6), 1e-6)) != "none" for _ in range(n))
    assert claims / n <= 0.05
    assert claims / n == pytest.approx(0.0455, abs=0.004)


def test_noise_alone_in_a_crossed_pair_claims_in_at_most_five_percent() -> None:
    rng = random.Random(8)
    base = connection(Snapshot(address="x"), True, 0.1)
    base = updated(base, fake_feed.state(pair=fake_feed_pair(crossed=True)), 1.0)
    n, claims = 4_000, 0
    for _ in range(n):
        s = updated(base, fake_feed.reading(1, rng.gauss(0, 1e-6), 1e-6), 1.0)
        s = updated(s, fake_feed.reading(1, rng.gauss(0, 3e-6), 3e-6, channel=1), 1.0)
        claims += meaning_of(s, 1.05).side != "none"
    assert claims / n <= 0.06  # 5.0 % expected; three standard errors of 4,000 draws are 1 %


def fake_feed_pair(**more: object):
    from earthward.daemon.protocol import PairInfo

    return PairInfo(**more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("along", "across", "said"),
    [
        (100e-6, 0.0, "TOWARD ONE RING"),
        (100e-6, 100e-6, "45° LEFT OF ONE RING"),
        (0.0, -100e-6, "90° RIGHT OF ONE RING"),
        (-100e-6, 0.0, "TOWARD TWO RINGS"),
        (-100e-6, 100e-6, "135° LEFT OF ONE RING"),
    ],
)
def test_crossed_pair_is_a_compass(along: float, across: float, said: str) -> None:
    s = connection(Snapshot(address="x"), True, 0.1)
    s = updated(s, fake_feed.state(pair=fake_feed_pair(crossed=True)), 1.0)
    s = updated(s, fake_feed.reading(1, along, 1e-6), 1.0)
    s = updated(s, fake_feed.reading(1, across, 1e-6, channel=1), 1.0)
    for size in ((40, 13), (53, 20), (80, 24)):
        canvas = draw(*size, s, View(), Options(), 1.05)
        text = "\n".join("".join(t for t, _ in row) for row in canvas.rows())
        assert said in text
        assert canvas.clipped == []


@pytest.mark.parametrize("rows", [5, 7, 10])
def test_needle_lies_on_the_side_that_it_points_to(rows: int) -> None:
    pictures = set()
    for angle in range(-180, 180, 30):
        picture = compass(float(angle), rows)
        assert {len(line) for line in picture} == {2 * rows} and len(picture) == rows
        cells = [
            (c + 0.5 - rows, rows / 2 - r - 0.5)
            for r, line in enumerate(picture)
            for c, g in enumerate(line)
            if g == "█"
        ]
        x, y = (sum(v) / len(cells) for v in zip(*cells, strict=True))
        away = math.degrees(math.atan2(2 * y, x)) - angle
        assert abs((away + 180) % 360 - 180) < 30
        pictures.add(picture)
    assert len(pictures) == 12


def test_old_number_is_blanked_before_a_second_has_passed_and_words_say_so() -> None:
    snapshot, now = scene()
    age = snapshot.readings[0].message.age_s
    assert STALE_S < 1.0
    assert meaning_of(snapshot, now + STALE_S - age - 0.01).blank == ""
    late = now + 1.0 - age
    meaning = meaning_of(snapshot, late)
    assert meaning.blank and meaning.number == ""
    rows = ["".join(t for t, _ in row) for row in draw(80, 24, snapshot, View(), Options(), late).rows()]
    text = "\n".join(rows)
    assert "NO NEW READING FOR 1 s" in text
    assert "µV  ±" not in text and "TOWARD" not in text
    assert not any("█" in row for row in rows[1:10])


@pytest.mark.parametrize("flag", ["acquiring", "saturated", "no sign"])
def test_flags_forbid_a_direction(flag: str) -> None:
    snapshot = one(100e-6, flags=[flag])
    assert meaning_of(snapshot, 1.05).side == "none"


def test_no_value_no_number() -> None:
    assert meaning_of(one(None, None, flags=["acquiring"]), 1.05).blank == "ACQUIRING THE SIGNAL"
    assert meaning_of(one(None, None, flags=["saturated"]), 1.05).blank == "INPUT SATURATED"


def test_steady_and_unsteady_and_why() -> None:
    assert meaning_of(*scene(value_of=lambda t: 100e-6)).steady
    moving = meaning_of(*scene(value_of=lambda t: 100e-6 + 40e-6 * (t % 2)))
    assert not moving.steady and moving.why == "pole moving"
    motion = meaning_of(one(100e-6, flags=["motion"]), 1.05)
    assert not motion.steady and motion.why == "pole moving"
    # The detector's sigma holds the mains: told, but the reading stands.
    mains = meaning_of(one(100e-6, flags=["mains"]), 1.05)
    assert mains.steady and mains.why == "mains pick-up"
    rows = draw(80, 24, one(100e-6, flags=["mains"]), View(), Options(), 1.05).rows()
    assert "steady, mains pick-up" in "".join(t for t, _ in rows[1])


def test_number_never_claims_more_digits_than_the_band() -> None:
    for value, sigma, number, band in (
        (123.4e-6, 2.6e-6, "123", "5.1 µV"),
        (1.234e-3, 2e-6, "1.23", "3.9 µV"),
        (3.21e-6, 0.5e-6, "3.21", "0.98 µV"),
        (0.3e-6, 5e-6, "0.3", "9.8 µV"),
        (999.7e-6, 1e-6, "1.00", "2.0 µV"),
        (12.34e-6, 30e-6, "12", "59 µV"),
    ):
        meaning = meaning_of(one(value, sigma), 1.05)
        assert (meaning.number, meaning.band) == (number, band)


def test_bar_of_a_claimed_reading_leaves_zero_out_of_its_band() -> None:
    meaning = meaning_of(one(50e-6, 5e-6), 1.05)
    bar = bar_text(meaning, 100e-6, 53)
    assert bar[26] == "│"
    assert "▒" in bar[27:] and "▒" not in bar[:26]


@pytest.mark.parametrize(
    ("lock", "word"),
    [("off", "source off"), ("checking", "checking"), ("ready", "ready"), ("tripped", "TRIPPED")],
)
def test_no_number_unless_energised(lock: str, word: str) -> None:
    snapshot, now = scene(lock)
    rows = ["".join(t for t, _ in row) for row in draw(53, 20, snapshot, View(), Options(), now).rows()]
    assert word in rows[0]
    assert not any("█" in row or "µV" in row for row in rows[1:])


def test_trip_tells_cause_and_remedy() -> None:
    snapshot, now = scene("tripped")
    text = " ".join("".join(t for t, _ in row) for row in draw(40, 13, snapshot, View(), Options(), now).rows())
    assert "the emergency stop was pressed" in " ".join(text.split())
    assert "press reset at the pool side" in " ".join(text.split())
