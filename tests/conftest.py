"""Shared by all tests: subprocesses see the same package, and maths libraries stay on one thread."""

from __future__ import annotations

import os
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
_package_root = str(Path(__file__).parents[1] / "firmware_host")
os.environ["PYTHONPATH"] = os.pathsep.join(p for p in (_package_root, os.environ.get("PYTHONPATH", "")) if p)
