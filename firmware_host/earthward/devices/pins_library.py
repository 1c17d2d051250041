"""lgpio keeps a named pipe in the folder it is loaded from, and fails where it may not write there.

`earthward doctor` is run by the service's user from wherever a person happens to be. So lgpio is lent a folder.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import importlib.util
import os
import shutil
import sys
import tempfile
from collections.abc import Callable


def _may_write_here() -> bool:
    return os.access(os.curdir, os.W_OK)


def load_lgpio(may_write_here: Callable[[], bool] = _may_write_here) -> bool:
    """Load it if it is installed and not loaded yet; False if it is not installed. Raises what its import raises."""
    if "lgpio" in sys.modules:
        return True
    if importlib.util.find_spec("lgpio") is None:
        return False
    with contextlib.ExitStack() as stack:
        if not may_write_here():
            lent = tempfile.mkdtemp(prefix="earthward-pins-")
            atexit.register(shutil.rmtree, lent, ignore_errors=True)
            stack.enter_context(contextlib.chdir(lent))
        importlib.import_module("lgpio")
    return True
