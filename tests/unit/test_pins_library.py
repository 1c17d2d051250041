"""The pins' library is loaded where it may write, and leaves the working folder as it was."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from earthward.devices.pins_library import load_lgpio

# As the real one does (lgpio 0.2, lgpio.py: a relative path), a pipe in the working folder at import.
LIBRARY = "import os\nos.mkfifo('.lgd-nfy0')\nWHERE = os.getcwd()\n"


@pytest.mark.parametrize("may", [True, False])
def test_a_folder_is_lent_where_the_own_one_is_closed(
    may: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "lgpio.py").write_text(LIBRARY)
    closed = tmp_path / "closed"
    closed.mkdir()
    monkeypatch.syspath_prepend(str(tmp_path / "library"))
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.chdir(closed)
    assert load_lgpio(lambda: may)
    assert load_lgpio(lambda: may)  # once is enough: a second pipe would fail
    where = Path(sys.modules.pop("lgpio").WHERE)
    assert (where == closed) == may and (where / ".lgd-nfy0").exists()
    assert Path.cwd() == closed


def test_it_need_not_be_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert not load_lgpio()
