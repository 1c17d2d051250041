"""The daemon at rest does without SciPy: 40 MB, and most of its start on a small Pi."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import special

from earthward.signal.gamma_functions import digamma, trigamma


def test_the_daemon_does_not_load_scipy() -> None:
    asked = "import sys, earthward.daemon.life, earthward.commands.daemon; print('scipy' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "False"


@pytest.mark.parametrize(("ours", "order"), [(digamma, 0), (trigamma, 1)])
def test_gamma_functions_agree_with_scipy(ours: object, order: int) -> None:
    x = np.exp(np.linspace(np.log(0.05), np.log(2000.0), 300))
    assert callable(ours)
    np.testing.assert_allclose(ours(x), special.polygamma(order, x), rtol=1e-11, atol=1e-12)


def test_digamma_of_one_is_minus_eulers_constant() -> None:
    # NIST DLMF 5.4.12 and 5.2.3; 5.4.15 with 5.15: trigamma(1) = pi^2 / 6
    assert digamma(np.array([1.0]))[0] == pytest.approx(-0.577215664901532860606512, abs=1e-13)
    assert trigamma(np.array([1.0]))[0] == pytest.approx(np.pi**2 / 6, abs=1e-13)
