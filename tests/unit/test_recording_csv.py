"""A slip in one cell of a recording ends in one sentence, at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from earthward.cli import main
from earthward.daemon.recording_csv import HIGHEST_V, LONGEST_GAP_S, read_recording_csv
from earthward.errors import InputError


def written(path: Path, times: list[float], volts: list[float]) -> Path:
    rows = "\n".join(f"{t!r},{v!r}" for t, v in zip(times, volts, strict=True))
    path.write_text(f"# waveform: square\n# frequency_Hz: 36\nt_s,v_V\n{rows}\n")
    return path


def test_a_time_of_years_is_named_and_searched_by_nobody(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The earlier code went on for hours: one window every quarter of a second for thirty years."""
    times = [k / 860 for k in range(900)]
    times[-1] = 1e9
    file = written(tmp_path / "far.csv", times, [1e-4] * 900)
    assert main(["detect", str(file), "--json"]) == 2
    said = capsys.readouterr().err
    assert "without a sample before sample 900" in said and said.count("\n") == 1


def test_a_pause_between_stations_is_no_slip(tmp_path: Path) -> None:
    times = [k / 860 for k in range(100)] + [LONGEST_GAP_S - 1 + k / 860 for k in range(100)]
    assert read_recording_csv(written(tmp_path / "pause.csv", times, [1e-4] * 200)).t_s.size == 200


def test_a_value_no_pair_can_have_is_named(tmp_path: Path) -> None:
    volts = [1e-4] * 50
    volts[7] = 10 * HIGHEST_V
    with pytest.raises(InputError, match="sample 8 says 10000 V"):
        read_recording_csv(written(tmp_path / "high.csv", [k / 860 for k in range(50)], volts))
