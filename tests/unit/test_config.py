"""Configuration: defaults work, every mistake gets one sentence that names the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from earthward.config import Config, load, parse
from earthward.errors import InputError


def test_empty_is_the_default() -> None:
    assert parse("") == Config()
    assert parse("[pair]\nspacing_m = 0.25\n").pair.spacing_m == 0.25


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[pair]\nspacing_m = 0\n", "pair.spacing_m"),
        ("[pear]\n", "pear"),
        ("[source]\ncurrent_limit_A = 0.5\n", "source.current_limit_A"),
        ("[source]\nwaveform = 'triangle'\n", "source.waveform"),
        ("[adc]\naddress = 'x'\n", "adc.address"),
        ("[adc\n", "TOML"),
    ],
)
def test_mistakes_are_named(text: str, names: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text)
    assert names in str(caught.value) and "\n" not in str(caught.value)


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[adc]\nfront_end_gain = inf", "adc.front_end_gain"),
        ("[limits]\ncurrent_limit_A = nan", "limits.current_limit_A"),
        ("[detector]\nmains_Hz = []", "detector.mains_Hz"),
        ("[detector]\nmains_Hz = [-50.0]", "detector.mains_Hz"),
        ("[detector]\nwindow_s = 0.2\nupdate_s = 1.0", "detector.update_s"),
        ("[pins.switches]\nkeap = 3", "pins.switches"),
        ('[service]\nsocket = ""', "service.socket"),
        ('[service]\nsocket = "a\\u0000b"', "service.socket"),
    ],
)
def test_what_no_instrument_can_be_set_to_is_refused(text: str, names: str) -> None:
    with pytest.raises(InputError, match=names):
        parse(text)
