"""`earthward detect` from a file: what it prints, and one sentence with exit 2 for everything that is no recording."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from earthward.cli import main
from earthward.emulated.pair_recording import PairScene, record

KEYS = {"t_s", "value_V", "quadrature_V", "sigma_V", "snr", "p_sign", "lost_fraction", "flags"}


def write(path: Path, header: dict[str, str], seconds: float = 6.0, amplitude_V: float = 40e-6) -> Path:
    scene = PairScene(amplitude_V=amplitude_V, mains_V=((50.0, 1e-3),))
    r = record(scene, seconds, 1)
    lines = [f"# {k}: {v}" for k, v in header.items()]
    lines += ["t_s,v_V", *(f"{t:.7f},{v:.9e}" for t, v in zip(r.t_s.tolist(), r.v_V.tolist(), strict=True))]
    path.write_text("\n".join(lines) + "\n")
    return path


def detected(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, object]:
    assert main(["detect", *arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert isinstance(found, dict)
    return found


HEADER = {"waveform": "coded", "frequency_Hz": "35", "start_s": "0.0123", "mains_Hz": "both"}


def test_header_keys_are_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = detected(capsys, str(write(tmp_path / "r.csv", HEADER)))
    assert found["sample_rate_Hz"] == pytest.approx(885.8, rel=1e-4)
    readings = found["readings"]
    assert isinstance(readings, list) and len(readings) > 15
    for r in readings:
        assert set(r) >= KEYS
        assert abs(r["value_V"] - 40e-6) < 5 * r["sigma_V"]
    # Half a window apart unless told otherwise.
    assert np.median(np.diff([r["t_s"] for r in readings])) == pytest.approx(0.25, rel=0.02)
    mains = found["mains"]
    assert isinstance(mains, list)
    assert mains[0]["frequency_Hz"] == pytest.approx(50, abs=0.5)
    assert mains[0]["amplitude_V"] == pytest.approx(1e-3, rel=0.03)


def test_options_override_the_header(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "r.csv", {})
    found = detected(
        capsys, str(path), "--waveform", "coded", "--frequency", "35", "--start-time", "0.0123", "--window", "0.25",
        "--every", "0.1", "--mains", "50",
    )  # fmt: skip
    readings = found["readings"]
    assert isinstance(readings, list) and len(readings) > 40
    assert all(r["value_V"] > 0 for r in readings)
    mains = found["mains"]
    assert isinstance(mains, list) and len(mains) == 1


def test_without_a_link_first_acquiring_then_values(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "r.csv", {"frequency_Hz": "35.1"}, 8.0, -40e-6)
    found = detected(capsys, str(path), "--sync", "none")
    readings = found["readings"]
    assert isinstance(readings, list)
    assert readings[0]["value_V"] is None and "acquiring" in readings[0]["flags"]
    assert readings[-1]["value_V"] == pytest.approx(-40e-6, rel=0.1)
    assert found["clock_offset"] == pytest.approx(35 / 35.1 - 1, abs=2e-4)
    # A square's sign cannot be told without a clock: none is claimed.
    found = detected(capsys, str(path), "--sync", "none", "--waveform", "square")
    readings = found["readings"]
    assert isinstance(readings, list)
    assert all(r["value_V"] is None and "acquiring" in r["flags"] for r in readings)


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"", "empty"),
        (b"t_s,v_V\n", ""),
        (b"t_s,volts\n0,1\n1,2\n", "v_V"),
        (b"# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.1,nan\n0.2,0\n", ""),
        (b"# frequency_Hz: 35\nt_s,v_V\n0.2,1e-6\n0.1,2e-6\n0.3,0\n", ""),
        (b"# frequency_Hz: fast\nt_s,v_V\n0.0,1e-6\n0.1,2e-6\n", "frequency_Hz"),
        (b"# waveform: triangle\n# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.1,2e-6\n", "waveform"),
        (b"# mains_Hz: 55\n# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.1,2e-6\n", "mains_Hz"),
        (b"# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.1\n", ""),
        (b"# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.1,zero\n", ""),
        (b"\x7fELF\x00\x01\x02\xff\xfe\x00" * 50, ""),
        (b"# frequency_Hz: 35\nt_s,v_V\n0.0,1e-6\n0.001,2e-6\n", "window"),
    ],
    ids=[
        "empty", "no samples", "missing column", "NaN", "unsorted", "no number", "unknown waveform", "no such mains",
        "short row", "word for a number", "binary", "too short",
    ],
)  # fmt: skip
def test_what_is_no_recording_is_one_sentence(
    content: bytes, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    assert main(["detect", str(path), "--start-time", "0", "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    lines = err.strip().splitlines()
    assert len(lines) == 1
    assert "bad.csv" in lines[0] and word in lines[0]
    assert "Traceback" not in err


@pytest.mark.parametrize(
    "arguments",
    [["--window", "0"], ["--window", "nan"], ["--every", "-1"], ["--frequency", "0"], ["--sync", "known"]],
)
def test_bad_options(arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "r.csv", {"frequency_Hz": "35"}, 2.0)
    assert main(["detect", str(path), *arguments]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


def test_a_file_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["detect", "nowhere.csv"]) == 2
    assert "nowhere.csv" in capsys.readouterr().err
