"""Draws sigma against window with the bound beside it: `python tests/benchmarks/plot_detection.py [OUT.svg]`.

Measured scatter of the detector's values about the truth, its own sigma, and the Cramer-Rao bound; clean and with
both mains families at a hundred times the signal; a multiply-and-low-pass on the same data for comparison.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib
import numpy as np

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from tests.benchmarks.bench_detector import BOTH_MAINS, bound, classical, run

from earthward.emulated.pair_recording import PairScene, record

WINDOWS_S = (0.15, 0.25, 0.35, 0.5, 0.7, 1.0, 1.5, 2.0)
SECONDS = 100.0


def curve(scene: PairScene, window_s: float) -> tuple[float, float, float]:
    """(scatter, stated sigma, scatter of the classical lock-in), volts."""
    recording = record(scene, SECONDS, 1)
    readings = [r for r in run(recording, window_s).readings if r.value_V is not None and r.t_s > 6]
    errors = np.array([r.value_V - scene.amplitude_V for r in readings if r.value_V is not None])
    stated = float(np.sqrt(np.mean([r.sigma_V**2 for r in readings if r.sigma_V is not None])))
    old = classical(recording.t_s, recording.v_V, scene, window_s)[round(6 * scene.rate_Hz) :]
    return float(np.sqrt(np.mean(errors**2))), stated, float(np.sqrt(np.mean((old - scene.amplitude_V) ** 2)))


def main() -> None:
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2] / "docs" / "detection-sigma-window.svg"
    figure, axes = plt.subplots(1, 2, figsize=(10, 4.4), sharey=True, layout="constrained")
    clean = PairScene()
    for axis, scene, title in (
        (axes[0], clean, "white noise, 8 uV per sample"),
        (axes[1], PairScene(mains_V=BOTH_MAINS), "the same with 50 and 60 Hz, 240 uV each, swinging by 0.2 Hz"),
    ):
        found = np.array([curve(scene, w) for w in WINDOWS_S]) * 1e6
        for w, row in zip(WINDOWS_S, found, strict=True):
            best = bound(scene, w) * 1e6
            print(f"{title}: window {w} s: scatter {row[0]:.3f}, sigma {row[1]:.3f}, bound {best:.3f} uV")
        fine = np.geomspace(WINDOWS_S[0], WINDOWS_S[-1], 50)
        axis.loglog(fine, [bound(scene, w) * 1e6 for w in fine], "k-", lw=1.2, label="Cramer-Rao bound")
        axis.loglog(WINDOWS_S, found[:, 0], "o", ms=6, color="#0b6e8a", label="scatter about the truth")
        axis.loglog(WINDOWS_S, found[:, 1], "--", color="#d9822b", label="sigma as stated")
        axis.loglog(WINDOWS_S, found[:, 2], "s:", ms=4, color="#888888", label="multiply and low-pass (4 poles)")
        axis.set_title(title, fontsize=10)
        axis.set_xlabel("window, s")
        axis.set_xticks(WINDOWS_S, [f"{w:g}" for w in WINDOWS_S])
        axis.minorticks_off()
        axis.grid(True, which="major", color="#dddddd", lw=0.6)
    axes[0].set_ylabel("standard deviation of a reading, uV")
    axes[0].set_yticks([0.2, 0.5, 1, 2, 5, 10, 20], ["0.2", "0.5", "1", "2", "5", "10", "20"])
    axes[0].legend(frameon=False, fontsize=9)
    figure.savefig(out, metadata={"Date": None} if out.suffix == ".svg" else {})
    print(f"written: {out.name}")


if __name__ == "__main__":
    main()
