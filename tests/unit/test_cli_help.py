"""What somebody who has just installed it reads first."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def earthward(*words: str) -> subprocess.CompletedProcess[str]:
    environ = os.environ | {"PYTHONPATH": str(ROOT / "firmware_host"), "COLUMNS": "100"}
    return subprocess.run(
        [sys.executable, "-m", "earthward", *words], capture_output=True, text=True, env=environ, timeout=120
    )


def test_help_says_the_job_first() -> None:
    said = " ".join(earthward("--help").stdout.split())
    assert "leaks" in said and "earthward demo" in said
    assert said.index("leaks") < said.index("Exit codes")


def test_the_doctor_speaks_for_itself() -> None:
    """No warnings of libraries, and no success where something is wrong."""
    done = earthward("doctor")
    assert done.stderr == ""
    assert (done.returncode != 0) == ("WRONG" in done.stdout)
