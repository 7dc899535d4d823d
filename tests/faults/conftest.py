"""Every fault test has its own state folder, so that lock files of tests and of the user do not meet."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

if os.name != "posix":
    # Pseudo-terminals and signals are not there; hostile bytes are the same everywhere.
    collect_ignore = [path.name for path in Path(__file__).parent.glob("test_*.py") if path.name != "test_fuzz.py"]


@pytest.fixture(autouse=True)
def own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    yield
    if os.name == "posix":
        from tests.faults.harness import end_recorders

        end_recorders()
