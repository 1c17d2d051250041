"""Glyphs, themes, contrast: what can be drawn everywhere and seen in the sun, in the dark and without colour."""

from __future__ import annotations

import itertools

import pytest
from tests.display import fake_feed
from tests.display.scenes import PAGES, SMALL, TIERS, scene

from earthward.daemon.protocol import FromDaemon
from earthward.display.draw import draw
from earthward.display.glyphs import ALLOWED, RAMP, SAFE, choose_tier, clean
from earthward.display.options import Options
from earthward.display.press import press
from earthward.display.themes import PALETTES, ROLES, VGA, contrast, luminance
from earthward.display.view import View


@pytest.mark.parametrize("tier", TIERS)
def test_every_glyph_that_every_page_emits_is_in_its_tier(tier: str) -> None:
    emitted: set[str] = set()
    for lock in ("checking", "energised", "tripped"):
        strange = fake_feed.state(lock, place=fake_feed.Station(position_m=(1, 1, 1), text="Beckenrand Süd – 池"))
        extras: tuple[list[FromDaemon], ...] = ([], [strange, *fake_feed.events()[3:]])
        for extra in extras:
            snapshot, now = scene(lock, readings=60, extra=extra)
            options = Options(tier=tier)  # type: ignore[arg-type]
            for page, size in itertools.product(PAGES, (SMALL, (80, 24))):
                views = [View(page=page), View(page=page, help=1)]
                views.append(press(View(page=page), "keep", snapshot, now)[0])
                views.append(press(View(page=page), "type 3", snapshot, now)[0])
                for view in views:
                    canvas = draw(*size, snapshot, view, options, now)
                    emitted |= {ch for row in canvas.rows() for text, _ in row for ch in text}
    assert emitted <= ALLOWED[tier]  # type: ignore[index]
    assert "█" in emitted
    if tier == "braille":
        assert any(0x2800 <= ord(ch) < 0x2900 for ch in emitted)


def test_safe_tier_is_what_both_console_fonts_hold() -> None:
    """Code page 437 (IBM, 1981) holds every safe glyph that is not ASCII, as Python's own codec knows it."""
    outside = {ch for ch in SAFE if ch not in "×•▲▼←↑→↓" and not _in_cp437(ch)}
    assert outside == set()
    # These sit in CP437's control positions (bullet, triangles, arrows) or in Latin-1 (multiplication sign).
    assert all(ord(ch) < 0x100 or ch in "•▲▼←↑→↓" for ch in "×•▲▼←↑→↓")


def _in_cp437(ch: str) -> bool:
    try:
        ch.encode("cp437")
    except UnicodeEncodeError:
        return False
    return True


def test_clean_keeps_one_cell_per_character() -> None:
    for text in ("é", "µV", "池", "a\tb", "—", "\u200b", "🙂", "\x1b[31m"):
        assert len(clean(text, "safe")) == len(text)
        assert set(clean(text, "safe")) <= SAFE


def test_tier_is_chosen_from_the_terminal() -> None:
    assert choose_tier({"TERM": "linux", "LANG": "en_GB.UTF-8"}) == "safe"
    assert choose_tier({"TERM": "xterm-256color", "LANG": "C"}) == "safe"
    assert choose_tier({"TERM": "xterm-256color", "LANG": "en_GB.UTF-8"}) == "braille"


