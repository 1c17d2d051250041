"""Calibration: quantities with uncertainties that hold the truth, the file, and how survey and daemon use it."""

from __future__ import annotations

import json
from pathlib import Path

import msgspec
import numpy as np
import pytest

from earthward.cli import main
from earthward.commands import _calibration_file as files
from earthward.config import Config
from earthward.daemon.measuring import Measuring
from earthward.emulated.kit import VirtualKit
from earthward.errors import InputError
from earthward.kit import calibrating
from earthward.kit.calibrating import Known
from earthward.record.calibration import OVERDUE_S, QUANTITIES, Calibrated, Calibration
from earthward.safety.limits import Limits


def item(time_s: float = 0.0, value: float = 0.97) -> Calibrated:
    return Calibrated(value=value, sigma=0.001, unit="V/V", method="test", time_s=time_s)


def test_a_mean_is_known_as_well_as_it_says() -> None:
    """300 stretches of white noise: 68 % of means within one standard uncertainty (Student, 9 degrees: 66 %)."""
    rng = np.random.default_rng(3)
    within = [abs((m := calibrating.mean_of(rng.standard_normal(2000))).value) < m.sigma for _ in range(300)]
    assert 0.58 < np.mean(within) < 0.75


def test_a_dividers_uncertainty_agrees_with_a_random_draw() -> None:
    """Against 20,000 draws (JCGM 101, propagation of distributions by a Monte Carlo method, from memory)."""
    rng = np.random.default_rng(5)
    known = calibrating.divided(Known(1.5, 0.003), Known(10e3, 20.0), Known(1e3, 1.0))
    v, upper, lower = (m + s * rng.standard_normal(20_000) for m, s in ((1.5, 0.003), (10e3, 20.0), (1e3, 1.0)))
    drawn = v * lower / (upper + lower)
    assert known.value == pytest.approx(drawn.mean(), rel=1e-4)
    assert known.sigma == pytest.approx(drawn.std(), rel=0.03)


def test_the_gain_holds_the_truth_in_its_interval() -> None:
    """50 emulated kits: |found - true| below two standard uncertainties in 95 % or so."""
    inside = 0
    for seed in range(50):
        kit = VirtualKit(seed)
        true = kit.indicated_V(-0.05, 0.05, 0.0) * kit.built.gain_set
        rng = np.random.default_rng(seed)
        offset = kit.built.converter_offset_V
        applied = Known(0.1 * (1 + 5e-4 * rng.standard_normal()), 5e-5)
        zero = calibrating.zero(offset + 8e-6 * rng.standard_normal(8000), 0.0)
        gain = calibrating.gain(true + 8e-6 * rng.standard_normal(8000), zero, applied, 0.0)
        inside += abs(gain.value - (true - offset) / 0.1) < 2 * gain.sigma
    assert inside >= 44


def test_the_rate_is_found_through_late_reading() -> None:
    rng = np.random.default_rng(1)
    index = np.arange(17_000.0)
    rate = calibrating.converter_rate(index / 871.3 + rng.exponential(2e-4, index.size), index, 0.0)
    assert rate.value == pytest.approx(871.3, abs=4 * rate.sigma)
    assert rate.sigma < 0.01


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: calibrating.mean_of(np.zeros(20)),
        lambda: Known(1.0, 0.0),
        lambda: calibrating.spacing(Known(30.0, 0.1), 0.0),
        lambda: calibrating.gain(np.zeros(400) + 1e-6, item(value=0.0), Known(1e-5, 1e-6), 0.0),
        lambda: calibrating.current_sense(np.full(400, 1e-5), np.full(400, 0.01), Known(1e3, 1.0), 0.0),
    ],
)
def test_nonsense_is_refused_with_a_sentence(wrong) -> None:
    with pytest.raises(InputError):
        wrong()


def test_overdue_after_a_year_and_when_never_done() -> None:
    old = item(1000.0)
    done = Calibration(kit="3", front_end_gain=old, zero=old, converter_rate=old, current_sense=old)
    assert done.overdue(1000.0 + OVERDUE_S - 1) == ["spacing"]
    assert tuple(done.overdue(1000.0 + OVERDUE_S + 1)) == QUANTITIES


def test_a_file_changed_by_hand_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "calibration.json"
    files.write(path, Calibration(kit="3", front_end_gain=item()))
    assert files.read(path).front_end_gain == item()
    path.write_text(path.read_text().replace("0.97", "0.99"))
    with pytest.raises(InputError, match="changed"):
        files.read(path)
    with pytest.raises(InputError, match="no calibration file"):
        path.write_text("{}")
        files.read(path)


def test_the_daemon_measures_with_it_and_signs_with_it() -> None:
    calibration = Calibration(kit="3", front_end_gain=item(), spacing=item(value=0.301))
    config = files.applied(Config(), calibration)
    assert (config.adc.front_end_gain, config.pair.spacing_m) == (0.97, 0.301)
    measuring = Measuring(config, Limits(), calibration)
    assert calibration.digest()[:16] in measuring.settings()["calibration"]
    assert "zero" in measuring.calibration_remark(0.0)
    assert Measuring(config, Limits()).calibration_remark(0.0) == ""
    with pytest.raises(InputError, match="emulated"):
        files.applied(Config(), msgspec.structs.replace(calibration, emulated=True))


def test_the_whole_session_on_an_emulated_kit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = ["--file", str(tmp_path / "c.json"), "--emulated", "7", "--kit", "seven"]
    assert main(["calibrate", *file, "--zero", "--rate"]) == 0
    assert main(["calibrate", *file, "--divider", "1.1", "0.0005", "10000", "5", "1000", "0.5"]) == 0
    assert main(["calibrate", *file, "--load", "1000", "1", "--spacing", "0.3", "0.0005"]) == 0
    capsys.readouterr()
    assert main(["calibrate", *file, "--show", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["overdue"] == [] and told["emulated"]
    kit = VirtualKit(7)
    true = (kit.indicated_V(-0.05, 0.05, 0.0) * kit.built.gain_set - kit.built.converter_offset_V) / 0.1
    gain = told["items"]["front_end_gain"]
    assert abs(gain["value"] - true) < 3 * gain["sigma"] < 3e-3
    assert told["items"]["current_sense"]["value"] * (kit.values()["current_sense"] or 0) == pytest.approx(
        1.0, abs=0.005
    )


@pytest.mark.parametrize(
    "words, sentence",
    [
        ([], "nothing was asked for"),
        (["--divider", "1", "0.1", "1e4", "1", "1e3", "1"], "zero first"),
        (["--zero", "--divider", "1", "0.1", "1e4", "1", "1e3", "1"], "one after the other"),
    ],
)
def test_a_wrong_order_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], sentence: str
) -> None:
    assert main(["calibrate", "--file", str(tmp_path / "c.json"), "--emulated", "1", *words]) == 2
    assert sentence in capsys.readouterr().err
