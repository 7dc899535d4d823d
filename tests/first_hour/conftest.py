"""Every test has its own state folder, so that lock files of tests and of the user do not meet."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

if os.name != "posix":
    collect_ignore_glob = ["test_*.py"]


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