@pytest.mark.parametrize(
    ("font", "tier"),
    [(SAFE, "safe"), (ALLOWED["half"], "half"), (ALLOWED["braille"], "braille")],
    ids=["safe", "half", "braille"],
)
def test_the_linux_console_is_asked_for_its_font(
    font: frozenset[str], tier: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """GIO_UNIMAP (linux/kd.h): struct unimapdesc {u16 entry_ct; struct unipair {u16 unicode, fontpos;} *entries;}"""
    import ctypes
    import fcntl
    import struct

    codes = sorted(map(ord, font))

    def ioctl(descriptor: int, request: int, argument: bytes) -> bytes:
        assert request == 0x4B66
        room, address = struct.unpack("@HP", argument)
        if room < len(codes):
            raise OSError(12, "the list is too short")
        pairs = b"".join(struct.pack("HH", code, i % 512) for i, code in enumerate(codes))
        ctypes.memmove(address, pairs, len(pairs))
        return struct.pack("@HP", len(codes), address)

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    monkeypatch.setattr("os.isatty", lambda descriptor: True)
    assert choose_tier({"TERM": "linux"}, 0) == tier


# ---- contrast and ramp ------------------------------------------------------------------------------------


def test_contrast_formula_against_its_standard() -> None:
    """W3C WCAG 2.1: black on white is 21:1; #767676 on white is the well-known 4.54:1 (from memory)."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("role", ROLES)
def test_daylight_contrast_is_at_least_seven(role: str) -> None:
    ink = PALETTES["daylight"][role]
    assert contrast(ink.fg, ink.bg) >= 7.0
    assert contrast(VGA[ink.fg16], VGA[ink.bg16]) >= 7.0


def test_daylight_has_no_mid_greys() -> None:
    for ink in PALETTES["daylight"].values():
        for colour in (ink.fg, ink.bg):
            r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
            assert max(r, g, b) - min(r, g, b) > 40 or not 60 < r < 200


@pytest.mark.parametrize("role", ROLES)
def test_night_is_readable_and_dark(role: str) -> None:
    ink = PALETTES["night"][role]
    if role not in ("ramp0", "ramp1", "ramp2"):  # the faint end of the map's ramp, doubled by its glyphs
        assert contrast(ink.fg, ink.bg) >= 4.5
    if role not in (
        "badge",
        "caution",
        "energised",
        "title",
        "key",
        "select",
        "next",
        "here",
        "fitting",
        "alarm",
        "finding",
    ):
        assert luminance(ink.bg) == 0.0


# Machado, Oliveira, Fernandes 2009, "A physiologically-based model for simulation of color vision deficiency",
# severity 1.0 (matrices from memory), applied to linear RGB.
DEFICIENCIES = {
    "none": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def seen_luminance(colour: str, matrix: tuple[tuple[float, ...], ...]) -> float:
    def linear(v: int) -> float:
        c = v / 255
        return c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4

    rgb = [linear(int(colour[i : i + 2], 16)) for i in (1, 3, 5)]
    seen = [min(1.0, max(0.0, sum(m * v for m, v in zip(row, rgb, strict=True)))) for row in matrix]
    return 0.2126 * seen[0] + 0.7152 * seen[1] + 0.0722 * seen[2]


#: Share of a cell that each ramp glyph inks: blank, a dot, shades of 25 %, 50 % and full.
INKED = dict(zip(RAMP, (0.0, 0.04, 0.25, 0.5, 1.0), strict=True))


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
@pytest.mark.parametrize("theme", ["daylight", "night"])
@pytest.mark.parametrize("colours", ["full", "16"])
def test_map_ramp_is_monotone_in_luminance(theme: str, deficiency: str, colours: str) -> None:
    """Mean luminance of a cell: the glyph's ink over its background. Steps are never reversed, always visible."""
    matrix = DEFICIENCIES[deficiency]
    levels = []
    for i, glyph in enumerate(RAMP):
        ink = PALETTES[theme][f"ramp{i}"]  # type: ignore[index]
        fg, bg = (ink.fg, ink.bg) if colours == "full" else (VGA[ink.fg16], VGA[ink.bg16])
        share = INKED[glyph]
        levels.append(share * seen_luminance(fg, matrix) + (1 - share) * seen_luminance(bg, matrix))
    steps = [b - a for a, b in itertools.pairwise(levels)]
    assert all(s < 0 for s in steps) or all(s > 0 for s in steps)
    # The colours alone, without the glyphs, do not contradict either (equal where a console has no more colours).
    inks = [
        seen_luminance(
            PALETTES[theme][f"ramp{i}"].fg if colours == "full" else VGA[PALETTES[theme][f"ramp{i}"].fg16],  # type: ignore[index]
            matrix,
        )
        for i in range(1, len(RAMP))
    ]
    alone = [b - a for a, b in itertools.pairwise(inks)]
    assert all(s <= 1e-9 for s in alone) or all(s >= -1e-9 for s in alone)


# ---- without colour ---------------------------------------------------------------------------------------


def test_meaning_survives_mono() -> None:
    """The states of interlock, direction, steadiness, input, link and alerts differ as bare text."""

    def bare(**k: object) -> str:
        snapshot, now = scene(**k)  # type: ignore[arg-type]
        return "\n".join("".join(t for t, _ in row) for row in draw(53, 20, snapshot, View(), Options(), now).rows())

    adc, link = fake_feed.state().adc, fake_feed.state().link
    from msgspec.structs import replace

    texts = [bare(lock=lock) for lock in ("off", "checking", "ready", "energised", "tripped")]
    texts += [bare(value_of=lambda t, v=v: v, noise_V=0.0) for v in (100e-6, -100e-6, 1e-6)]
    texts += [bare(value_of=lambda t: 100e-6 * (1 + t % 2))]
    texts += [bare(extra=[fake_feed.state(adc=replace(adc, saturated=True))])]
    texts += [bare(extra=[fake_feed.state(adc=replace(adc, ok=False, text="the converter does not answer"))])]
    texts += [bare(extra=[fake_feed.state(link=replace(link, ok=False, text="no answer for 2 s"))])]
    texts += [bare(extra=[e]) for e in fake_feed.events()[2:4]]
    assert len(set(texts)) == len(texts)
    for ink in PALETTES["mono"].values():
        assert (ink.fg, ink.bg, ink.fg16, ink.bg16) == ("default",) * 4


def test_every_theme_has_every_role() -> None:
    for palette in PALETTES.values():
        assert set(palette) == set(ROLES)
