"""`earthward bench`: figures of electrodes against samples made with known ones; errors in one sentence."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from earthward.cli import main
from earthward.daemon.recorder import Recorder
from earthward.errors import InputError
from earthward.signal.electrodes import electrode_figures
from earthward.signal.types import SampleBlock

pytestmark = pytest.mark.long

RATE_HZ = 850.0


def samples(seconds: float = 30.0, offset_V: float = 12e-3, drift_V_per_s: float = 20e-6, noise_V: float = 9e-6,
            mains_V: float = 400e-6, seed: int = 1) -> SampleBlock:  # fmt: skip
    draw = np.random.default_rng(seed)
    n = int(seconds * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    v = offset_V + drift_V_per_s * t + np.sqrt(2) * mains_V * np.sin(2 * np.pi * 60.03 * t) + draw.normal(0, noise_V, n)
    late = np.abs(draw.normal(0, 1e-4, n))
    return SampleBlock(np.arange(n), t + late, v, np.zeros(n, dtype=np.uint8), 0.256)


def test_figures_are_those_that_went_in() -> None:
    f = electrode_figures(samples())
    assert f.sample_rate_Hz == pytest.approx(RATE_HZ, rel=1e-4)
    assert f.offset_V == pytest.approx(12e-3 + 20e-6 * 15, rel=0.01)
    assert f.drift_V_per_min == pytest.approx(1.2e-3, rel=0.02)
    assert f.noise_V == pytest.approx(9e-6, rel=0.1)
    assert f.mains_V == pytest.approx(400e-6, rel=0.02) and f.mains_Hz == pytest.approx(60.03, abs=0.05)
    # White noise: the Cramer-Rao bound of an amplitude of unit power, sigma / sqrt(samples); the code has less.
    ideal = 9e-6 / np.sqrt(0.5 * RATE_HZ)
    assert ideal < f.reading_V < 1.6 * ideal
    assert f.lost_fraction == 0.0
    assert [r.split(";")[0] for r in f.remarks] == ["offset: good", "drift: usable", "noise: good"]


def test_bad_electrodes_are_told_what_to_do() -> None:
    f = electrode_figures(samples(offset_V=0.2, drift_V_per_s=2e-3, noise_V=3e-4))
    assert all("poor;" in r for r in f.remarks)
    with pytest.raises(InputError, match="at least 4 s"):
        electrode_figures(samples(2.0))


def test_command_takes_the_quiet_part_of_a_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "r"
    block = samples(20.0)
    on = block.t_s > 12.0
    block.v_V[on] += 5e-3 * np.sign(np.sin(2 * np.pi * 36 * block.t_s[on]))
    recorder = Recorder(folder, {"emulated": True, "mains_Hz": [60.0]})
    recorder.samples(block)
    recorder.note({"kind": "source", "t_s": 12.0, "energised": True})
    recorder.close()
    assert main(["bench", "electrodes", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["emulated"] is True
    (pair,) = told["pairs"]
    assert pair["duration_s"] == pytest.approx(12.0, abs=0.1) and pair["noise_V"] == pytest.approx(9e-6, rel=0.15)
    assert main(["bench", "electrodes", str(folder)]) == 0
    assert capsys.readouterr().out.startswith("EMULATED")


def test_two_pairs_in_a_csv_are_compared(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, two = samples(8.0), samples(8.0, offset_V=2e-3, seed=2)
    rows = zip(one.t_s, one.v_V, two.v_V, strict=True)
    file = tmp_path / "two.csv"
    file.write_text("t_s,v_V,v2_V\n" + "\n".join(f"{t:.6f},{a:.9f},{b:.9f}" for t, a, b in rows) + "\n")
    assert main(["bench", "electrodes", str(file)]) == 0
    out = capsys.readouterr().out
    assert "pair 2:" in out and "+10.00 mV apart" in out
    assert main(["bench", "electrodes", str(tmp_path / "none.csv")]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_this_computer_is_measured(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "machine", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    for key in ("detector_samples_per_s", "detector_share_of_a_core", "field_setup_s", "search_setup_s", "search_s"):
        assert told[key] > 0, key
